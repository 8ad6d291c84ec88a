"""The command envlab, also as python -m envlab."""

from __future__ import annotations

import sys


def run() -> None:
    """Run the command; Ctrl-C while its modules still load is one line too."""
    try:
        from envlab.cli import main
    except KeyboardInterrupt:
        sys.stderr.write("Interrupted; nothing was written.\n")
        sys.exit(130)
    main(prog_name="envlab")


if __name__ == "__main__":
    run()

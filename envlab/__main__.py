"""The command envlab, also as python -m envlab."""

from __future__ import annotations

import gc
import sys

# New objects after which Python looks for circles among them. Of 700, as it would, most are looked through
# again and again while modules load and pictures are drawn, and nearly all of them stay until the end.
_LOOK_AFTER = 20_000


def run() -> None:
    """Run the command; Ctrl-C while its modules still load is one line too."""
    gc.set_threshold(_LOOK_AFTER)
    try:
        from envlab.cli import main
    except KeyboardInterrupt:
        sys.stderr.write("Interrupted; nothing was written.\n")
        sys.exit(130)
    main(prog_name="envlab")


if __name__ == "__main__":
    run()

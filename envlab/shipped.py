"""Where the files that come with envlab lie: in the installed package, or in the checkout."""

from __future__ import annotations

from pathlib import Path

from envlab.errors import FileError, check_choice

_PACKAGE = Path(__file__).parent


def shipped_folder(name: str) -> Path:
    """Return the folder "audio_samples" or "notebooks"; FileError if this copy of envlab lacks it."""
    for folder in (_PACKAGE / "_shipped" / name, _PACKAGE.parent / name):
        if folder.is_dir():
            return folder
    raise FileError(f"{name}: this copy of envlab came without it; install it anew")


# Designs that come with the package; the first is the one that is meant where none is named.
DEMOS = ("lantern-parade", "garden-moon")


def demo_design(name: str = DEMOS[0]) -> Path:
    """Return the design file of a demo, "lantern-parade" or "garden-moon"; ParameterError if neither."""
    check_choice("name", name, DEMOS)
    return _PACKAGE / "demos" / f"{name.replace('-', '_')}.toml"

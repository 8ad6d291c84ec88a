"""Where the files that come with envlab lie: in the installed package, or in the checkout."""

from __future__ import annotations

from pathlib import Path

from envlab.errors import FileError

_PACKAGE = Path(__file__).parent


def shipped_folder(name: str) -> Path:
    """Return the folder "audio_samples" or "notebooks"; FileError if this copy of envlab lacks it."""
    for folder in (_PACKAGE / "_shipped" / name, _PACKAGE.parent / name):
        if folder.is_dir():
            return folder
    raise FileError(f"{name}: this copy of envlab came without it; install it anew")


def demo_design() -> Path:
    """Return the design file of the lantern parade."""
    return _PACKAGE / "lantern_parade.toml"

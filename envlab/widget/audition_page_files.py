"""The page's files, each a module that can be tried alone, joined into the one that a notebook loads."""

from __future__ import annotations

import re
from pathlib import Path

from envlab.errors import FileError

PAGE_FOLDER = Path(__file__).parent / "audition_page"
FIRST = ("light.js", "sound.js", "drawing.js", "controls.js", "keys.js")
LAST = "main.js"
_IMPORT = re.compile(r"""^import\s[^;"']*["']\./[\w.-]+["'];?[ \t]*\n?""", re.MULTILINE)
_EXPORT = re.compile(r"^export (?=(?:async |const |let |function |class ))", re.MULTILINE)
_RE_EXPORT = re.compile(r"^export \{", re.MULTILINE)


def joined_module(folder: Path = PAGE_FOLDER) -> str:
    """Return the script: FIRST in this order, other files by name, then LAST, which exports render.

    Imports among the files and the word export are taken away, as all stand in one module. Raises FileError
    where LAST is missing.
    """
    names = sorted(path.name for path in folder.glob("*.js"))
    if LAST not in names:
        raise FileError(f"{folder / LAST}: no such file; this copy of envlab came without its page")
    order = [name for name in FIRST if name in names]
    order += [name for name in names if name not in (*FIRST, LAST)]
    return "\n".join(_alone(folder / name) for name in (*order, LAST))


def joined_style(folder: Path = PAGE_FOLDER) -> str:
    """Return the style sheet: all of the folder's, by name."""
    return "\n".join(path.read_text(encoding="utf-8") for path in sorted(folder.glob("*.css")))


def _alone(path: Path) -> str:
    text = _EXPORT.sub("", _IMPORT.sub("", path.read_text(encoding="utf-8")))
    if _RE_EXPORT.search(text):
        raise FileError(f'{path}: names in braces are exported; write "export" before each declaration')
    return text

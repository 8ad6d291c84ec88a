"""The page's files, each a module that can be tried alone, joined into the one that a notebook loads.

Each file becomes a function that is called once and returns what the file exports, so that two files may use
the same name for different things; what a file imports is taken from what came before it.
"""

from __future__ import annotations

import posixpath
import re
from pathlib import Path

from envlab.errors import FileError

PAGE_FOLDER = Path(__file__).parent / "page"
LAST = "main.js"
_IMPORT = re.compile(
    r"""^import\s+(?:\{(?P<names>[^}]*)\}|\*\s+as\s+(?P<whole>\w+))\s+from\s+["'](?P<file>\.{1,2}/[\w./-]+)["'];?""",
    re.MULTILINE,
)
_ANY_IMPORT = re.compile(r"^import\b.*", re.MULTILINE)
_EXPORT = re.compile(
    r"^export\s+(?=(?:async\s+)?(?:function\*?|class|const|let)\s+(?P<name>[\w$]+))", re.MULTILINE
)
_ANY_EXPORT = re.compile(r"^export\b.*", re.MULTILINE)


def joined_module(folder: Path = PAGE_FOLDER) -> str:
    """Return LAST, whose default export the notebook wants, behind all files that it needs.

    Raises FileError where a file is missing or outside the folder, two need each other, or one imports or
    exports in a way that is not understood here: import {a, b as c} from "./x.js" or "../y/x.js",
    import * as x; export before a declaration.
    """
    order: list[str] = []
    _visit(folder, LAST, order, ())
    modules = [_scoped(folder, name) for name in order[:-1]]
    return "\n".join([*modules, _linked(folder, LAST)])


def joined_style(folder: Path = PAGE_FOLDER) -> str:
    """Return the style sheet: all of the folder's, by name."""
    return "\n".join(_read(path) for path in sorted(folder.glob("*.css")))


def _visit(folder: Path, name: str, order: list[str], way: tuple[str, ...]) -> None:
    if name in way:
        raise FileError(f"{folder / name}: needs itself, by way of {', '.join(way)}")
    for match in _IMPORT.finditer(_read(folder / name)):
        needed = _named_by(folder, name, match["file"])
        if needed not in order:
            _visit(folder, needed, order, (*way, name))
    order.append(name)


def _named_by(folder: Path, name: str, file: str) -> str:
    """The file that the file name means by file, as its path from the page's folder on."""
    found = posixpath.normpath(posixpath.join(posixpath.dirname(name), file))
    if found.startswith("../"):
        raise FileError(f"{folder / name}: {file!r} lies outside the page")
    return found


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except OSError:
        raise FileError(f"{path}: no such file; this copy of envlab came without its page") from None


def _module_name(file: str) -> str:
    return "from_" + re.sub(r"\W", "_", file.removesuffix(".js"))


def _linked(folder: Path, name: str) -> str:
    """A file's text with its imports as constants."""

    def taken(match: re.Match[str]) -> str:
        source = _module_name(_named_by(folder, name, match["file"]))
        if match["whole"]:
            return f"const {match['whole']} = {source};"
        return f"const {{{re.sub(r' +as +', ': ', match['names'])}}} = {source};"

    linked = _IMPORT.sub(taken, _read(folder / name))
    left = _ANY_IMPORT.search(linked)
    if left:
        raise FileError(f"{folder / name}: {left[0]!r} is not an import of names from a file beside it")
    return linked


def _scoped(folder: Path, name: str) -> str:
    text = _linked(folder, name)
    names = [match["name"] for match in _EXPORT.finditer(text)]
    body = _EXPORT.sub("", text)
    left = _ANY_EXPORT.search(body)
    if left:
        raise FileError(f"{folder / name}: {left[0]!r} is not an export before a declaration")
    return f"const {_module_name(name)} = (() => {{\n{body}\nreturn {{ {', '.join(names)} }};\n}})();"

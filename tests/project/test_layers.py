"""The house has rooms, and data flows one way through them: who may import whom.

sound → analog → digital → light → firmware, each also from units and errors; chain, design_file and
board_firmware join the rooms, shipped finds what came with the package; study runs chains; plot, widget,
report and cli stand outside, and nobody inside knows them.
Every import counts: inside functions, under TYPE_CHECKING, and by name through import_module.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[2] / "envlab"

BASE = ("units", "errors")
ROOMS = ("sound", "analog", "digital", "light", "firmware")
JOINTS = ("shipped", "chain", "design_file", "board_firmware")
OUTSIDE = ("plot", "widget", "report", "cli")


def may_import() -> dict[str, tuple[str, ...]]:
    """Return, for each folder or file at the top of the package, those that it may import."""
    allowed = {"errors": (), "units": ("errors",), "bibliography": ()}
    for place, room in enumerate(ROOMS):
        allowed[room] = (*BASE, *ROOMS[: place + 1])
    allowed["shipped"] = BASE
    allowed["chain"] = (*BASE, *ROOMS)
    allowed["design_file"] = (*BASE, *ROOMS, "chain")
    allowed["board_firmware"] = (*BASE, *ROOMS, "chain")
    allowed["study"] = (*BASE, *ROOMS, *JOINTS, "study")
    inside = allowed["study"]
    allowed["plot"] = (*inside, "plot")
    allowed["widget"] = (*inside, "plot", "widget")
    allowed["report"] = (*inside, "plot", "report")
    allowed["cli"] = (*inside, *OUTSIDE)
    allowed["__main__"] = ("cli",)
    # The public names point into the house. (The version, which some rooms write down, stands in it too.)
    allowed["__init__"] = (*inside, "plot", "widget")
    return allowed


def top_of(path: Path) -> str:
    """Return the folder or the file at the top of the package that a file belongs to."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imports_of(source: str) -> set[str]:
    """Return the envlab modules, dotted, that a source text imports in any way."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"line {node.lineno}: imports are written from envlab on"
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            found |= {node.value} if node.value.startswith("envlab.") and " " not in node.value else set()
    return {name for name in found if name.split(".")[0] == "envlab"}


def tops_imported(source: str) -> set[str]:
    """Return what a source text imports, as folders and files at the top of the package."""
    tops = {[*name.split("."), "__init__"][1] for name in imports_of(source)}
    return tops - {"__version__"}


FILES = sorted(PACKAGE.rglob("*.py"))


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_only_what_lies_to_the_left(path):
    top = top_of(path)
    assert top in may_import(), f"{top}: say here which place in the house it has"
    assert tops_imported(path.read_text(encoding="utf-8")) <= set(may_import()[top])


def test_every_room_is_there():
    assert {*BASE, *ROOMS, *JOINTS, "study", "plot", "report", "cli"} <= {top_of(path) for path in FILES}


@pytest.mark.parametrize(
    "source",
    [
        "import envlab.plot",
        "from envlab import plot",
        "from envlab.plot.report_metrics import x",
        "def f():\n    from envlab.plot import x",
        "if TYPE_CHECKING:\n    import envlab.plot as p",
        "from importlib import import_module\nimport_module('envlab.plot.x')",
    ],
)
def test_no_way_of_importing_goes_unseen(source):
    assert tops_imported(source) == {"plot"}


def test_relative_imports_are_refused():
    with pytest.raises(AssertionError, match="line 1"):
        imports_of("from ..plot import x")


def test_importing_the_top_is_not_free():
    assert tops_imported("import envlab") == {"__init__"}
    assert tops_imported("from envlab import Chain") == {"Chain"}
    assert tops_imported("from envlab import __version__") == set()

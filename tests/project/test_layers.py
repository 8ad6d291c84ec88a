"""The house has rooms, and data flows one way through them: which file may import which.

Two rules, both on files. A file imports from its own room and from rooms to the left of it. And no circle of
files exists, however long, not even one that is closed by an import inside a function or under TYPE_CHECKING:
who reads one file must be able to do so before the next.
Every import counts: inside functions, under TYPE_CHECKING, and by name through import_module.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[2] / "envlab"

# Rooms and single files from left to right; those of one row do not know each other.
ROWS = (
    ("errors", "bibliography"),
    ("units", "seeds", "worked_out", "notebook_view"),
    ("files",),
    ("sound",),
    ("analog",),
    ("digital",),
    ("light",),
    ("firmware",),
    ("engine",),
    ("circuit",),
    ("chain", "shipped"),
    ("design_file",),
    ("board_firmware", "metrics"),
    ("study",),
    ("bench",),
    ("plot",),
    ("widget", "report"),
    ("cli", "stages", "lights", "judge", "sheets", "export"),
    ("__init__", "__main__"),
)
PLACE = {name: place for place, row in enumerate(ROWS) for name in row}


def modules(package: Path) -> dict[str, Path]:
    """Return every module of a package, dotted, and its file."""
    found = {}
    for path in sorted(package.rglob("*.py")):
        parts = path.relative_to(package.parent).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def names_imported(source: str, package: str) -> set[str]:
    """Return the dotted names of a package that a source text imports in any way."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"line {node.lineno}: imports are written from {package} on"
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            text = node.value
            found |= {text} if text.startswith(f"{package}.") and " " not in text else set()
    return {name for name in found if name.split(".")[0] == package}


def files_imported(source: str, package: str, known: dict[str, Path]) -> set[str]:
    """Return the modules among known that a source text imports: a name in a module counts as the module."""
    found = set()
    for name in names_imported(source, package):
        parts = name.split(".")
        longest = next(n for n in range(len(parts), 0, -1) if ".".join(parts[:n]) in known)
        found.add(".".join(parts[:longest]))
    return found


def graph_of(package: Path) -> dict[str, set[str]]:
    """Return who imports whom, module by module. The package itself (its version) counts for nobody."""
    known = modules(package)
    return {
        module: files_imported(path.read_text(encoding="utf-8"), package.name, known) - {module, package.name}
        for module, path in known.items()
    }


def circle_in(graph: dict[str, set[str]]) -> list[str]:
    """Return one circle of modules, the first of them once more at its end; empty if there is none."""
    done: set[str] = set()

    def walk(module: str, way: list[str]) -> list[str]:
        if module in way:
            return [*way[way.index(module) :], module]
        if module in done:
            return []
        for imported in sorted(graph[module]):
            found = walk(imported, [*way, module])
            if found:
                return found
        done.add(module)
        return []

    return next((found for module in sorted(graph) if (found := walk(module, []))), [])


GRAPH = graph_of(PACKAGE)


def top_of(module: str) -> str:
    """Return the room or the single file at the top of the package that a module belongs to."""
    return [*module.split("."), "__init__"][1]


@pytest.mark.parametrize("module", sorted(set(GRAPH) - {"envlab"}))
def test_imports_only_from_its_own_room_and_from_the_left(module):
    top = top_of(module)
    assert top in PLACE, f"{top}: say in ROWS which place in the house it has"
    wrong = {other for other in GRAPH[module] if top_of(other) != top and PLACE[top_of(other)] >= PLACE[top]}
    assert wrong == set()


def test_no_circle_of_files():
    assert circle_in(GRAPH) == []


def test_every_room_is_there():
    assert set(PLACE) == {top_of(module) for module in GRAPH}


def a_package(folder: Path, files: dict[str, str]) -> Path:
    package = folder / "house"
    for name, text in files.items():
        path = package / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        (path.parent / "__init__.py").touch()
    return package


@pytest.mark.parametrize(
    "back",
    [
        "import house.a.one",
        "from house.a import one",
        "from house.a.one import Thing",
        "def f():\n    from house.a.one import Thing",
        "if TYPE_CHECKING:\n    from house.a.one import Thing",
        "from importlib import import_module\nimport_module('house.a.one')",
    ],
)
def test_a_circle_is_seen_however_it_is_closed(tmp_path, back):
    package = a_package(
        tmp_path,
        {
            "a/one.py": "from house.a.two import x",
            "a/two.py": "from house.b import three",
            "b/three.py": back,
        },
    )
    assert circle_in(graph_of(package)) == ["house.a.one", "house.a.two", "house.b.three", "house.a.one"]


def test_a_row_of_files_is_no_circle(tmp_path):
    package = a_package(
        tmp_path, {"a.py": "", "b.py": "import house.a", "c.py": "from house import a\nimport house.b"}
    )
    assert circle_in(graph_of(package)) == []


def test_relative_imports_are_refused():
    with pytest.raises(AssertionError, match="line 1"):
        names_imported("from ..plot import x", "envlab")


def test_rooms_have_at_most_a_dozen_files_or_so():
    """What one finds in one guess; sixteen, so that a room may grow before it is divided."""
    rooms: dict[Path, int] = {}
    for path in modules(PACKAGE).values():
        rooms[path.parent] = rooms.get(path.parent, 0) + 1
    crowded = {str(room.relative_to(PACKAGE.parent)): count for room, count in rooms.items() if count > 16}
    assert crowded == {}

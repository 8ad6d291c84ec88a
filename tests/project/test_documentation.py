"""Docstrings: everybody has one, sources are named by keys that lead somewhere, quantities have their units.

Sources. A key in square brackets stands in envlab/bibliography.py; each entry there is used; and a file of
the package that names a source in its docstrings or comments gives its key at least once.

Units. A number that is an argument, a field or a result either carries its unit in its name (release_ohm,
held_v, duty), or the docstring of its function, class or module speaks of it by name; and a function that
returns numbers has the unit in its own name, or says in what they come.
"""

from __future__ import annotations

import ast
import io
import re
import tokenize
from collections.abc import Iterator
from pathlib import Path

import pytest

from envlab.bibliography import SOURCES, source_lines

CHECKOUT = Path(__file__).resolve().parents[2]
PACKAGE = CHECKOUT / "envlab"
FILES = sorted(PACKAGE.rglob("*.py"))
TESTS = sorted((CHECKOUT / "tests").rglob("*.py"))
# An upper-case name with a number in it, so that neither indices nor types look like a key.
KEY = re.compile(r"\[([A-Z][A-Za-z]*[0-9][\w.-]*)\]")

Node = ast.Module | ast.ClassDef | ast.FunctionDef


def spoken(source: str) -> str:
    """Return the docstrings and comments of a source text."""
    told = [ast.get_docstring(node) or "" for node in ast.walk(ast.parse(source)) if isinstance(node, Node)]
    tokens = tokenize.generate_tokens(io.StringIO(source).readline)
    told += [token.string.lstrip("# ") for token in tokens if token.type == tokenize.COMMENT]
    return "\n".join(told)


def keys_in(path: Path) -> set[str]:
    return set(KEY.findall(spoken(path.read_text(encoding="utf-8"))))


class TestSources:
    def test_every_key_leads_somewhere(self):
        unknown = {
            str(path.relative_to(CHECKOUT)): lost
            for path in [*FILES, *TESTS]
            if path != Path(__file__) and (lost := keys_in(path) - set(SOURCES))
        }
        assert unknown == {}

    def test_every_source_is_used(self):
        used = set().union(*(keys_in(path) for path in [*FILES, *TESTS] if path.name != "bibliography.py"))
        papers = [
            CHECKOUT / "README.md",
            CHECKOUT / "DEVELOPERS.md",
            *(CHECKOUT / "notebooks").glob("*.ipynb"),
        ]
        used |= {key for paper in papers for key in KEY.findall(paper.read_text(encoding="utf-8"))}
        assert set(SOURCES) - used == set()

    @pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
    def test_who_names_a_source_gives_its_key(self, path):
        told = " ".join(spoken(path.read_text(encoding="utf-8")).split())
        named = {key for key, source in SOURCES.items() if any(name in told for name in source.names)}
        assert path.name == "bibliography.py" or named <= keys_in(path)

    def test_entries_say_what_and_how_well_known(self):
        assert len(source_lines()) == len(SOURCES)
        for key, source in SOURCES.items():
            assert KEY.fullmatch(f"[{key}]"), key
            assert re.search(r"\d", source.title), key
            assert source.names, key

    def test_a_key_is_told_from_an_index(self):
        assert KEY.findall("[IEC61672-1] x[0] dict[str, int] [WCAG2.2] b[K] [a1]") == [
            "IEC61672-1",
            "WCAG2.2",
        ]


# ---------------------------------------------------------------- units

NUMBER = re.compile(r"\b(?:float|complex|FloatArray|IntArray|ArrayLike|NDArray)\b")
# As the last words of a name: "release_ohm", "quiet_lit_share", "counts_at".
UNIT_WORDS = frozenset(
    [
        "v",
        "mv",
        "ohm",
        "farad",
        "hz",
        "s",
        "ms",
        "us",
        "a",
        "w",
        "j",
        "k",
        "c",
        "pa",
        "db",
        "spl",
        "dbv",
        "lstar",
        "uv",
        "counts",
        "count",
        "codes",
        "code",
        "duty",
        "duties",
        "share",
        "ratio",
        "percent",
        "volts",
        "bits",
        "pixels",
        "lsb",
        "ev",
        "ah",
        "m",
        "mm",
        "rad",
        "cm",
        "inch",
        "frames",
        "samples",
        "boards",
        "rthz",
    ]
)
# As a docstring says them.
UNIT_SPOKEN = re.compile(
    r"(?<!\w)(?:V|mV|A|mA|W|Hz|kHz|dB|Pa|F|K|s|ms|mm|L\*|Ω|kΩ|°C|%|volts?|farads?|ohms?|seconds?|amperes?|watts?|"
    r"pascals?|hertz|decibels?|percent|radians?|counts?|codes?|duty|duties|shares?|[Rr]atios?|factor|times|"
    r"pixels|frames?|samples?|bits?|[Ss]teps?|index|indices|integers?|luminances?|lightness|linear light|"
    r"positions?|chromaticity|H\(jω\)|in their own unit|units? of|no unit|[Ww]hich|True|in SI)(?!\w)"
    r"|\d\.\.\d|\d to \d|\d+/|\w/\(|\bover\b"
)


def numbers_of(node: ast.FunctionDef | ast.ClassDef) -> Iterator[str]:
    """Yield the names of the arguments of a function or the fields of a dataclass that are numbers."""
    if isinstance(node, ast.FunctionDef):
        for part in [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]:
            kind = ast.unparse(part.annotation) if part.annotation else ""
            if NUMBER.search(kind) and "Callable" not in kind:
                yield part.arg
    elif any("dataclass" in ast.unparse(decorator) for decorator in node.decorator_list):
        for line in node.body:
            if isinstance(line, ast.AnnAssign) and NUMBER.search(ast.unparse(line.annotation)):
                yield ast.unparse(line.target)


def returns_numbers(node: ast.FunctionDef) -> bool:
    return bool(node.returns and NUMBER.search(ast.unparse(node.returns)))


def has_unit(name: str) -> bool:
    return not UNIT_WORDS.isdisjoint(name.lower().split("_"))


def is_spoken_of(name: str, told: str) -> bool:
    return bool(re.search(rf"\b{name.replace('_', '[_ ]')}\b", " ".join(told.split())))


def gaps_of(source: str) -> list[str]:
    """Return what a source text leaves unsaid, one line each."""
    tree = ast.parse(source)
    gaps = [] if ast.get_docstring(tree) else ["the module has no docstring"]

    def look(inside: Node, around: str, path: str) -> None:
        for node in inside.body:
            if not isinstance(node, ast.FunctionDef | ast.ClassDef) or node.name.startswith("_"):
                continue
            own = ast.get_docstring(node) or ""
            name = f"{path}{node.name}"
            if not own:
                gaps.append(f"{name} has no docstring")
            gaps.extend(
                f"{name}: nobody says in what {part} is"
                for part in numbers_of(node)
                if not (has_unit(part) or part.startswith("_") or is_spoken_of(part, own + around))
            )
            if isinstance(node, ast.ClassDef):
                look(node, own + around, f"{name}.")
            elif returns_numbers(node) and not (has_unit(node.name) or UNIT_SPOKEN.search(own)):
                gaps.append(f"{name}: nobody says in what the result comes")

    look(tree, ast.get_docstring(tree) or "", "")
    return gaps


class TestDocstrings:
    @pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
    def test_nothing_is_left_unsaid(self, path):
        assert gaps_of(path.read_text(encoding="utf-8")) == []

    @pytest.mark.parametrize(
        ("source", "gap"),
        [
            ("def f(): ...", "the module has no docstring"),
            ('"""M."""\ndef f(): ...', "f has no docstring"),
            ('"""M."""\nclass C:\n    """C."""\n    def f(self): ...', "C.f has no docstring"),
            ('"""M."""\ndef f(knee: float):\n    """Bend."""', "f: nobody says in what knee is"),
            ('"""M."""\ndef f() -> float:\n    """Bend."""', "f: nobody says in what the result comes"),
            (
                '"""M."""\n@dataclass(frozen=True)\nclass C:\n    """C."""\n    knee: float = 0.5',
                "C: nobody says in what knee is",
            ),
        ],
    )
    def test_a_gap_is_found(self, source, gap):
        assert gap in gaps_of(source)

    @pytest.mark.parametrize(
        "source",
        [
            '"""M."""\ndef f(knee_v: float):\n    """Bend."""',
            '"""M."""\ndef f(knee: float):\n    """Bend at knee, a share of the span."""',
            '"""knee: where it bends, 0..1."""\ndef f(knee: float):\n    """Bend."""',
            '"""M."""\ndef f() -> float:\n    """Bend, in V."""',
            '"""M."""\ndef bend_v() -> float:\n    """Bend."""',
            '"""M."""\ndef _f(knee: float): ...',
        ],
    )
    def test_what_is_said_is_no_gap(self, source):
        assert gaps_of(source) == []

"""Mutants of the numerical core, made by the operators of a public tool; needs the extra "mutation".

The tool itself writes a mutant into the source and starts the tests anew. With compiled loops that is not
only slow (each start imports and compiles for seconds): numba keeps a loop by the date of its own file and
does not know which other loops have been inlined into it, so that an older mutant would be tried inside.
Therefore only the tool's operators are used; long_run.py runs what they make.

Left out, because no test of numbers could or need tell them: "is" in the place of "==" and bit operators in
the place of arithmetic (they only raise, and would be killed by anything), decorators, annotations, and what
only a type checker reads.
"""

from __future__ import annotations

import difflib
import random
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cosmic_ray.plugins as tool
import parso
from cosmic_ray.ast import ast_nodes
from cosmic_ray.mutating import mutate_code
from mutation.what import GROUPS

PACKAGE = Path(__file__).resolve().parents[2] / "envlab"
_BITS = ("RShift", "LShift", "BitOr", "BitAnd", "BitXor")
_NAMED = ("VariableReplacer", "VariableInserter", "RemoveDecorator")


@dataclass(frozen=True)
class Mutant:
    """One change of one file: lines before and after, the first of them at number (from 1)."""

    group: str
    module: str
    operator: str
    number: int
    before: str
    after: str

    @property
    def key(self) -> tuple[str, str, str]:
        """What names it even when lines above it come and go."""
        return self.module, self.before.strip(), self.after.strip()


@dataclass(frozen=True)
class Place:
    """A place that an operator can change, and which of its occurrences in the file it is."""

    group: str
    module: str
    at: tuple[int, int]
    operator: str
    occurrence: int


def operators() -> list[str]:
    """Names of the tool's operators that change what a number is."""
    return [name for name in tool.operator_names() if _wanted(name.removeprefix("core/"))]


def _wanted(name: str) -> bool:
    if name in _NAMED:
        return False
    kind, _, words = name.partition("_")
    before, _, after = words.partition("_")
    if kind == "ReplaceBinaryOperator":
        return (before in _BITS) == (after in _BITS)
    if kind == "ReplaceComparisonOperator":
        return (before in ("Is", "IsNot")) == (after in ("Is", "IsNot"))
    return name not in ("ReplaceUnaryOperator_USub_Not", "ReplaceUnaryOperator_USub_Invert")


def places(group: str, module: str) -> Iterator[Place]:
    """Yield every place of a module that an operator can change."""
    tree = parso.parse((PACKAGE / module).read_text(encoding="utf-8"))
    nodes = list(ast_nodes(tree))
    left_out = [(node.start_pos, node.end_pos) for node in nodes if _says_nothing_of_numbers(node)]
    for name in operators():
        operator, occurrence = tool.get_operator(name)(), 0
        for node in nodes:
            for start, _ in operator.mutation_positions(node):
                if not any(first <= start < last for first, last in left_out):
                    yield Place(group, module, start, name, occurrence)
                occurrence += 1


def _says_nothing_of_numbers(node: parso.tree.NodeOrLeaf) -> bool:
    return node.type in ("annassign_type", "tfpdef_type", "decorator") or (
        node.parent is not None and _is_annotation(node)
    )


def _is_annotation(node: parso.tree.NodeOrLeaf) -> bool:
    parent, before = node.parent, node.get_previous_sibling()
    if before is None or before.type != "operator":
        return False
    in_signature = parent.type in ("tfpdef", "annassign") and before.value == ":"
    return in_signature or (parent.type == "funcdef" and before.value == "->")


def sample(seed: int, each: int) -> list[Mutant]:
    """Draw as many mutants of each group: a place by chance, then one operator of those that fit there."""
    found: list[Mutant] = []
    for group, modules in GROUPS.items():
        rng = random.Random(f"{seed} {group}")
        at: dict[tuple[str, tuple[int, int]], list[Place]] = {}
        for module in modules:
            for place in places(group, module):
                at.setdefault((module, place.at), []).append(place)
        chosen = rng.sample(sorted(at), min(each, len(at)))
        found.extend(made(rng.choice(at[key])) for key in chosen)
    return found


def made(place: Place) -> Mutant:
    """Return the change that an operator makes at a place."""
    source = (PACKAGE / place.module).read_text(encoding="utf-8")
    changed = mutate_code(source, tool.get_operator(place.operator)(), place.occurrence)
    assert changed is not None, place
    before, after = source.split("\n"), changed.split("\n")
    edits = [
        edit for edit in difflib.SequenceMatcher(None, before, after).get_opcodes() if edit[0] != "equal"
    ]
    first, last = edits[0][1], edits[-1][2]
    end = last + len(after) - len(before)
    return Mutant(
        place.group,
        place.module,
        place.operator.removeprefix("core/"),
        first + 1,
        "\n".join(before[first:last]),
        "\n".join(after[first:end]),
    )

"""Which layouts the numbers favour, near by and from afar. They say nothing of taste.

A layout leads in a number if none is better by more than ALIKE_LSTAR (as the choice of a board rounds its
contrast). A number in which all lead tells nothing. A side favours those that lead in most of the numbers
that tell something; where several do, and not in the same numbers, the side is divided. Only layouts that
keep the flash limit and the supply are asked. Intensity from afar is no such number: at equal current all
have the same.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from envlab.study.layouts.figures import LayoutFigures

ALIKE_LSTAR = 1.0
Side = Literal["near", "far"]


@dataclass(frozen=True)
class Lead:
    """Who leads in one number.

    number: as in LayoutFigures, or of its steps. names: of those that lead, in the order of the figures; none
    where it is not judged. best: the best value, L*.
    """

    number: str
    names: tuple[str, ...]
    best: float


def _number(name: str) -> Callable[[LayoutFigures], float]:
    if name.startswith("step_"):
        return lambda one: float(getattr(one.steps, name.removeprefix("step_")))
    return lambda one: float(getattr(one, name))


# Side, number, whether more is better.
NUMBERS: tuple[tuple[Side, str, bool], ...] = (
    ("near", "equal_lit_lstar", True),
    ("near", "contrast_near_lstar", True),
    ("near", "step_near_lstar", False),
    ("far", "contrast_far_lstar", True),
    ("far", "step_far_lstar", False),
)


def value_of(figures: LayoutFigures, number: str) -> float:
    """Return one of NUMBERS of a layout, L*."""
    return _number(number)(figures)


def leads(figures: Sequence[LayoutFigures], side: Side, flash_limit: float) -> tuple[Lead, ...]:
    """Return who leads in each number of a side. flash_limit: most flashes of the whole in a second."""
    asked = [one for one in figures if one.keeps_current and one.flashes_per_s <= flash_limit]
    found = []
    for of_side, number, more in NUMBERS:
        if of_side != side:
            continue
        values = {one.name: value_of(one, number) for one in asked}
        judged = [value for value in values.values() if not math.isnan(value)]
        if not judged:
            found.append(Lead(number, (), math.nan))
            continue
        best = max(judged) if more else min(judged)
        names = tuple(name for name, value in values.items() if abs(value - best) <= ALIKE_LSTAR)
        found.append(Lead(number, names, best))
    return tuple(found)


@dataclass(frozen=True)
class Favour:
    """What a side favours. names: of layouts; none where no number tells. divided: see the module's top."""

    names: tuple[str, ...]
    divided: bool


def favour_of(led: Sequence[Lead], asked: int) -> Favour:
    """Return what the leads of one side favour. asked: how many layouts were."""
    telling = [one for one in led if 0 < len(one.names) < asked]
    names = list(dict.fromkeys(name for one in telling for name in one.names))
    leads_in = {name: tuple(one.number for one in telling if name in one.names) for name in names}
    most = max((len(numbers) for numbers in leads_in.values()), default=0)
    first = tuple(name for name in names if len(leads_in[name]) == most)
    return Favour(first, len({leads_in[name] for name in first}) > 1)

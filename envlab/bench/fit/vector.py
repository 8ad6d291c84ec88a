"""A board as the vector of numbers that is fitted: logarithms of what cannot be negative."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from envlab.bench.fit.values import BoardValues
from envlab.units import FloatArray

# Ratios and times, which cannot be negative: fitted and compared as logarithms.
AS_LOGARITHM = frozenset({"gain", "low_gain", "high_gain", "attack_s", "release_s", "corner", "limit"})
# Fitted number → step of its difference quotient, of the logarithm in AS_LOGARITHM. None: its slope is known.
FITTED: Mapping[str, float | None] = {
    "gain": 1e-3,
    "low_gain": 1e-3,
    "high_gain": 1e-3,
    "attack_s": 2e-3,
    "release_s": 2e-3,
    "offset_lsb": None,
    "drop_v": 5e-4,
    "lean_v": 2e-4,
    "corner": 2e-2,
    "limit": -5e-3,
    "delay_s": None,
    "clock": None,
}
_LEAST = 1e-9


def vector_of(values: BoardValues, names: Sequence[str]) -> FloatArray:
    """Return a board's numbers by name, shape (names,)."""
    numbers = ((name, getattr(values, name)) for name in names)
    return np.array([math.log(max(v, _LEAST)) if name in AS_LOGARITHM else v for name, v in numbers])


def with_vector(values: BoardValues, names: Sequence[str], vector: FloatArray) -> BoardValues:
    """Return a board with other numbers of those names; the low tone's gain follows where it is none."""
    changed: dict[str, Any] = {
        name: math.exp(number) if name in AS_LOGARITHM else float(number)
        for name, number in zip(names, vector, strict=True)
    }
    moved = replace(values, **changed)
    return moved if "low_gain" in names else replace(moved, low_gain=moved.gain)


def moved_along(values: BoardValues, names: Sequence[str], name: str, step: float) -> BoardValues:
    """Return a board with one number moved by a step, in units of the vector."""
    vector = vector_of(values, names)
    vector[list(names).index(name)] += step
    return with_vector(values, names, vector)

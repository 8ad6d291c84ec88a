"""A board as the vector of numbers that is fitted: logarithms of what cannot be negative."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from envlab.bench.fit.values import BoardValues
from envlab.units import FloatArray

# Fitted number → (fitted as a logarithm, step of its difference quotient).
FITTED: Mapping[str, tuple[bool, float]] = {
    "gain": (True, 1e-3),
    "low_gain": (True, 1e-3),
    "high_gain": (True, 1e-3),
    "attack_s": (True, 2e-3),
    "release_s": (True, 2e-3),
    "offset_lsb": (False, 1.0),
    "drop_v": (False, 5e-4),
    "lean_v": (False, 2e-4),
    "corner": (True, 2e-2),
    "limit": (True, -5e-3),
    "delay_s": (False, 1.0),
    "clock": (False, 1.0),
}


def vector_of(values: BoardValues, names: Sequence[str]) -> FloatArray:
    """Return a board's numbers by name, shape (names,)."""
    return np.array(
        [
            math.log(max(getattr(values, name), 1e-9)) if FITTED[name][0] else getattr(values, name)
            for name in names
        ]
    )


def with_vector(values: BoardValues, names: Sequence[str], vector: FloatArray) -> BoardValues:
    """Return a board with other numbers of those names; the low tone's gain follows where it is none."""
    changed: dict[str, Any] = {
        name: math.exp(number) if FITTED[name][0] else float(number)
        for name, number in zip(names, vector, strict=True)
    }
    moved = replace(values, **changed)
    return moved if "low_gain" in names else replace(moved, low_gain=moved.gain)


def moved_along(values: BoardValues, names: Sequence[str], name: str, step: float) -> BoardValues:
    """Return a board with one number moved by a step, in units of the vector."""
    vector = vector_of(values, names)
    vector[list(names).index(name)] += step
    return with_vector(values, names, vector)

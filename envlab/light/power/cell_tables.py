"""Lithium-ion cells as common ones are: voltage at no load, resistance in the cold and near the end.

Common practice, no source, all of it: data sheets give a curve of discharge, and a resistance for direct
current at 25 °C and half charge. Where yours has more, state it in [pack]; a data sheet goes before these
tables.
"""

from __future__ import annotations

import itertools

from envlab.errors import ParameterError, check_range

# (where, what) in rising order of the first, straight between.
Points = tuple[tuple[float, float], ...]

# Share of the rated capacity that a cell gives at a moderate load, by its temperature in °C.
COLD_DERATING: Points = (
    (-20.0, 0.60), (-10.0, 0.75), (0.0, 0.85), (10.0, 0.93), (25.0, 1.00), (60.0, 1.00),
)  # fmt: skip
# Share of charge → V at no load.
OPEN_V: Points = (
    (0.0, 3.00), (0.05, 3.30), (0.10, 3.45), (0.20, 3.55), (0.30, 3.60), (0.50, 3.70), (0.70, 3.85),
    (0.90, 4.05), (1.0, 4.18),
)  # fmt: skip
# °C → times the resistance at 25 °C; share of charge → times that at half charge.
COLDER: Points = ((-20.0, 4.0), (-10.0, 2.5), (0.0, 1.8), (10.0, 1.3), (25.0, 1.0), (60.0, 0.9))
EMPTIER: Points = ((0.0, 2.0), (0.1, 1.5), (0.2, 1.1), (0.5, 1.0), (1.0, 1.0))
# Of one cell, taken where none is stated and something must be taken: between the 20 and 100 mΩ of many.
ASSUMED_CELL_OHM = 0.060


def check_points(name: str, points: Points, unit: str, low: float, high: float) -> None:
    """Raise ParameterError unless there are two points or more in rising order, of low to high."""
    if len(points) < 2 or any(later[0] <= earlier[0] for earlier, later in itertools.pairwise(points)):
        raise ParameterError(name, points, f"two or more {unit} points in rising order")
    for _, value in points:
        check_range(name, value, low, high)


def check_whole_charge(name: str, points: Points) -> None:
    """Raise ParameterError unless points go from a share of charge of 0 to 1."""
    if points[0][0] != 0 or points[-1][0] != 1:
        raise ParameterError(name, points, "points from a share of charge of 0 to 1")

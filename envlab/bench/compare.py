"""Measured beside simulated, metric by metric, with the limits that the parts' tolerances give."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from envlab.bench.captures.capture import Capture
from envlab.bench.fit.fit import FittedBoard
from envlab.bench.fit.model import BenchModel
from envlab.bench.fit.values import BoardValues, designed_values, file_times
from envlab.bench.signals.expected import Reading, expected_readings, readings_of
from envlab.units import FloatArray


@dataclass(frozen=True)
class Comparison:
    """One metric of one node, in one unit.

    measured: by the capture. simulated: of the board as designed. low, high: between which the boards within
    tolerance lie, with the room that the converter's own noise takes.
    """

    node: str
    metric: str
    unit: str
    measured: float
    simulated: float
    low: float
    high: float

    @property
    def passes(self) -> bool:
        """Whether the measured value lies within the limits."""
        return self.low <= self.measured <= self.high


def compare(
    capture: Capture, fitted: FittedBoard, model: BenchModel, healthy: Sequence[BoardValues]
) -> tuple[Comparison, ...]:
    """Return every metric that a capture can show, measured beside simulated.

    By air no level is known beforehand: the boards that give the limits are then played each tone as loud as
    it was heard.
    """
    boards = [designed_values(model.chain), *healthy]
    if model.program.way == "acoustic":
        heard = fitted.values
        boards = [
            replace(one, gain=heard.gain, low_gain=heard.low_gain, high_gain=heard.high_gain)
            for one in boards
        ]
    wanted = readings_of(model.program)
    rows = expected_readings(model, boards, in_counts=capture.is_counts)
    times_s = file_times(capture.time_s, fitted.values)
    room = capture.one_count(model.chain.adc.lsb_v)
    found = []
    for place, one in enumerate(wanted):
        measured = _measured(capture.values, times_s, one)
        if not np.isfinite(measured):
            continue
        some = rows[:, place]
        found.append(
            Comparison(
                capture.node,
                one.name,
                capture.unit,
                measured,
                float(some[0]),
                float(some.min()) - room,
                float(some.max()) + room,
            )
        )
    return tuple(found)


def _measured(values: FloatArray, times_s: FloatArray, one: Reading) -> float:
    inside = (times_s >= one.first_s) & (times_s < one.last_s) & np.isfinite(values)
    return float(values[inside].mean()) if inside.any() else float("nan")


def comparison_csv(rows: Sequence[Comparison]) -> str:
    """Return comparisons as a CSV: node, metric, unit, measured, simulated, low, high, passes."""
    lines = ["node,metric,unit,measured,simulated,low,high,passes"]
    for one in rows:
        numbers = ",".join(f"{value:.6g}" for value in (one.measured, one.simulated, one.low, one.high))
        lines.append(f"{one.node},{one.metric},{one.unit},{numbers},{'yes' if one.passes else 'no'}")
    return "\n".join([*lines, ""])

"""What every stretch of the bench signal should show: in volts and counts, with the limits of tolerances."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from envlab.bench.fit.converter import line_of
from envlab.bench.fit.model import BenchModel
from envlab.bench.fit.values import BoardValues
from envlab.bench.signals.program import BenchProgram
from envlab.units import FloatArray

# A mean is taken over so many instants of a window.
_INSTANTS = 5
# Behind the end of a burst the envelope is read for this long, s.
_PEAK_S = 0.004


@dataclass(frozen=True)
class Reading:
    """A mean of the envelope over a window of the file. name: what it tells. first_s, last_s: s."""

    name: str
    first_s: float
    last_s: float


def readings_of(program: BenchProgram) -> tuple[Reading, ...]:
    """Return what is read of a bench signal, in the order of time.

    Silence, each step where it has settled, each burst at its end, and how far the envelope has fallen a
    release time behind the steps.
    """
    steps = program.of_kind("step")
    found = [Reading("silence", steps[0].start_s - 1.0, steps[0].start_s - 0.05)]
    found += [Reading(f"{one.name}", one.start_s + 0.7 * one.duration_s, one.end_s - 0.005) for one in steps]
    fall_s = min(program.release_s, 0.3 * (program.of_kind("burst")[0].start_s - steps[-1].end_s) + 0.05)
    found.append(
        Reading(
            f"{1e3 * fall_s:.3g} ms after the steps",
            steps[-1].end_s + fall_s,
            steps[-1].end_s + fall_s + 0.01,
        )
    )
    found += [Reading(one.name, one.end_s - 1e-3, one.end_s + _PEAK_S) for one in program.of_kind("burst")]
    return tuple(found)


def expected_readings(
    model: BenchModel, boards: Sequence[BoardValues], *, in_counts: bool = True
) -> FloatArray:
    """Return what boards show, shape (boards, readings), counts (or V at the pin), in the order of
    readings_of.

    Counts are means: not rounded, within 0 and the top code.
    """
    wanted = readings_of(model.program)
    times_s = np.concatenate([np.linspace(one.first_s, one.last_s, _INSTANTS) for one in wanted])
    order = np.argsort(times_s, kind="stable")
    read_v = model.read(boards, times_s[order]).read_v
    adc, node_v = model.chain.adc_as_built, model.chain.rectifier.reference_node_v
    pin_v = node_v + read_v
    shown = pin_v
    if in_counts:
        offsets = np.array([one.offset_lsb for one in boards])
        shown = np.clip(line_of(adc, pin_v)[0] + offsets - 0.5, 0, adc.top_code)
    back = np.empty_like(shown)
    back[order] = shown
    return np.asarray(back.reshape(len(wanted), _INSTANTS, len(boards)).mean(axis=1).T)

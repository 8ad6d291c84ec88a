"""Where a fit begins: what the silence, the steps and the fall behind them say at a glance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from envlab.bench.captures.capture import Capture
from envlab.bench.fit.align import Alignment
from envlab.bench.fit.model import BenchModel
from envlab.bench.fit.values import BoardValues, file_times
from envlab.bench.signals.program import STEPS_DB, Stretch
from envlab.errors import EnvlabError
from envlab.units import FloatArray, from_db

# Attack over the design's, of the boards that a fit is begun from.
ATTACKS = (0.1, 0.3, 1.0, 3.0, 10.0)
# Share of a step behind which a detector has settled well enough for a guess.
_SETTLED = 0.7
_FEW_AT_REST = 20
# A step 6 dB down that reads less than this share of the loudest is taken to lie in a dead zone; a dead zone
# under this many volts is found without a start of its own.
_SHOWS, _LEAST_DEAD_V = 0.1, 0.03


def rest_level(capture: Capture, times_s: FloatArray, model: BenchModel) -> float:
    """Return the capture's mean before anything sounds, counts or V; if it begins later, before the steps."""
    first = model.program.marks[0].start_s
    before = (times_s < first - 0.02) & np.isfinite(capture.values)
    if before.sum() >= _FEW_AT_REST:
        return float(capture.values[before].mean())
    step = model.program.of_kind("step")[0]
    return mean_between(capture, times_s, step.start_s - 1.0, step.start_s)


def step_levels(capture: Capture, times_s: FloatArray, model: BenchModel) -> FloatArray:
    """Return where each level step settles, shape (steps,), counts or V."""
    steps = model.program.of_kind("step")
    return np.array([mean_between(capture, times_s, *_settled(one)) for one in steps])


def _settled(step: Stretch) -> tuple[float, float]:
    return step.start_s + _SETTLED * step.duration_s, step.end_s


def mean_between(capture: Capture, times_s: FloatArray, first_s: float, last_s: float) -> float:
    """Return the capture's mean between two times of the file, counts or V; times_s: of its values."""
    inside = (times_s >= first_s) & (times_s < last_s) & np.isfinite(capture.values)
    if inside.sum() < 2:
        raise EnvlabError(
            f"{capture.name or 'capture'}: has {int(inside.sum())} values between {first_s:.2f} "
            f"and {last_s:.2f} s of "
            "the bench signal, at least 2 are wanted; it is too short, or its rate too low"
        )
    return float(capture.values[inside].mean())


def release_guess_s(capture: Capture, times_s: FloatArray, model: BenchModel, rest: float) -> float:
    """Return the time constant at which the capture falls behind the steps, s; rest: its own, counts or V."""
    last = model.program.of_kind("step")[-1]
    stretches = model.program.stretches
    behind = stretches[stretches.index(last) + 1]
    inside = (times_s > behind.start_s + 0.005) & (times_s < behind.end_s) & np.isfinite(capture.values)
    above = capture.values[inside] - rest
    if above.size < 4 or above[0] <= 0:
        return model.chain.detector_as_built.slowest_s
    falling = above > 0.2 * above[:3].mean()
    falling[int(np.argmin(falling)) if not falling.all() else falling.size :] = False
    if falling.sum() < 3:
        return float(max(times_s[inside][1] - times_s[inside][0], 1e-4))
    slope = np.polyfit(times_s[inside][falling], np.log(above[falling]), 1)[0]
    return float(np.clip(-1 / slope, 1e-4, 1e3)) if slope < -1e-3 else 1e3


def first_guesses(
    capture: Capture, alignment: Alignment, model: BenchModel, design: BoardValues, counts_per_v: float
) -> list[BoardValues]:
    """Return one board for each of ATTACKS, with gain, limit, offset and release as seen at a glance.

    Where the steps stand as behind a dead zone, as many again with one.

    design: the board as designed. counts_per_v: what the capture shows for a volt.
    """
    times_s = file_times(capture.time_s, alignment)
    rest, levels = rest_level(capture, times_s, model), step_levels(capture, times_s, model)
    release_s = release_guess_s(capture, times_s, model, rest)
    heard_v = (levels - rest) / counts_per_v
    share = np.array([from_db(level) for level in STEPS_DB])
    steps = model.program.of_kind("step")
    middles_s = np.array([0.5 * sum(_settled(one)) for one in steps])
    guesses = []
    for times in ATTACKS:
        begun = replace(
            design,
            attack_s=times * design.attack_s,
            release_s=release_s,
            delay_s=alignment.delay_s,
            clock=alignment.clock,
        )
        answer_v = model.read([begun], middles_s).read_v[:, 0]
        ratio = answer_v[-1] / share[-1]
        # The larger steps tell the gain; one that is cut off tells the limit.
        times_larger = heard_v / np.maximum(answer_v, 1e-9)
        gain = float(np.clip(np.median(times_larger[3:]), 1e-3, 1e3))
        limit = 1.0
        if ratio > 0 and heard_v[-1] < 0.9 * gain * answer_v[-1]:
            gain = float(np.clip(np.max(times_larger[2:5]), 1e-3, 1e3))
            limit = float(np.clip(heard_v[-1] / ratio / _swing(model), 0.02, 1.0))
        guesses.append(_louder(replace(begun, limit=limit), gain))
        gain, drop_v = _dead_zone(heard_v, answer_v)
        if drop_v > _LEAST_DEAD_V:
            guesses.append(_louder(replace(begun, drop_v=drop_v), gain))
    return guesses


def _louder(begun: BoardValues, gain: float) -> BoardValues:
    return replace(begun, gain=gain, low_gain=gain, high_gain=gain)


def _dead_zone(heard_v: FloatArray, answer_v: FloatArray) -> tuple[float, float]:
    """(gain, dead zone in V) by the two loudest steps; where one alone shows, with the gain as designed."""
    gain = 1.0
    if heard_v[-2] > _SHOWS * heard_v[-1]:
        gain = float(np.clip((heard_v[-1] - heard_v[-2]) / (answer_v[-1] - answer_v[-2]), 1e-3, 1e3))
    return gain, float(gain * answer_v[-1] - heard_v[-1])


def _swing(model: BenchModel) -> float:
    """Swing over the loudest tone's peak as designed."""
    from envlab.bench.signals.board_wave import top_v

    preamp = model.chain.preamp
    return min(preamp.swing_up_v, preamp.swing_down_v) / top_v(model.chain)

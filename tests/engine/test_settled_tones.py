"""The ways to a settled tone against each other, and against Chain.run on that tone, for the whole zoo."""

from __future__ import annotations

import math

import numpy as np
import pytest
from engine.comparison import truth
from zoo import ZOO

from envlab.analog.detector import hold_step, hold_steps
from envlab.analog.tones.nonlinear_steady_state import STEPS_PER_CYCLE, settled_ratio_at, tone_response_at
from envlab.analog.tones.steady_state import tone_responses
from envlab.chain import Chain
from envlab.metrics import ripple_aliasing_kernels
from envlab.metrics.ripple_aliasing import _STEPS_PER_CYCLE, _one_drive
from envlab.sound.recording import Recording
from envlab.units import pressure_rms_pa

BOARDS = {name: board.chain for name, board in ZOO.items()}
SCALING = [name for name, chain in BOARDS.items() if chain.rectifier.scales_with_level]
BENDING = [name for name in BOARDS if name not in SCALING]
TONES_HZ = (60.0, 1000.0)


def midpoint_error(steps: int) -> float:
    """By how much held midpoints miss a sine's mean, as a share of its peak: (2π/steps)²/24."""
    return (2 * math.pi / steps) ** 2 / 24


@pytest.mark.parametrize("frequency_hz", TONES_HZ)
@pytest.mark.parametrize("board", SCALING)
def test_for_all_levels_at_once_or_at_one(board, frequency_hz):
    """tone_response, 4096 steps in vector lanes, against tone_response_at, 1024 steps by Newton's method."""
    chain = BOARDS[board]
    detector, rectifier = chain.detector_as_built, chain.rectifier
    lanes = chain.tone_response(frequency_hz)
    alone = tone_response_at(detector, rectifier, frequency_hz, 1.0)
    # A rise and a fall, each with its own midpoints.
    assert alone.settled_ratio == pytest.approx(lanes.settled_ratio, abs=2 * midpoint_error(STEPS_PER_CYCLE))
    # Where in a step the extreme lies is not known: the voltage moves there by so much at most.
    moves = 1 - hold_step(detector, STEPS_PER_CYCLE * frequency_hz).charge_keep
    within = 2 * math.pi / STEPS_PER_CYCLE * moves + 2 * midpoint_error(STEPS_PER_CYCLE)
    for name in ("low_ratio", "high_ratio"):
        assert getattr(alone, name) == pytest.approx(getattr(lanes, name), abs=within), name
    # The last output is stamped half a step before the end, in which the voltage moves.
    assert alone.end_ratio == pytest.approx(lanes.end_ratio, abs=moves)
    assert alone.attack_s == pytest.approx(lanes.attack_s, abs=1 / (STEPS_PER_CYCLE * frequency_hz))
    # The fall takes τ·ln(end/threshold), so its start tells on it; it is followed in steps of τ/1000, of
    # which one is added at the end.
    start = abs(alone.end_ratio - lanes.end_ratio) / lanes.end_ratio
    assert alone.release_s == pytest.approx(lanes.release_s, abs=(1.5e-3 + start) * detector.slowest_s)


@pytest.mark.parametrize("frequency_hz", TONES_HZ)
@pytest.mark.parametrize("board", BENDING)
def test_the_ratio_alone_or_with_attack_and_release(board, frequency_hz):
    chain = BOARDS[board]
    alone = settled_ratio_at(
        chain.detector_as_built,
        chain.rectifier_as_built,
        frequency_hz,
        chain.tone_peak_v,
        bias_v=chain.preamp.bias_v,
    )
    assert alone == chain.tone_response(frequency_hz).settled_ratio


@pytest.mark.parametrize("frequency_hz", TONES_HZ)
def test_among_many_or_by_itself(frequency_hz):
    """tone_responses of all scaling boards of a kind: the digits that each gives alone."""
    for kind in ("half", "full"):
        some = [BOARDS[name] for name in SCALING if BOARDS[name].rectifier.kind == kind]
        together = tone_responses([one.detector_as_built for one in some], some[0].rectifier, frequency_hz)
        assert together == [one.tone_response(frequency_hz) for one in some]


@pytest.mark.parametrize("board", SCALING)
def test_the_cycles_of_the_ripple_metric_have_the_same_mean(board):
    """settled_cycles, 256 steps, of frame_shimmer_lstar against tone_response."""
    chain, frequency_hz = BOARDS[board], 60.0
    steps = hold_steps(chain.detector_as_built, _STEPS_PER_CYCLE * np.array([frequency_hz]))
    (cycle_v,) = ripple_aliasing_kernels.settled_cycles(_one_drive(chain.rectifier), steps)
    within = 2 * midpoint_error(_STEPS_PER_CYCLE)
    assert cycle_v.mean() == pytest.approx(chain.tone_response(frequency_hz).settled_ratio, abs=within)


def offset_counts(chain: Chain) -> float:
    """What a resting error of preamp and converter adds to a reading, counts."""
    return abs(chain.preamp.output_offset_v) / chain.adc.lsb_v + abs(chain.adc.offset_lsb)


SETTLES_IN_HALF_A_SECOND = [
    name
    for name, chain in BOARDS.items()
    if chain.detector_as_built.slowest_s < 0.5 and offset_counts(chain) < 4 and name != "coupled, no way back"
]


@pytest.mark.parametrize("board", SETTLES_IN_HALF_A_SECOND)
def test_a_tone_reads_what_its_settled_ratio_says(board):
    """counts_at against the mean reading of Chain.run. 1003.7 Hz: at 1 kHz all readings fall on one phase.

    A reading is the lower edge of its count, and so is the quiescent reading that is taken off: the mean plus
    a half lies between half a count below and one and a half above, and what offsets add.
    """
    chain, level_db_spl = BOARDS[board], 84.0
    peak_pa = math.sqrt(2) * pressure_rms_pa(level_db_spl)
    tone = peak_pa * np.sin(2 * np.pi * 1003.7 * np.arange(22_050) / 44_100)
    run = truth(chain, Recording(tone, 44_100.0), None)
    assert run.clipped_share == 0
    last = run.adc_counts[-round(chain.adc.rate_hz / 3.7) :]
    expected = chain.counts_at(level_db_spl)
    above = float(last.mean()) + 0.5 - chain.quiescent_counts - expected
    # At 16 bit corners and ripple differ between 1000 and 1003.7 Hz: 1e-4 of the reading.
    slack = offset_counts(chain) + 1e-4 * expected
    assert -0.5 - slack <= above <= 1.5 + slack

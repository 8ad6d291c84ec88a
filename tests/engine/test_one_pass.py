"""Stages in one pass give, digit for digit, what they give one after the other."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from envlab.analog.band_filter import FirstLowPass, NoBandFilter
from envlab.analog.bank.tolerance_bank import HeardFront, NominalFront
from envlab.analog.detector import AverageDetector, PeakDetector, detect
from envlab.analog.microphone import Microphone, hear, is_overloaded
from envlab.analog.preamps.board_preamp import BoardPreamp
from envlab.analog.preamps.preamp import Preamp, amplify, input_noise_v
from envlab.analog.rectifiers.ideal import Rectifier, rectify
from envlab.analog.stage import Surroundings
from envlab.engine.one_pass import AmplifyRectify, HearAmplify, HearAmplifyRectify, one_pass, pass_to_hold
from envlab.units import BoolArray, FloatArray

RATE_HZ = 384_000.0
PREAMPS = [
    (Preamp(22e3), PeakDetector(4.7e3, 1e-6, 470e3)),
    (Preamp(100e3, ground_farad=None, bias_v=1.0), PeakDetector(470.0, 0.1e-6, 33e3)),
    (Preamp(10e3, input_offset_v=-2e-3), AverageDetector(10e3, 1e-7)),
]


def joined(blocks: list[tuple[tuple[FloatArray, ...], BoolArray | None]]) -> list[FloatArray]:
    """Return the signal behind each stage, and last the samples at a limit."""
    signals = [np.concatenate(parts) for parts in zip(*(nodes for nodes, _ in blocks), strict=True)]
    limited = [np.zeros(nodes[0].size, dtype=bool) if where is None else where for nodes, where in blocks]
    return [*signals, np.concatenate(limited)]


@pytest.mark.parametrize("kind", ["half", "full"])
@pytest.mark.parametrize("microphone", [Microphone(), Microphone(-46.0, overload_db_spl=118.0)])
@pytest.mark.parametrize(("preamp", "detector"), PREAMPS)
@pytest.mark.parametrize("cuts", [(), (1,), (777, 2048)])
@pytest.mark.parametrize("noisy", [False, True])
def test_digit_for_digit(kind, microphone, preamp, detector, cuts, noisy):
    rectifier = Rectifier(kind)
    pressure_pa = np.random.default_rng(1).normal(0, 15, 4097)
    heard, _ = hear(pressure_pa, microphone, sample_rate_hz=RATE_HZ)
    white = np.random.default_rng(2).standard_normal(4098) if noisy else np.empty(0)
    preamp = replace(preamp, noise_v_per_rthz=1e-6)
    entering = preamp.with_noise(heard, white, RATE_HZ) if noisy else heard
    amplified = amplify(entering, preamp, sample_rate_hz=RATE_HZ).preamp_v
    rectified = rectify(amplified, rectifier)
    held, _ = detect(rectified, detector, sample_rate_hz=RATE_HZ)
    at_end = (amplified == preamp.swing_up_v) | (amplified == -preamp.swing_down_v)
    assert at_end.sum() < at_end.size
    over = is_overloaded(pressure_pa, microphone)
    assert over.any()
    stages = (microphone, preamp, rectifier)
    for some, signal, expected in (
        (pass_to_hold(stages, detector, RATE_HZ), pressure_pa, (heard, amplified, rectified, held)),
        (one_pass(stages, RATE_HZ), pressure_pa, (heard, amplified, rectified)),
        (one_pass(stages[1:], RATE_HZ), heard, (amplified, rectified)),
        (one_pass(stages[:2], RATE_HZ), pressure_pa, (heard, amplified)),
    ):
        assert some is not None
        edges = list(itertools.pairwise((0, *cuts, 4097)))
        got = joined([some.advance(signal[i:j], white[i : j + 1]) for i, j in edges])
        for ours, theirs in zip(got[:-1], expected, strict=True):
            assert np.array_equal(ours, theirs), type(some).__name__
        assert np.array_equal(got[-1], at_end | over if signal is pressure_pa else at_end)


@pytest.mark.parametrize(
    ("stages", "kind"),
    [
        ((Microphone(), Preamp(), Rectifier()), HearAmplifyRectify),
        ((Preamp(), Rectifier(), NoBandFilter()), AmplifyRectify),
        ((Microphone(overload="smooth"), Preamp(), Rectifier()), None),
        ((Microphone(covering_loss_db=1.0), Preamp(), Rectifier()), None),
        ((Microphone(covering_corner_hz=5e3), Preamp(), Rectifier()), None),
        ((Microphone(), BoardPreamp(), Rectifier()), None),
        ((Microphone(), Preamp(), FirstLowPass(1e3, 1e-7), Rectifier()), HearAmplify),
        ((Microphone(), Preamp(), Rectifier(diode="silicon")), HearAmplify),
        ((Microphone(), Preamp()), HearAmplify),
        ((Microphone(overload="smooth"), Preamp()), None),
        ((Preamp(), Rectifier(reference="bias")), None),
        ((Preamp(),), None),
    ],
)
def test_which_stages_it_can_do(stages, kind):
    found = one_pass(stages, RATE_HZ)
    assert (None if found is None else type(found)) is kind


@pytest.mark.parametrize("loud_pa", [1e-3, 1.0, 40.0])
@pytest.mark.parametrize("noisy", [False, True])
@pytest.mark.parametrize("preamp", [preamp for preamp, _ in PREAMPS])
def test_the_front_that_boards_share_is_microphone_then_preamp(loud_pa, noisy, preamp):
    microphone, preamp = Microphone(), replace(preamp, noise_v_per_rthz=1e-6)
    rng = np.random.default_rng(3)
    pressure_pa, white = rng.normal(0, loud_pa, 4097), rng.standard_normal(4098)
    at_once = HeardFront(microphone, preamp, RATE_HZ)
    front, around, state = NominalFront(preamp, RATE_HZ, False), Surroundings(RATE_HZ), None
    for first, last in itertools.pairwise((0, 1, 777, 4097)):
        of_block = white[first : last + 1] if noisy else np.empty(0)
        heard = microphone.advance(pressure_pa[first:last], around, state)
        state = heard.state
        noise_v = input_noise_v(preamp, of_block, RATE_HZ) if noisy else np.empty(0)
        over = np.zeros(last - first, dtype=bool) if heard.limited is None else heard.limited
        wanted = front.block(heard.signal, noise_v, over)
        given = at_once.block(pressure_pa[first:last], of_block)
        for name in ("free_v", "quick_v", "lacks_v", "noise_v", "heard_v", "over"):
            np.testing.assert_array_equal(getattr(given, name), getattr(wanted, name), err_msg=name)
    # The loudest reaches the limits of both, the quietest none.
    assert wanted.over.any() == wanted.lacks_v.any() == (loud_pa == 40.0)

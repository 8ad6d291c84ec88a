"""One pass over the commonest board gives, digit for digit, what its stages give one after the other."""

from __future__ import annotations

import numpy as np
import pytest

from envlab.analog.band_filter import FirstLowPass, NoBandFilter
from envlab.analog.board_preamp import BoardPreamp
from envlab.analog.detector import AverageDetector, PeakDetector, detect
from envlab.analog.electret import Electret
from envlab.analog.microphone import Microphone, hear, is_overloaded
from envlab.analog.one_pass_board import PrecisionBoard, in_one_pass
from envlab.analog.preamp import Preamp, amplify, limited_samples
from envlab.analog.rectifier import Rectifier, rectify

RATE_HZ = 384_000.0


@pytest.mark.parametrize("kind", ["half", "full"])
@pytest.mark.parametrize("microphone", [Microphone(), Electret(load_ohm=4.7e3)])
@pytest.mark.parametrize(
    ("preamp", "detector"),
    [
        (Preamp(22e3), PeakDetector(4.7e3, 1e-6, 470e3)),
        (Preamp(100e3, ground_farad=None, bias_v=1.0), PeakDetector(470.0, 0.1e-6, 33e3)),
        (Preamp(10e3, input_offset_v=-2e-3), AverageDetector(10e3, 1e-7)),
    ],
)
@pytest.mark.parametrize("cuts", [(), (1,), (777, 2048)])
def test_digit_for_digit(kind, microphone, preamp, detector, cuts):
    rectifier = Rectifier(kind)
    pressure_pa = np.random.default_rng(1).normal(0, 15, 4097)
    board = PrecisionBoard(microphone, preamp, rectifier, detector, RATE_HZ)
    blocks = [board.follow(part) for part in np.split(pressure_pa, cuts)]
    heard, _ = hear(pressure_pa, microphone, sample_rate_hz=RATE_HZ)
    amplified = amplify(heard, preamp, sample_rate_hz=RATE_HZ)
    drive_v = rectify(amplified.preamp_v, rectifier)
    held_v, _ = detect(drive_v, detector, sample_rate_hz=RATE_HZ)
    for name, expected in (
        ("microphone_v", heard),
        ("preamp_v", amplified.preamp_v),
        ("drive_v", drive_v),
        ("held_v", held_v),
    ):
        assert np.array_equal(np.concatenate([getattr(block, name) for block in blocks]), expected), name
    overloaded = is_overloaded(pressure_pa, microphone)
    assert sum(block.limited for block in blocks) == limited_samples(amplified, preamp, overloaded) > 0


@pytest.mark.parametrize(
    ("microphone", "preamp", "band_filter", "rectifier", "can"),
    [
        (Microphone(), Preamp(), NoBandFilter(), Rectifier(), True),
        (Microphone(overload="smooth"), Preamp(), NoBandFilter(), Rectifier(), False),
        (Microphone(covering_loss_db=1.0), Preamp(), NoBandFilter(), Rectifier(), False),
        (Microphone(covering_corner_hz=5e3), Preamp(), NoBandFilter(), Rectifier(), False),
        (Microphone(), BoardPreamp(), NoBandFilter(), Rectifier(), False),
        (Microphone(), Preamp(), FirstLowPass(1e3, 1e-7), Rectifier(), False),
        (Microphone(), Preamp(), NoBandFilter(), Rectifier(diode="silicon"), False),
        (Microphone(), Preamp(), NoBandFilter(), Rectifier(reference="bias"), False),
    ],
)
def test_which_boards_it_can_do(microphone, preamp, band_filter, rectifier, can):
    assert in_one_pass(microphone, preamp, band_filter, rectifier) == can

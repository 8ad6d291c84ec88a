"""Tone metrics of many boards at once are each board's own.

What one tone does is held against circuits and closed forms in tests/analog/tones.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from envlab.analog.adc import Adc
from envlab.analog.detector import PeakDetector
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.tones.nonlinear_steady_state import tone_response_at
from envlab.chain import Chain
from envlab.metrics.tone_metrics import BASS_HZ, TONE_METRICS, tone_metrics

PASSIVE = Chain(rectifier=Rectifier(diode="silicon"))


def test_boards_that_differ_in_their_bias_alone_are_told_apart():
    """Equal swing, rectifier and detector: what is kept by these three alone would be the other board's."""
    both = [
        Chain(
            preamp=replace(Chain().preamp, supply_v=4.0, bias_v=bias_v, swing_margin_v=0.0),
            rectifier=Rectifier(reference="bias"),
            adc=Adc(reference_v=5.0),
        )
        for bias_v in (1.0, 3.0)
    ]
    assert both[0].tone_peak_v == both[1].tone_peak_v
    together = tone_metrics(both)
    for place, board in enumerate(both):
        truth = tone_response_at(
            board.detector_as_built, board.rectifier, 1000.0, board.tone_peak_v, bias_v=board.preamp.bias_v
        )
        assert together["attack_ms"][place] == 1e3 * truth.attack_s
        assert together["release_ms"][place] == 1e3 * truth.release_s
    assert together["attack_ms"][0] > 1.2 * together["attack_ms"][1]


def test_only_the_tones_that_are_asked_for():
    boards = [Chain(), replace(Chain(), detector=PeakDetector(1e3, 1e-6, 100e3))]
    assert list(tone_metrics(boards, ["ripple_db"])) == ["attack_60hz_ms", "ripple_db"]
    assert list(tone_metrics(boards, ["release_ms"])) == ["attack_ms", "release_ms", "settled_ratio"]
    assert tone_metrics(boards, ["beat_contrast_lstar"]) == {}
    whole = tone_metrics(boards)
    assert tuple(whole) == TONE_METRICS
    for place, board in enumerate(boards):
        assert whole["ripple_db"][place] == board.tone_response(BASS_HZ).ripple_db


def test_what_a_diode_loses_shows_in_the_quiet():
    whole = tone_metrics([Chain(), PASSIVE])
    assert list(whole)[len(TONE_METRICS) :] == ["attack_quiet_ms", "settled_quiet_ratio"]
    assert whole["settled_quiet_ratio"][1] < whole["settled_ratio"][1] < whole["settled_ratio"][0]
    quiet = PASSIVE.tone_response(peak_v=0.1 * PASSIVE.tone_peak_v)
    np.testing.assert_array_equal(whole["settled_quiet_ratio"][1], quiet.settled_ratio)
    np.testing.assert_array_equal(whole["attack_quiet_ms"][1], 1e3 * quiet.attack_s)

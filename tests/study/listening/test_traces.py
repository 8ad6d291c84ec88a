"""Signals at two hundred points a second, against plain loops over what they stand for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from envlab.chain import Chain
from envlab.sound.recording import Recording
from envlab.study.listening.listening import Listening
from envlab.study.listening.traces import NAMES, UNITS, pressure_peaks, traces_of

CHAIN = Chain()


@pytest.fixture(scope="module")
def clip():
    t = np.arange(48_000) / 48_000
    return Recording(np.exp(-np.mod(t, 0.4) / 0.05) * np.sin(2 * np.pi * 200 * t), 48_000.0)


def test_each_point_stands_for_five_milliseconds(clip):
    light = Listening(clip).whole(CHAIN)
    traces = traces_of(light, pressure_peaks(clip))
    assert traces.rows.shape == (len(NAMES), 200)
    assert len(UNITS) == len(NAMES) == len(traces.limits)
    for point in range(200):
        samples = slice(point * 240, (point + 1) * 240)
        readings = slice(point * 5, (point + 1) * 5)
        truth = (
            np.abs(clip.pressure_pa[samples]).max(),
            light.detector_v[readings].max(),
            light.adc_counts[readings].max(),
            light.lightness[point // 2],
        )
        np.testing.assert_allclose(traces.rows[:, point], truth, rtol=1e-6)


@pytest.mark.parametrize(("adc_hz", "frames_hz"), [(100.0, 50.0), (150.0, 150.0), (20_000.0, 250.0)])
def test_any_rate_fills_all_points(clip, adc_hz, frames_hz):
    board = replace(CHAIN, adc=replace(CHAIN.adc, rate_hz=adc_hz), frame_rate_hz=frames_hz)
    light = Listening(clip).whole(board)
    traces = traces_of(light, pressure_peaks(clip))
    assert traces.rows.shape == (4, 200)
    assert traces.rows[2].max() == light.adc_counts.max()


def test_all_are_drawn_up_to_a_round_number_above_what_they_reach(clip):
    light = Listening(clip).whole(CHAIN)
    traces = traces_of(light, pressure_peaks(clip))
    for row, (low, high) in zip(traces.rows[:3], traces.limits, strict=False):
        assert low == 0.0
        # 1, 2 or 5 of a decade lies at most 2.5 times above.
        assert row.max() <= high * (1 + 1e-6)
        assert high <= 2.5 * row.max()
        assert f"{high:.0e}"[0] in "125"
    assert traces.limits[3] == (0.0, 100.0)
    silent = Recording(np.zeros(9600), 48_000.0)
    still = traces_of(Listening(silent).whole(CHAIN), pressure_peaks(silent))
    assert still.limits[1:3] == ((0.0, 0.02), (0.0, 5.0))


@pytest.mark.parametrize(("peak_pa", "top"), [(0.7, 1.0), (1.0, 1.0), (1.2, 2.0), (3e-3, 5e-3), (0.0, 1e-3)])
def test_pressure_is_drawn_up_to_a_round_number(peak_pa, top):
    wave = np.zeros(9600)
    wave[100] = -peak_pa
    recording = Recording(wave, 48_000.0)
    light = Listening(recording).whole(CHAIN)
    assert traces_of(light, pressure_peaks(recording)).limits[0] == pytest.approx((0.0, top))

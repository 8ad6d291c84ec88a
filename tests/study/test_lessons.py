"""The experiments of the notebooks, on signals whose answer is known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.tones.steady_state import tone_response
from envlab.design_file import read_design
from envlab.errors import ParameterError
from envlab.light.flashes.flash import count_flashes
from envlab.metrics.clip_metrics import clip_metrics
from envlab.shipped import demo_design
from envlab.sound.signals import tone
from envlab.study.lessons import (
    alternating_light,
    burst_lesson,
    formula_attack_s,
    samples_lesson,
    sampling_errors,
    step_latency_ms,
)

FULL = Rectifier(kind="full")


@pytest.fixture(scope="module")
def chain():
    return read_design(demo_design())


class TestBurst:
    def test_an_averaging_detector_is_one_resistor_and_one_capacitor(self):
        # Mean of a rectified sine 2/π; RC·ln 10 from 0 to 90 % and from there down to 10 %.
        lesson = burst_lesson(AverageDetector(10e3, 1e-6), FULL, 1000.0, 0.1, 0.1)
        assert lesson.response.settled_ratio == pytest.approx(2 / math.pi, rel=1e-4)
        on_battery = np.interp(10e-3, lesson.time_s, lesson.on_battery_v)
        assert on_battery == pytest.approx(1 - math.exp(-1), abs=1e-3)
        at = [np.interp(t, lesson.time_s, lesson.held_v) for t in (lesson.burst_s, lesson.burst_s + 10e-3)]
        assert at[1] / at[0] == pytest.approx(math.exp(-1), rel=2e-3)

    def test_the_metrics_are_those_of_the_drawn_voltage(self):
        detector = PeakDetector(4.7e3, 1e-6, 470e3)
        lesson = burst_lesson(detector, FULL, 200.0, 0.3)
        reached = lesson.time_s[np.argmax(lesson.held_v >= 0.9 * lesson.response.settled_ratio)]
        assert reached == pytest.approx(lesson.response.attack_s, abs=2 / lesson.rate_hz)
        assert lesson.response == tone_response(detector, FULL, 200.0)

    def test_it_charges_only_above_the_capacitor(self):
        # Settled at V: the rectified sine stands above it for a share of 1 − (2/π)·arcsin V.
        lesson = burst_lesson(PeakDetector(4.7e3, 1e-6, 470e3), FULL, 1000.0, 0.3)
        expected = 1 - 2 / math.pi * math.asin(lesson.response.settled_ratio)
        assert lesson.conducting_share == pytest.approx(expected, abs=0.02)

    def test_the_formula_is_right_on_a_steady_voltage(self):
        # 10 % to 90 % of one pole: ln 9 time constants.
        detector = PeakDetector(4.7e3, 1e-6, 1e9)
        lesson = burst_lesson(detector, FULL, 1000.0, 0.05)
        times = [np.interp(share, lesson.on_battery_v, lesson.time_s) for share in (0.1, 0.9)]
        assert times[1] - times[0] == pytest.approx(formula_attack_s(detector), rel=1e-3)
        assert formula_attack_s(detector) == pytest.approx(2.2 * 4.7e-3, rel=2e-3)

    def test_whole_cycles_and_limits(self):
        assert burst_lesson(PeakDetector(1e3, 1e-6, 1e6), FULL, 60.0, 0.02).burst_s == pytest.approx(2 / 60)
        with pytest.raises(ParameterError, match="burst_s"):
            burst_lesson(PeakDetector(1e3, 1e-6, 1e6), FULL, 20e3, 10.0)


class TestSamples:
    def test_samples_beside_every_peak_read_three_decibel_low(self):
        # 12 kHz at 48 kHz, phase 45 degrees: every sample is sin 45° = 0.7071 of the peak.
        quick = PeakDetector(100.0, 1e-6, 1e6)
        lesson = samples_lesson(tone(12e3, 1.0, 0.02, 48e3, phase_rad=math.pi / 4), 48e3, quick, FULL)
        assert np.abs(lesson.samples_v) == pytest.approx(math.sqrt(0.5))
        assert lesson.held_samples_v[-100] == pytest.approx(math.sqrt(0.5), abs=1e-3)
        assert lesson.held_wave_v[-1000] == pytest.approx(
            tone_response(quick, FULL, 12e3).settled_ratio, abs=5e-3
        )

    def test_finer_is_better_and_rates_are_the_files_own_doubled(self):
        quick = PeakDetector(470.0, 1e-6, 100e3)
        wave_v = tone(7001.0, 1.0, 0.2, 48e3)
        errors = sampling_errors(samples_lesson(wave_v, 48e3, quick, FULL), quick, FULL)
        assert list(errors) == [48e3, 96e3, 192e3]
        assert errors[48e3] > errors[96e3] > errors[192e3] > 0


class TestLight:
    def test_alternating_light_has_the_metrics_it_was_made_for(self, chain):
        beat = alternating_light(chain, 20.0, 80.0, low_s=0.75, high_s=0.25, duration_s=4.0)
        metrics = clip_metrics(beat.envelope_counts, [chain])
        # Within a code of 16 bit, and half a step of the table between whole counts.
        assert metrics.contrast_lstar[0] == pytest.approx(60.0, abs=0.1)
        assert metrics.lightness_95_lstar[0] == pytest.approx(80.0, abs=0.1)
        assert metrics.lit_share[0] == 1.0

    def test_dark_is_dark(self, chain):
        light = alternating_light(chain, 0.0, 100.0, low_s=0.5, high_s=0.5, duration_s=1.0)
        assert light.envelope_counts[0] == 0
        assert clip_metrics(light.envelope_counts, [chain]).lit_share[0] == 0.5

    def test_four_times_full_and_dark_are_four_flashes(self, chain):
        # WCAG 2.2: pairs of opposing changes, the darker state below 0.80. L* 95 is Y 0.876: above it.
        blinking = alternating_light(chain, 0.0, 100.0, low_s=0.125, high_s=0.125, duration_s=3.0)
        glowing = alternating_light(chain, 95.0, 100.0, low_s=0.125, high_s=0.125, duration_s=3.0)
        assert count_flashes(blinking.relative_luminance, blinking.frame_rate_hz) == 4
        assert count_flashes(glowing.relative_luminance, glowing.frame_rate_hz) == 0

    def test_a_board_without_delay_waits_for_the_frame_only(self, chain):
        # 32 phases of a frame of 10 ms, 0 to 31/32 of it.
        latency_ms = step_latency_ms(chain)
        assert latency_ms == pytest.approx(10 * np.arange(32) / 32)

"""Pictures of the explaining notebooks: labels with units, and the data drawn are the data given."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from envlab.analog.detector import PeakDetector
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.light.flashes.flash import find_flashes
from envlab.metrics.ripple_aliasing import Breathing, breathing
from envlab.plot.explanations import sheets
from envlab.plot.explanations.detector import (
    attack_over_formula,
    between_samples,
    climb,
    errors_by_rate,
    one_cycle,
)
from envlab.plot.explanations.light import (
    frames_of_note,
    ramp_lightness,
    ramp_strip,
    read_cycle,
    ripple_aliasing_by_note,
)
from envlab.plot.explanations.metrics import (
    burst_metrics,
    clipped_wave,
    latency_by_phase,
    lightness_metrics,
    range_between,
    violation_line,
)
from envlab.sound.recording import Recording
from envlab.sound.signals import tone
from envlab.study.lessons import (
    BurstLesson,
    alternating_light,
    burst_lesson,
    formula_attack_s,
    samples_lesson,
)
from envlab.study.specification.targets import Target

DETECTOR = PeakDetector(4.7e3, 1e-6, 47e3)
FULL = Rectifier(kind="full")


@pytest.fixture(scope="module")
def burst() -> BurstLesson:
    return burst_lesson(DETECTOR, FULL, 200.0, 0.06, 0.05)


@pytest.fixture(scope="module")
def note() -> Breathing:
    return breathing(Chain(detector=DETECTOR), 49.9)


def drawn(ax: Axes, label: str) -> tuple[Any, Any]:
    line = next(one for one in ax.lines if one.get_label() == label)
    return np.asarray(line.get_xdata(), dtype=float), np.asarray(line.get_ydata(), dtype=float)


def words_on(ax: Axes) -> str:
    return " ".join(text.get_text() for text in ax.texts)


class TestDetector:
    def test_climb(self, burst: BurstLesson, ax: Axes) -> None:
        climb(burst, ax, formula_s=formula_attack_s(DETECTOR))
        assert (ax.get_xlabel(), ax.get_ylabel()) == ("time, ms", "V per volt of peak")
        x, y = drawn(ax, "detector")
        assert y == pytest.approx(np.interp(x / 1e3, burst.time_s, burst.held_v), abs=5e-3)
        x, y = drawn(ax, "attack")
        assert (x[0], y[0]) == (1e3 * burst.response.attack_s, 0.9 * burst.response.settled_ratio)
        assert drawn(ax, "formula")[0][0] == pytest.approx(2.2 * 4.7, rel=2e-3)
        assert "2.2·R·C = 10.3 ms" in words_on(ax)
        assert f"{1e3 * burst.response.attack_s:.1f} ms" in words_on(ax)

    def test_one_cycle(self, burst: BurstLesson, ax: Axes) -> None:
        one_cycle(burst, ax)
        assert ax.get_xlabel() == "time, ms"
        assert ax.get_xlim() == (0.0, 5.0)
        last = round(0.06 * burst.rate_hz)
        assert np.array_equal(drawn(ax, "detector")[1], burst.held_v[last - 256 : last])
        assert np.array_equal(drawn(ax, "rectified")[1], burst.drive_v[last - 256 : last])
        assert f"{100 * burst.conducting_share:.0f} % of the time" in words_on(ax)

    def test_attack_over_formula(self, ax: Axes) -> None:
        attack_over_formula([3, 30], {"half wave": [1.3, 3.4], "full wave": [1.0, 2.0]}, ax)
        assert ax.get_ylabel() == "attack / 2.2·R·C"
        assert ax.get_xlabel() == "release resistor over attack resistor"
        assert drawn(ax, "half wave")[1].tolist() == [1.3, 3.4]
        assert drawn(ax, "full wave")[0].tolist() == [3, 30]
        assert {"half wave", "full wave"} <= {text.get_text() for text in ax.texts}

    def test_between_samples(self) -> None:
        wave = samples_lesson(tone(9e3, 1.0, 0.01, 48e3), 48e3, DETECTOR, FULL)
        axes = between_samples(wave, list(Figure().subplots(2, 1)), (0.004, 0.005))
        assert [ax.get_ylabel() for ax in axes] == ["V", "V"]
        assert axes[1].get_xlabel() == "time, ms"
        x, y = drawn(axes[0], "samples")
        assert np.array_equal(y, wave.samples_v[192:240])
        assert x == pytest.approx(1e3 * np.arange(192, 240) / 48e3)
        fine = slice(round(0.004 * wave.fine_rate_hz), round(0.005 * wave.fine_rate_hz))
        assert np.array_equal(drawn(axes[0], "wave")[1], wave.wave_v[fine])
        assert np.array_equal(drawn(axes[1], "held, of the wave")[1], wave.held_wave_v[fine])
        # A held voltage is stamped half a step late.
        assert drawn(axes[1], "held, of the samples")[0][0] == pytest.approx(1e3 * 192.5 / 48e3)

    def test_errors_by_rate(self, ax: Axes) -> None:
        errors_by_rate({48e3: 0.02, 96e3: 0.004}, ax)
        assert [bar.get_height() for bar in ax.patches] == pytest.approx([2.0, 0.4])
        assert ax.get_xlabel() == "rate at which the circuit is computed, kHz"
        assert ax.get_ylabel() == "worst error, % of the largest"
        assert [label.get_text() for label in ax.get_xticklabels()] == ["48", "96"]
        assert "2 %" in words_on(ax) and "0.2 %" in words_on(ax)


class TestLight:
    def test_ramp_strip_shows_what_a_screen_must(self, ax: Axes) -> None:
        ramp_strip([0.0, 0.5, 1.0], ax, "even duty")
        red = [patch.get_facecolor()[0] for patch in ax.patches]
        # sRGB of 0.5 (IEC 61966-2-1): 0.7354.
        assert red == pytest.approx([0.0, 0.7354, 1.0], abs=1e-4)
        assert ax.get_ylabel() == "even duty"

    def test_ramp_lightness(self, ax: Axes) -> None:
        ramp_lightness({"even duty": [0.0, 0.5, 1.0], "even L*": [0.0, 0.184187, 1.0]}, ax)
        assert ax.get_ylabel() == "lightness seen, L*"
        # CIE 1976: Y 50 % is L* 76.069; Y 18.4187 % is 50.
        assert drawn(ax, "even duty")[1] == pytest.approx([0, 76.0693, 100], abs=1e-3)
        assert drawn(ax, "even L*")[1] == pytest.approx([0, 50, 100], abs=1e-3)

    def test_read_cycle(self, note: Breathing, ax: Axes) -> None:
        read_cycle(note, ax, 100.0, frames=8)
        assert (ax.get_xlabel(), ax.get_ylabel()) == ("time, ms", "counts above quiescent")
        x, y = drawn(ax, "frames")
        assert x == pytest.approx(10.0 * np.arange(8))
        place = (np.arange(8) * 0.499 % 1.0 * note.cycle_counts.size).astype(int)
        assert np.array_equal(y, note.cycle_counts[place])
        assert set(drawn(ax, "detector")[1]) <= set(note.cycle_counts)
        assert "49.9 Hz" in words_on(ax)

    def test_frames_of_note(self, note: Breathing, ax: Axes) -> None:
        frames_of_note(note, ax, 100.0)
        assert (ax.get_xlabel(), ax.get_ylabel()) == ("time, s", "L*")
        assert np.array_equal(drawn(ax, "light")[1], note.lightness)
        assert f"moves by {note.ripple_aliasing_lstar:.2g} L*" in words_on(ax)

    def test_ripple_aliasing_by_note(self, ax: Axes) -> None:
        ripple_aliasing_by_note([40.0, 41.0], {"release 47k": [3.0, 2.5], "release 100k": [1.0, 0.5]}, ax)
        assert (ax.get_xlabel(), ax.get_ylabel()) == ("frequency of the note, Hz", "ripple aliasing, L*")
        assert drawn(ax, "release 100k")[1].tolist() == [1.0, 0.5]
        assert "release 47k" in words_on(ax)


class TestFigures:
    def test_burst_metrics(self, burst: BurstLesson, ax: Axes) -> None:
        burst_metrics(burst, ax)
        assert (ax.get_xlabel(), ax.get_ylabel()) == ("time, ms", "V per volt of peak")
        settled_v = burst.response.settled_ratio
        assert [drawn(ax, name)[1][0] for name in ("settled", "90 %", "10 %")] == pytest.approx(
            [settled_v, 0.9 * settled_v, 0.1 * settled_v]
        )
        assert drawn(ax, "attack")[0].tolist() == [0.0, 1e3 * burst.response.attack_s]
        assert np.diff(drawn(ax, "release")[0])[0] == pytest.approx(1e3 * burst.response.release_s)

    def test_lightness_metrics(self, ax: Axes) -> None:
        light = alternating_light(Chain(), 20.0, 80.0, low_s=0.75, high_s=0.25, duration_s=2.0)
        lightness_metrics(light, ax)
        assert (ax.get_xlabel(), ax.get_ylabel()) == ("time, s", "L*")
        assert np.array_equal(drawn(ax, "light")[1][:-1], light.lightness)
        assert drawn(ax, "95 %")[1].tolist() == [80.0, 80.0]
        assert drawn(ax, "5 %")[1].tolist() == [20.0, 20.0]

    def test_latency_by_phase(self, ax: Axes) -> None:
        latency_by_phase(np.array([0.0, 2.5, 5.0, 7.5]), ax)
        assert ax.get_ylabel() == "latency, ms"
        assert [bar.get_height() for bar in ax.patches] == [0.0, 2.5, 5.0, 7.5]
        assert drawn(ax, "mean")[1][0] == 3.75
        assert "3.75 ms" in words_on(ax)

    def test_range_between(self, ax: Axes) -> None:
        range_between({"loudest": (np.full(100, 800.0), 99.0), "quietest": (np.full(50, 8.0), 50.0)}, ax)
        assert ax.get_xlabel() == "envelope, dB over one count"
        assert drawn(ax, "99 %")[0][0] - drawn(ax, "50 %")[0][0] == pytest.approx(40.0)
        assert [label.get_text() for label in ax.get_yticklabels()] == ["loudest", "quietest"]
        assert "800 counts" in words_on(ax) and "8 counts" in words_on(ax)

    def test_clipped_wave(self, ax: Axes) -> None:
        wave_v = np.clip(2 * np.sin(np.arange(100) / 5), -1, 1)
        clipped_wave(wave_v, 1e4, (-1.0, 1.0), ax, clipped_share=2 / 3)
        assert (ax.get_xlabel(), ax.get_ylabel()) == ("time, ms", "V")
        assert np.array_equal(drawn(ax, "preamp")[1], wave_v)
        assert {line.get_ydata()[0] for line in ax.lines if len(line.get_ydata()) == 2} == {-1.0, 1.0}
        assert "66.7 % of all samples" in words_on(ax)

    def test_violation_line(self, ax: Axes) -> None:
        violation_line(Target("onset_lag_worst_ms", "at_most", 45.0, 20.0), [20.0, 45.0, 85.0], ax)
        assert ax.get_xlabel() == "onset_lag_worst_ms (scale 20)"
        assert drawn(ax, "violation")[1].tolist() == [0.0, 0.0, 2.0]


def test_sheets_hold_their_panels(burst: BurstLesson, note: Breathing) -> None:
    chain = Chain(detector=DETECTOR)
    light = alternating_light(chain, 0.0, 100.0, low_s=0.2, high_s=0.2, duration_s=2.0)
    wave = samples_lesson(tone(9e3, 1.0, 0.01, 48e3), 48e3, DETECTOR, FULL)
    loud = chain.run(Recording(tone(1e3, 1.0, 0.05, 48e3), 48e3).at_level(118.0))
    target = Target("onset_lag_worst_ms", "at_most", 45.0, 20.0)
    metrics = {
        sheets.climb_sheet(burst, 0.01): 2,
        sheets.formula_sheet([3, 30], {"half wave": [1.3, 3.4]}): 1,
        sheets.samples_sheet(wave, (0.004, 0.005)): 2,
        sheets.errors_sheet({48e3: 0.02}): 1,
        sheets.ramps_sheet({"even duty": [0.0, 1.0], "even L*": [0.0, 1.0]}): 3,
        sheets.breathing_sheet([note, note], 100.0): 4,
        sheets.ripple_aliasing_sheet([40.0], {"a": [1.0]}): 1,
        sheets.burst_sheet(burst): 1,
        sheets.lightness_sheet(light): 1,
        sheets.phases_sheet(np.array([1.0, 2.0])): 1,
        sheets.range_sheet({"a": (np.ones(4), 50.0)}): 1,
        sheets.clipped_sheet(loud, chain, 0.004): 1,
        sheets.flashing_sheet(light, find_flashes(light.relative_luminance, 100.0), 3.0): 2,
        sheets.current_over_time_sheet(np.ones(20), chain): 1,
        sheets.violation_sheet(target, [20.0, 90.0]): 1,
    }
    for fig, panels in metrics.items():
        assert len(fig.axes) == panels
        fig.draw_without_rendering()

"""What a run hands back: time axes of each rate, a table at the ADC's rate, and how it shows itself."""

from __future__ import annotations

import math
import tracemalloc
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest

from envlab.analog.detector import AverageDetector, PeakDetector, detect
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.digital.followers import AttackRelease
from envlab.engine import node_table
from envlab.engine.node_table import node_pieces, nodes_at_readings
from envlab.sound.clip import Clip
from envlab.sound.recording import Recording
from envlab.sound.signals import tone_burst, white_noise
from envlab.study.specification.specification import Specification

RATE_HZ = 48_000.0
LIFTED = Chain(rectifier=Rectifier(reference_node_v=0.3), frame_rate_hz=70.0)


@pytest.fixture(scope="module")
def sound() -> Recording:
    burst = tone_burst(400.0, 0.5, 0.05, 0.1, 0.3, RATE_HZ)
    return Recording(burst + white_noise(0.02, 0.3, RATE_HZ, 1), RATE_HZ, "burst")


@pytest.mark.parametrize("chain", [Chain(), LIFTED, replace(LIFTED, detector=PeakDetector(1e3, 1e-7, 1e5))])
def test_the_table_is_the_one_that_simulate_writes(chain, sound):
    """Two ways to the same readings; the reference node's volts are added before or after interpolation."""
    frame = chain.run(sound).to_frame()
    pd.testing.assert_frame_equal(frame, nodes_at_readings(chain, sound), rtol=1e-12, atol=1e-15)


def test_the_tables_agree_with_noise_too(sound):
    pd.testing.assert_frame_equal(
        LIFTED.run(sound, 8).to_frame(), nodes_at_readings(LIFTED, sound, 8), rtol=1e-12, atol=1e-15
    )


def test_each_rate_has_its_time_axis(sound):
    result = LIFTED.run(sound)
    for times_s, values, rate_hz, first_s in (
        (result.internal_time_s, result.rectified_v, result.internal_rate_hz, 0.0),
        (result.detector_time_s, result.detector_v, result.internal_rate_hz, 0.5 / result.internal_rate_hz),
        (result.adc_time_s, result.adc_counts, result.adc_rate_hz, 0.0),
        (result.frame_time_s, result.duty, result.frame_rate_hz, 0.0),
    ):
        assert times_s.shape == values.shape
        assert times_s[0] == first_s
        np.testing.assert_allclose(np.diff(times_s), 1 / rate_hz, rtol=1e-9)
    assert result.duration_s == pytest.approx(sound.duration_s)
    assert sound.time_s[-1] == (sound.samples - 1) / RATE_HZ


def test_the_detector_is_stamped_half_a_sample_late():
    """A first-order smoother behind a rectified ramp of known answer: v(t) = k·(t − tau·(1 − exp(−t/tau))).

    The closed form is that of one pole driven by a ramp (elementary). Stamped at n/rate instead, the error
    is half a sample of the ramp's slope.
    """
    detector = AverageDetector(10e3, 1e-6)
    tau_s, slope_v_per_s = 10e-3, 3.0
    rate_hz = 8000.0
    held_v, _ = detect(slope_v_per_s * np.arange(800) / rate_hz, detector, sample_rate_hz=rate_hz)
    stamps_s = (np.arange(held_v.size) + 0.5) / rate_hz

    def answer_v(times_s):
        return slope_v_per_s * (times_s - tau_s * -np.expm1(-times_s / tau_s))

    late = np.abs(held_v - answer_v(stamps_s)).max()
    assert late < 0.02 * np.abs(held_v - answer_v(stamps_s - 0.5 / rate_hz)).max()


def test_it_shows_itself_in_one_line_and_in_a_small_table(sound):
    result = Chain().run(sound)
    assert repr(result) == (
        "<ChainResult: 0.3 s; 115200 samples at 384 kHz, 300 readings at 1 kHz, 30 frames at 0.1 kHz>"
    )
    page = result._repr_html_()
    assert page.count("<tr>") == 9
    for name in ("microphone_v", "preamp_v", "rectified_v", "detector_v", "adc_counts", "duty"):
        assert f"<td>{name}</td>" in page
    assert f"<td>{result.adc_counts.max():.4g}</td>" in page


class Tags(HTMLParser):
    """The tags of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: set[str] = set()
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        del attrs
        self.found.add(tag)


def test_a_name_cannot_become_markup():
    clip = Clip(Recording(np.ones(8000), 8000.0, "<script>alert(1)</script> & co"), 80.0)
    asked = Specification(Chain(), [clip], name="<b>bold</b>")
    page = asked._repr_html_()
    assert "&lt;script&gt;" in page
    assert Tags(page).found == {"p", "table", "thead", "tbody", "tr", "th", "td"}


def test_lightness_follows_from_duty(sound):
    result = Chain().run(sound)
    assert result.lightness.max() <= 100
    assert math.isclose(float(result.relative_luminance.max()), float(result.duty.max()) / result.full_duty)


def test_a_run_takes_hardly_more_memory_than_its_result():
    sound = Recording(white_noise(0.2, 2.0, RATE_HZ, 2), RATE_HZ)
    Chain().run(Recording(sound.pressure_pa[:4800], RATE_HZ))
    tracemalloc.start()
    result = Chain().run(sound)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    nodes = ("pressure_pa", "microphone_v", "preamp_v", "rectified_v", "detector_v")
    # Beside the nodes the wave of a few blocks of half a megabyte.
    assert peak < sum(getattr(result, name).nbytes for name in nodes) + 12e6


def test_the_table_of_a_long_clip_keeps_two_bytes_a_reading(monkeypatch):
    monkeypatch.setattr(node_table, "ROWS", 10_000)
    peaks = []
    for seconds in (20.0, 100.0):
        sound = Recording(white_noise(0.2, seconds, 8000.0, 2), 8000.0)
        tracemalloc.start()
        rows = sum(len(piece) for piece in node_pieces(LIFTED, sound, 3))
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert rows == round(1000 * seconds)
    # 80,000 readings more; and of 5600 frames some numbers of 8 bytes.
    assert peaks[1] - peaks[0] < 2 * 80_000 + 8 * 8 * 5600


def test_the_table_does_not_depend_on_its_pieces(sound, monkeypatch):
    board = replace(LIFTED, follower=AttackRelease(0.005, 0.2))
    whole = nodes_at_readings(board, sound, 8)
    monkeypatch.setattr(node_table, "ROWS", 7)
    pd.testing.assert_frame_equal(nodes_at_readings(board, sound, 8), whole, check_exact=True)
    assert np.unique(whole["lightness_lstar"]).size > 5

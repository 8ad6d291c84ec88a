"""The still picture of a clip: each row shows its trace, the strip the light of each frame."""

from __future__ import annotations

import numpy as np
import pytest

from envlab.chain import Chain
from envlab.light.lightness import srgb_encode
from envlab.plot.listening import listening_sheet
from envlab.plot.strips import LANTERN
from envlab.sound.recording import Recording
from envlab.study.listening.listening import Listening
from envlab.study.listening.traces import pressure_peaks, traces_of


@pytest.fixture(scope="module")
def heard():
    t = np.arange(2 * 16_000) / 16_000
    wave = np.exp(-np.mod(t, 0.5) / 0.06) * np.sin(2 * np.pi * 200 * t)
    clip = Recording(wave, 16_000.0, "strokes").at_level(92.0)
    light = Listening(clip).whole(Chain())
    return light, traces_of(light, pressure_peaks(clip))


def test_each_row_is_its_trace(heard):
    light, traces = heard
    fig = listening_sheet(light, traces, "strokes, heard at 92 dB SPL")
    *panels, strip = fig.axes
    for ax, row, unit in zip(panels, traces.rows, ("Pa", "V", "counts", "L*"), strict=True):
        (line,) = ax.lines
        np.testing.assert_array_equal(line.get_ydata(), row.astype(float))
        np.testing.assert_allclose(line.get_xdata(), np.arange(400) / 200)
        assert ax.get_ylabel() == unit
        assert ax.get_ylim()[1] >= row.max()
    assert panels[3].get_ylim() == (0, 105)
    assert strip.get_xlabel() == "time, s"
    assert strip.get_xlim() == (0.0, 2.0)


def test_the_strip_is_coded_for_the_screen(heard):
    light, traces = heard
    strip = listening_sheet(light, traces, "strokes").axes[-1]
    shown = strip.images[0].get_array()
    assert shown.shape == (1, 200, 3)
    # IEC 61966-2-1 on linear light times the lantern's hue
    np.testing.assert_allclose(shown[0], srgb_encode(light.relative_luminance[:, None] * np.array(LANTERN)))


def test_the_clip_is_named(heard):
    fig = listening_sheet(*heard, "strokes, heard at 92 dB SPL")
    texts = [text.get_text() for text in fig.axes[0].texts]
    assert "strokes, heard at 92 dB SPL" in texts
    assert any("pressure" in text for text in texts)

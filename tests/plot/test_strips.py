"""Strips: the screen colour of each frame, the current and the flashes frame by frame."""

from __future__ import annotations

import colour as colour_science
import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from reference.small_specification import Case

from envlab.light.flashes.flash import find_flashes
from envlab.light.pixels import Pixels, Supply
from envlab.plot.strips import LANTERN, brightness_strip, current_strip, flash_strip
from envlab.study.chosen_on_clips import ClipLight


def held(ax: Axes, label: str) -> tuple[np.ndarray, np.ndarray]:
    line = next(one for one in ax.lines if one.get_label() == label)
    return np.asarray(line.get_xdata(), dtype=float), np.asarray(line.get_ydata(), dtype=float)


def test_a_frame_has_the_screen_colour_of_its_luminance(case: Case, ax: Axes) -> None:
    light = case.lights[0]
    brightness_strip(light, ax)
    shown = np.asarray(ax.images[0].get_array())
    linear = (light.duty / light.full_duty)[:, None] * np.array(LANTERN)
    # sRGB as the reference library colour-science has it (IEC 61966-2-1).
    assert np.allclose(shown[0], colour_science.cctf_encoding(linear, function="sRGB"), atol=1e-7)
    assert ax.images[0].get_extent() == [0.0, light.duration_s, 0.0, 1.0]
    assert ax.get_xlabel() == "time, s"


def test_a_part_of_a_strip_keeps_its_times(case: Case, ax: Axes) -> None:
    light = case.lights[0]
    brightness_strip(light, ax, span_s=(0.5, 1.5), offset_s=10.0, colour_linear=(1.0, 1.0, 1.0))
    shown = np.asarray(ax.images[0].get_array())
    assert shown.shape == (1, 100, 3)
    assert ax.images[0].get_extent() == [10.5, 11.5, 0.0, 1.0]
    full = np.isclose(light.relative_luminance[50:150], 1.0)
    assert np.array_equal(full, np.isclose(shown[0, :, 0], 1.0))


def test_current_and_its_limit_are_drawn(case: Case, ax: Axes) -> None:
    light, chain = case.lights[0], case.choice.chain
    current_strip(light.current_a, light.frame_rate_hz, chain.pixels, chain.supply, ax)
    x, y = held(ax, "current")
    assert np.array_equal(y[:-1], light.current_a)
    assert np.allclose(x[:-1], np.arange(light.current_a.size) / light.frame_rate_hz)
    flat = [float(line.get_ydata()[0]) for line in ax.lines if len(line.get_ydata()) == 2]
    assert chain.supply.limit_a in flat
    assert float(light.current_a.mean()) in flat
    assert ax.get_ylabel() == "supply current, A"
    words = " ".join(text.get_text() for text in ax.texts)
    # 24 pixels × 3 channels × 0.15 A = 10.8 A, and 24 mA idle.
    assert "limit: 3 A" in words
    assert "10.8 A" in words


def test_a_supply_that_feeds_all_pixels_says_nothing_of_a_cap(ax: Axes) -> None:
    current_strip(np.full(100, 0.5), 100.0, Pixels(count=1), Supply(limit_a=3.0), ax)
    assert "without the duty limit" not in " ".join(text.get_text() for text in ax.texts)


def test_flashes_of_each_second_and_the_worst_are_drawn(case: Case) -> None:
    light = case.lights[0]
    axes = list(Figure().subplots(2, 1))
    flash_strip(light, light.flashes, axes, limit_per_s=3.0)
    assert np.array_equal(held(axes[0], "light")[1][:-1], light.relative_luminance)
    assert np.array_equal(held(axes[1], "flashes")[1][:-1], light.flashes.per_second)
    assert axes[1].get_ylabel() == "flashes in 1 s"
    assert axes[1].get_xlabel() == "time, s"
    shaded = next(patch for patch in axes[1].patches if isinstance(patch, Rectangle))
    assert shaded.get_x() == pytest.approx(light.flashes.worst_start_s)
    assert shaded.get_x() + shaded.get_width() == pytest.approx(light.flashes.worst_end_s)
    assert 3.0 in [float(line.get_ydata()[0]) for line in axes[1].lines if len(line.get_ydata()) == 2]
    assert axes[1].get_ylim()[1] > light.flashes.worst_per_s


def test_a_light_that_stays_dark_has_no_worst_second(case: Case) -> None:
    light = case.lights[0]
    dark = ClipLight(**{**vars(light), "duty": np.zeros(300), "flashes": find_flashes(np.zeros(300), 100.0)})
    axes = list(Figure().subplots(2, 1))
    flash_strip(dark, dark.flashes, axes)
    assert not axes[0].patches
    assert "worst" not in " ".join(text.get_text() for text in axes[0].texts)


def test_of_a_long_clip_no_flash_and_no_peak_is_lost(ax: Axes) -> None:
    current_a = np.full(20_000, 0.5)
    current_a[12_345] = 2.9
    current_strip(current_a, 100.0, Pixels(), Supply(), ax)
    x, y = held(ax, "current")
    assert len(x) <= 1501
    assert y.max() == 2.9
    assert x[np.argmax(y)] == pytest.approx(123.45, abs=20_000 / 100 / 1500)

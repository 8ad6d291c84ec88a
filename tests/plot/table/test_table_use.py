"""What the export's pictures show: counted and computed again by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle, StepPatch
from reference.small_specification import Case

from envlab.light.pixels import Pixels, Supply
from envlab.light.power.battery import Pack
from envlab.light.power.wiring import Wiring, wire_drop
from envlab.light.timing import PWM_WAIT, LatencyBudget, LatencyPart
from envlab.plot.table.table_use import (
    hours_in_the_cold,
    latency_parts,
    level_histograms,
    lightness_steps,
    lit_pixels_current,
    volts_along,
)
from envlab.study.chosen_on_clips import relit


def words(ax: Axes) -> str:
    return " ".join(text.get_text() for text in ax.texts)


def drawn(ax: Axes, label: str) -> tuple[np.ndarray, np.ndarray]:
    line = next(one for one in ax.lines if one.get_label() == label)
    return np.asarray(line.get_xdata(), dtype=float), np.asarray(line.get_ydata(), dtype=float)


def test_bars_are_the_shares_of_frames(case: Case, ax: Axes) -> None:
    scale = case.choice.chain.level_scale()
    level_histograms(case.lights, scale, ax, (60.0, 110.0))
    bars = [one for one in ax.patches if isinstance(one, StepPatch)]
    for row, (one, light) in enumerate(zip(bars, case.lights, strict=True)):
        tops, edges, bottom = one.get_data()
        heights = tops - bottom
        # 20 lg of the counts over those of 94 dB, and 1 dB a bar from 60 dB on.
        with np.errstate(divide="ignore"):
            levels = 94.0 + 20 * np.log10(light.envelope_counts / scale.reference_counts)
        inside = [int(np.count_nonzero((levels >= low) & (levels < low + 1))) for low in range(60, 110)]
        assert heights * (max(inside) / 0.85) == pytest.approx(inside, abs=1e-6)
        assert bottom == -row
        assert one.get_fill()
        assert edges == pytest.approx(list(range(60, 111)))
        quieter = 100 * np.mean(levels < 60)
        assert f"{quieter:.0f} % quieter" in words(ax) or quieter < 0.5
    assert [label.get_text() for label in ax.get_yticklabels()] == ["drums 92 dB", "voices 72 dB"]


def test_a_silent_clip_is_quieter_all_along(case: Case, ax: Axes) -> None:
    light = case.lights[0]
    silent = type(light)(**{**vars(light), "envelope_counts": np.zeros(100)})
    level_histograms([silent], case.choice.chain.level_scale(), ax, (60.0, 110.0))
    assert words(ax) == "100 % quieter"


def test_steps_are_those_between_whole_counts(case: Case, ax: Axes) -> None:
    chain = case.choice.chain
    table, scale = chain.brightness_table(), chain.level_scale()
    lightness_steps(table, scale, ax, largest_lstar=8.0)
    # CIE 1976 L* of Y/Y_max, ISO/CIE 11664-4; this table has one entry per count.
    y = table.duty_codes / table.duty_codes.max()
    lstar = np.where(y > 216 / 24389, 116 * np.cbrt(y) - 16, 24389 / 27 * y)
    moves = np.flatnonzero(np.diff(lstar) > 0) + 1
    x, height = drawn(ax, "steps")
    assert height == pytest.approx(np.diff(lstar)[moves - 1])
    assert x == pytest.approx(94.0 + 20 * np.log10(moves / scale.reference_counts))
    assert height.sum() == pytest.approx(100.0)
    assert "at most\n8" in words(ax)
    assert ax.get_ylim()[1] > 8


def test_latency_parts_follow_each_other_and_the_limits_stand(ax: Axes) -> None:
    budget = LatencyBudget(
        (
            LatencyPart("detector", 0.006, 0.010),
            LatencyPart("waiting", 0.005, 0.020),
            LatencyPart(PWM_WAIT, 0.001, 0.002),
        )
    )
    latency_parts(budget, ax)
    bars = {
        name: [
            (bar.get_x(), bar.get_width()) for one in ax.containers if one.get_label() == name for bar in one
        ]
        for name in ("mean", "worst")
    }
    assert np.array(bars["worst"]) == pytest.approx(np.array([(0, 10), (10, 20), (30, 2), (0, 30), (0, 32)]))
    assert np.array(bars["mean"]) == pytest.approx(np.array([(0, 6), (10, 5), (30, 1), (0, 11), (0, 12)]))
    assert [label.get_text() for label in ax.get_yticklabels()] == [
        "detector",
        "waiting",
        PWM_WAIT,
        "latency",
        "light after drum",
    ]
    # ITU-R BT.1359-1: sound first by about 45 ms is detected, by about 90 ms no longer accepted.
    upright = [float(line.get_xdata()[0]) for line in ax.lines if len(line.get_xdata()) == 2]
    assert upright == pytest.approx([45.0, 90.0])
    assert "11.0 to 30.0 ms" in words(ax)
    assert "12.0 to 32.0 ms" in words(ax)


def test_current_over_lit_pixels_by_hand(ax: Axes) -> None:
    # 24 × 3 × 0.15 A = 10.8 A and 24 mA idle, from 3 A.
    pixels, supply = Pixels(), Supply(limit_a=3.0)
    duty_limit = (3.0 - 0.024) / 10.8
    lit_pixels_current(pixels, supply, duty_limit, ax)
    lit, limited = drawn(ax, "limited")
    assert limited == pytest.approx(0.024 + lit * 0.45 * duty_limit)
    assert limited[-1] == pytest.approx(3.0)
    lit, unlimited = drawn(ax, "unlimited")
    assert unlimited == pytest.approx(0.024 + lit * 0.45)
    assert np.count_nonzero(unlimited <= 3.0) == 7  # none to six whole pixels
    shaded = next(patch for patch in ax.patches if isinstance(patch, Rectangle))
    assert shaded.get_y() == 3.0
    assert "the converter's limit: 3 A" in words(ax)


def test_where_nothing_is_limited_there_is_one_line(ax: Axes) -> None:
    lit_pixels_current(Pixels(count=2), Supply(limit_a=3.0), 1.0, ax)
    assert [line.get_label() for line in ax.lines if not line.get_label().startswith("_")] == ["unlimited"]


def test_hours_by_hand(ax: Axes) -> None:
    # 3 Ah × 2 × 3.6 V × 0.8 = 17.28 Wh: 1.728 h of 10 W when warm, 60 % of that at −20 °C.
    hours_in_the_cold(10.0, Pack(), ax)
    cold_c, hours = drawn(ax, "hours")
    assert (cold_c[0], hours[0]) == pytest.approx((-20.0, 0.6 * 1.728))
    assert (cold_c[-1], hours[-1]) == pytest.approx((30.0, 1.728))
    shaded = next(patch for patch in ax.patches if isinstance(patch, Rectangle))
    assert (shaded.get_x(), shaded.get_x() + shaded.get_width()) == (-20.0, 0.0)
    assert "never charge" in words(ax)


def test_volts_along_the_wire_for_each_way_to_feed_it(ax: Axes) -> None:
    # Two pixels of 1 A, 1 m of 0.1 Ω each way between them: 0.2 V of drop to the second.
    one_end = wire_drop([1.0, 1.0], Wiring(1.0, 0.1), 5.0)
    both = wire_drop([1.0, 1.0], Wiring(1.0, 0.1, (0, 1)), 5.0)
    volts_along([("one end", one_end), ("both ends", both)], ax)
    x, volts = drawn(ax, "one end")
    assert list(x) == [1, 2]
    assert volts == pytest.approx([5.0, 4.8], abs=1e-4)
    assert drawn(ax, "both ends")[1] == pytest.approx([5.0, 5.0], abs=1e-4)
    assert words(ax) == "one end both ends"


def test_another_table_on_the_same_envelopes(case: Case) -> None:
    chain = case.choice.chain
    again = relit(case.lights, chain)
    assert all(np.array_equal(one.duty, light.duty) for one, light in zip(again, case.lights, strict=True))
    half = Supply(limit_a=chain.supply.limit_a / 2)
    weaker = relit(case.lights, type(chain)(**{**vars(chain), "supply": half}))
    assert max(light.current_a.max() for light in weaker) <= half.limit_a
    assert math.isclose(weaker[0].full_duty, (1.5 - 0.024) / 10.8, rel_tol=1e-4)

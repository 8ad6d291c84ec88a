"""Wire drop against sums by hand."""

from __future__ import annotations

import numpy as np
import pytest

from envlab.errors import ParameterError
from envlab.light.power.wiring import Wiring, wire_drop

# 24 pixels 3 cm apart on 0.05 ohm/m: each piece of the way, out and back, is 2 × 0.05 × 0.03 = 3 mohm.
STRIP = Wiring(pitch_m=0.03, conductor_ohm_per_m=0.05)
EACH_A = np.full(24, 0.125)


def test_fed_at_one_end_by_hand():
    # Piece j carries the 24 − j pixels behind it: 3 mohm × 0.125 A × (23 + 22 + … + 1 = 276) = 103.5 mV.
    drop = wire_drop(EACH_A, STRIP, 5.0)
    assert drop.pixel_v[0] == pytest.approx(5.0, abs=1e-5)
    assert 5.0 - drop.pixel_v[23] == pytest.approx(0.1035, abs=1e-5)
    assert drop.lowest_pixel == 23
    assert drop.lowest_v == drop.pixel_v[23]
    assert drop.feed_a == pytest.approx([3.0])


def test_fed_at_both_ends_by_hand():
    # Each feed carries 12; the middle is 11 + 10 + … + 1 = 66 pieces of 0.125 A away: 24.75 mV.
    drop = wire_drop(EACH_A, Wiring(0.03, 0.05, feeds=(0, 23)), 5.0)
    assert drop.feed_a == pytest.approx([1.5, 1.5], abs=1e-3)
    assert 5.0 - drop.lowest_v == pytest.approx(0.02475, abs=1e-5)


def test_fed_in_the_middle_is_a_quarter():
    # Long chains: half the length and half the current on each side, a quarter of the drop.
    wide = np.full(200, 0.01)
    at_end = 5.0 - wire_drop(wide, Wiring(0.03, 0.05), 5.0).lowest_v
    in_middle = 5.0 - wire_drop(wide, Wiring(0.03, 0.05, feeds=(100,)), 5.0).lowest_v
    assert in_middle / at_end == pytest.approx(0.25, rel=0.02)


def test_feed_resistance_by_hand():
    # 3 A through 0.1 ohm are 0.3 V before the first pixel.
    drop = wire_drop(EACH_A, Wiring(0.03, 0.05, feed_ohm=0.1), 5.0)
    assert drop.pixel_v[0] == pytest.approx(4.7)
    assert drop.pixel_v[23] == pytest.approx(4.7 - 0.1035)


def test_kirchhoff_holds_at_every_pixel():
    rng = np.random.default_rng(4)
    current = rng.uniform(0.0, 0.2, 40)
    wiring = Wiring(0.05, 0.08, feeds=(3, 17, 39), feed_ohm=0.02)
    drop = wire_drop(current, wiring, 5.0)
    flow = -np.diff(drop.pixel_v) / (2 * 0.08 * 0.05)
    fed = np.zeros(40)
    fed[list(wiring.feeds)] = drop.feed_a
    into = fed + np.concatenate([[0.0], flow]) - np.concatenate([flow, [0.0]])
    assert into == pytest.approx(current, abs=1e-9)
    assert drop.feed_a.sum() == pytest.approx(current.sum())


def test_pixels_below_a_least_voltage_are_named():
    drop = wire_drop(EACH_A, Wiring(0.03, 0.05, feed_ohm=0.1), 5.0)
    assert drop.pixels_below(4.6).tolist() == list(range(np.argmax(drop.pixel_v < 4.6), 24))
    assert drop.pixels_below(4.0).size == 0


def test_copper_without_resistance_drops_nothing():
    assert wire_drop(EACH_A, Wiring(0.03, 0.0), 5.0).lowest_v == pytest.approx(5.0, abs=1e-3)


def test_one_pixel():
    assert wire_drop([0.5], Wiring(0.03, 0.05, feed_ohm=1.0), 5.0).pixel_v == pytest.approx([4.5])


def test_more_than_the_copper_carries_is_refused():
    with pytest.raises(ParameterError, match="pixel 99 would get no voltage from 5 V"):
        wire_drop(np.full(100, 1.0), Wiring(0.05, 0.5), 5.0)


@pytest.mark.parametrize(
    "change",
    [{"pitch_m": 0.0}, {"conductor_ohm_per_m": -1.0}, {"feeds": ()}, {"feeds": (1, 1)}, {"feeds": (-1,)},
     {"feed_ohm": -0.1}],
)  # fmt: skip
def test_impossible_wiring_is_refused(change):
    with pytest.raises(ParameterError, match=next(iter(change))):
        Wiring(**{"pitch_m": 0.03, "conductor_ohm_per_m": 0.05, **change})


@pytest.mark.parametrize("current", [[], [[1.0]], [-1.0], [np.nan]])
def test_impossible_currents_are_refused(current):
    with pytest.raises(ParameterError, match="pixel_current_a"):
        wire_drop(current, STRIP, 5.0)


def test_feed_behind_the_last_pixel_is_refused():
    with pytest.raises(ParameterError, match="pixels from 0 to 23"):
        wire_drop(EACH_A, Wiring(0.03, 0.05, feeds=(24,)), 5.0)

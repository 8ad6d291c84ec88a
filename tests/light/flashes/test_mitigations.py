"""Mitigations against too many flashes: they pass, and the next milder setting does not."""

from __future__ import annotations

import numpy as np
import pytest
from reference.flashes import worst_flashes

from envlab.errors import ParameterError
from envlab.light.flashes.flash import count_flashes
from envlab.light.flashes.mitigations import (
    Mitigation,
    depth_mitigation,
    first_that_passes,
    least_change,
    limit_slope,
    raise_rest,
    slope_mitigation,
)
from envlab.light.lightness import lightness_cie1976

RATE_HZ = 50.0


def beats(high: float = 1.0, hertz: float = 5.0, seconds: float = 4.0) -> np.ndarray:
    """Square light of so many flashes a second."""
    n = np.arange(int(seconds * RATE_HZ))
    return np.where((n * 2 * hertz / RATE_HZ).astype(int) % 2 == 0, 0.0, high)


def drum_like() -> np.ndarray:
    """Strokes six a second that fall by half in 60 ms, every second one weaker."""
    t = np.arange(200) / RATE_HZ
    since = t % (1 / 6)
    return np.where((t * 6).astype(int) % 2 == 0, 1.0, 0.6) * 0.5 ** (since / 0.06)


def test_slope_never_passes_its_limit():
    light = limit_slope(drum_like(), RATE_HZ, 120.0)
    assert np.max(np.abs(np.diff(lightness_cie1976(light)))) <= 120.0 / RATE_HZ + 1e-9


def test_a_wide_slope_limit_changes_nothing():
    light = drum_like()
    assert limit_slope(light, RATE_HZ, 1e6) == pytest.approx(light, abs=1e-12)


def test_slope_limit_by_hand():
    # From dark to full at 100 L* per second and 50 frames per second: 2 L* a frame.
    light = limit_slope([0.0, 1.0, 1.0, 1.0, 0.0, 0.0], RATE_HZ, 100.0)
    assert lightness_cie1976(light) == pytest.approx([0, 2, 4, 6, 4, 2], abs=1e-9)


@pytest.mark.parametrize(
    ("high", "rest"),
    # Square light 0..high with rest r: changes of (1 − r)·high; they stop counting when that is under 10 % or
    # when the darker state, r, is not below 0.80 (WCAG 2.2).
    [(1.0, 0.8), (0.5, 0.8), (0.3, 2 / 3), (0.2, 0.5), (0.125, 0.2), (0.1005, 0.004975)],
)
def test_least_base_light_has_its_closed_form(high, rest):
    mitigation = depth_mitigation(beats(high), RATE_HZ)
    assert mitigation is not None
    assert mitigation.setting == pytest.approx(rest, abs=2.5e-4)
    assert mitigation.setting >= rest - 1e-7
    assert mitigation.flashes_per_s <= 3


@pytest.mark.parametrize("find", [slope_mitigation, depth_mitigation])
@pytest.mark.parametrize("light", [beats(), beats(0.4), drum_like()])
def test_mitigation_passes_after_the_independent_counter_too(find, light):
    assert count_flashes(light, RATE_HZ) > 3
    mitigation = find(light, RATE_HZ)
    assert mitigation is not None
    assert worst_flashes(mitigation.luminance.tolist(), RATE_HZ) == mitigation.flashes_per_s <= 3


@pytest.mark.parametrize("light", [beats(), beats(0.4), drum_like()])
def test_a_slightly_milder_slope_does_not_pass(light):
    mitigation = slope_mitigation(light, RATE_HZ)
    assert mitigation is not None
    assert count_flashes(limit_slope(light, RATE_HZ, mitigation.setting * 1.003), RATE_HZ) > 3


@pytest.mark.parametrize("light", [beats(), beats(0.4), drum_like()])
def test_a_slightly_milder_depth_does_not_pass(light):
    mitigation = depth_mitigation(light, RATE_HZ)
    assert mitigation is not None
    assert count_flashes(raise_rest(light, mitigation.setting - 0.0004), RATE_HZ) > 3


def test_price_is_the_mean_change_of_lightness():
    mitigation = depth_mitigation(beats(), RATE_HZ)
    assert mitigation is not None
    # Half of the frames rise from L* 0 to L* of 0.8 (CIE 1976: 116·∛0.8 − 16 = 91.684), half stay.
    assert mitigation.mean_change_lstar == pytest.approx(91.684 / 2, abs=0.01)


def test_relative_to_the_limited_costume():
    full, limited = (
        slope_mitigation(drum_like(), RATE_HZ),
        slope_mitigation(0.278 * drum_like(), RATE_HZ, full_duty=0.278),
    )
    assert full is not None
    assert limited is not None
    assert limited.setting == pytest.approx(full.setting, rel=0.002)


@pytest.mark.parametrize(("find", "unchanged"), [(slope_mitigation, np.inf), (depth_mitigation, 0.0)])
def test_light_that_passes_stays_as_it_is(find, unchanged):
    calm = beats(hertz=2.0)
    mitigation = find(calm, RATE_HZ)
    assert mitigation is not None
    assert mitigation.setting == unchanged
    assert mitigation.mean_change_lstar == 0.0
    assert np.array_equal(mitigation.luminance, calm)


@pytest.mark.parametrize("find", [slope_mitigation, depth_mitigation])
def test_a_stricter_limit_is_kept(find):
    usual, stricter = find(drum_like(), RATE_HZ), find(drum_like(), RATE_HZ, allowed=1)
    assert usual is not None
    assert stricter is not None
    assert worst_flashes(stricter.luminance.tolist(), RATE_HZ) <= 1 < usual.flashes_per_s
    assert stricter.mean_change_lstar > usual.mean_change_lstar


def test_any_other_setting_can_be_tried():
    # Release by hand: one pole that falls with its time constant; longer from try to try.
    light = drum_like()

    def released(tau_s: float) -> np.ndarray:
        held, keep = light.copy(), np.exp(-1 / (RATE_HZ * tau_s))
        for n in range(1, held.size):
            held[n] = max(light[n], held[n - 1] * keep)
        return held

    settings = [0.05, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 6.4]
    mitigation = first_that_passes("release", "s", settings, released, light, RATE_HZ)
    assert mitigation is not None
    milder = settings[settings.index(mitigation.setting) - 1]
    assert count_flashes(released(milder), RATE_HZ) > 3
    assert first_that_passes("release", "s", [0.01], released, light, RATE_HZ) is None


def test_the_least_change_is_chosen():
    light = drum_like()
    slope, depth = slope_mitigation(light, RATE_HZ), depth_mitigation(light, RATE_HZ)
    assert slope is not None
    assert depth is not None
    expected = min((slope, depth), key=lambda mitigation: mitigation.mean_change_lstar)
    assert least_change([None, slope, depth]) is expected
    same = Mitigation("other", 1.0, "", 0, expected.mean_change_lstar, light)
    assert least_change([expected, same]) is expected


def test_no_mitigation_at_all_is_refused():
    with pytest.raises(ParameterError, match="at least one that passes"):
        least_change([None, None])


def test_an_empty_clip_needs_no_mitigation():
    mitigation = depth_mitigation([], RATE_HZ)
    assert mitigation is not None
    assert mitigation.mean_change_lstar == 0.0


@pytest.mark.parametrize("bad", [0.0, -5.0, float("nan")])
def test_impossible_slopes_are_refused(bad):
    with pytest.raises(ParameterError, match="lightness_per_s"):
        limit_slope([0.0, 1.0], RATE_HZ, bad)


def test_impossible_base_light_is_refused():
    with pytest.raises(ParameterError, match="base_light"):
        raise_rest([0.0, 1.0], 1.5)

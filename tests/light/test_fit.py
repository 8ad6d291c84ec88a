"""Floor and ceiling from recordings: the two clips must land where the fit says."""

from __future__ import annotations

import numpy as np
import pytest

from envlab.errors import ParameterError
from envlab.light.curve import CURVES, relative_luminance
from envlab.light.fit import fit_brightness_map, fit_count_map, lit_share
from envlab.light.lightness import lightness_cie1976


def envelopes(seed: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """Two invented clips whose envelopes scatter round 12 and round 400 counts."""
    rng = np.random.default_rng(seed)
    return 12.0 * np.exp(rng.normal(0.0, 0.4, 4000)), 400.0 * np.exp(rng.normal(0.0, 0.3, 4000))


@pytest.mark.parametrize("curve", ["lightness", "power"])
@pytest.mark.parametrize("knee_output", [0.5, 0.3])
@pytest.mark.parametrize("glow", [5.0, 10.0, 25.0])
def test_quiet_just_glows_and_loud_just_reaches_full(curve, knee_output, glow):
    quiet, loud = envelopes()
    fitted = fit_count_map(quiet, loud, curve=curve, knee_output=knee_output, glow_lightness=glow)
    lightness = lightness_cie1976(relative_luminance(quiet, fitted))
    assert np.median(lightness) == pytest.approx(glow, abs=0.02)
    # 1 % of the loud clip is at full, 99 % under it.
    assert np.mean(relative_luminance(loud, fitted) >= 1.0) == pytest.approx(0.01, abs=0.001)


def test_lightness_fit_by_hand():
    # Quiet 10 counts, loud 1000: L* 20 at 10 counts puts the floor 1/5 of the way below: with x = ln floor,
    # (ln 10 − x)/(ln 1000 − x) = 0.2 gives x = (ln 10 − 0.2·ln 1000)/0.8 = 0.5·ln 10: 3.1623 counts.
    fitted = fit_count_map([10.0], [1000.0], glow_lightness=20.0)
    assert fitted.floor_counts == pytest.approx(10**0.5)
    assert fitted.ceiling_counts == 1000.0


def test_straight_fit_by_hand():
    # L* 50 is Y = ((50 + 16)/116)^3 = 0.184187; (100 − f)/(400 − f) = 0.184187 gives f = 32.267.
    fitted = fit_count_map([100.0], [400.0], curve="straight", glow_lightness=50.0)
    assert fitted.floor_counts == pytest.approx((100 - 0.184187 * 400) / (1 - 0.184187), rel=1e-5)


def test_decibel_curve_starts_at_the_quiet_clip_when_it_cannot_be_dimmer():
    # Lowest light of the curve is 1 %, L* 8.99: a glow of L* 5 begins at the floor itself.
    assert fit_count_map([10.0], [1000.0], curve="decibel", glow_lightness=5.0).floor_counts == pytest.approx(
        10
    )


@pytest.mark.parametrize("curve", CURVES)
def test_levels_give_the_same_fit_as_counts(curve):
    quiet, loud = envelopes()
    by_counts = fit_count_map(quiet, loud, curve=curve, glow_lightness=8.0)
    by_level = fit_brightness_map(20 * np.log10(quiet), 20 * np.log10(loud), curve=curve, glow_lightness=8.0)
    assert by_level.floor_db_spl == pytest.approx(20 * np.log10(by_counts.floor_counts), abs=1e-9)
    assert by_level.ceiling_db_spl == pytest.approx(20 * np.log10(by_counts.ceiling_counts), abs=1e-9)


def test_other_shares_move_the_points():
    quiet, loud = envelopes()
    fitted = fit_count_map(quiet, loud, quiet_share=0.9, full_share=0.5)
    assert fitted.ceiling_counts == pytest.approx(np.median(loud))
    lightness = lightness_cie1976(relative_luminance(quiet, fitted))
    assert np.quantile(lightness, 0.9) == pytest.approx(10.0, abs=0.02)


def test_lit_share_counts_values_above_its_lightness():
    fitted = fit_count_map([10.0], [1000.0], glow_lightness=20.0)
    # Floor 3.1623, ceiling 1000: L* 5 is at 3.1623·316.23^0.05 = 4.217 counts.
    assert lit_share([1.0, 4.2, 4.23, 100.0], fitted) == 0.5


@pytest.mark.parametrize(
    ("quiet", "loud", "change", "message"),
    [
        ([0.0, 0.0, 5.0], [100.0], {}, "quiet_counts is 0.0; it must be above 0"),
        ([50.0], [50.0], {}, "loud_counts is 50.0; it must be above the 50 counts of the quiet clip"),
        ([50.0], [20.0], {}, "above the 50 counts"),
        ([], [20.0], {}, "at least one value"),
        ([1.0, np.nan], [20.0], {}, "all of them numbers"),
        ([5.0], [50.0], {"glow_lightness": 0.0}, "glow_lightness"),
        ([5.0], [50.0], {"quiet_share": 1.5}, "share of the quiet clip"),
        ([5.0], [500.0], {"curve": "straight", "glow_lightness": 50.0}, "a lightness below 8.99"),
    ],
)
def test_clips_that_cannot_be_fitted_are_refused(quiet, loud, change, message):
    with pytest.raises(ParameterError, match=message):
        fit_count_map(quiet, loud, **change)


def test_share_of_nothing_is_refused():
    with pytest.raises(ParameterError, match="at least one value"):
        lit_share([], fit_count_map([10.0], [1000.0]))

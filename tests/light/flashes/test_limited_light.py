"""What L* and flashes refer to under the frame limiter."""

from __future__ import annotations

import numpy as np
import pytest

from envlab.errors import ParameterError
from envlab.light.flashes.flash import count_flashes
from envlab.light.flashes.limited_light import explain_frame_limit, flashes_under_limiter, limited_luminance
from envlab.light.pixels import Pixels, Supply, limit_frame, supply_duty_limit


@pytest.mark.parametrize("colour", [(1.0, 1.0, 1.0), (1.0, 0.32, 0.01), (0.4, 0.0, 0.0)])
def test_a_limited_picture_is_held_at_its_share_of_the_supply(colour):
    # Against the float limiter of the pixels, which knows nothing of shares.
    pixels, supply = Pixels(), Supply()
    picture = np.tile(colour, (24, 1))
    share = min(1.0, (supply.limit_a - 24 * pixels.idle_a) / (0.150 * picture.sum()))
    duty = np.linspace(0.0, 1.0, 101)
    shown = limit_frame(duty[:, None, None] * picture, pixels, supply).sum(axis=(1, 2))
    np.testing.assert_allclose(shown / shown.max(), limited_luminance(duty, share), rtol=1e-12)


def square(low: float, high: float, per_s: int, seconds: int = 3) -> np.ndarray:
    half = 100 // (2 * per_s)
    return np.tile(np.repeat([high, low], half), per_s * seconds)


def test_small_changes_of_the_table_flash_in_the_brightest_picture():
    # 0.10 to 0.14 of full is 4 % of a picture that is never held, but 14 % of one that is held at 0.276.
    duty = square(0.10, 0.14, 5)
    assert count_flashes(duty, 100.0) == 0
    found = flashes_under_limiter(duty, 100.0, supply_duty_limit(Pixels(), Supply()))
    assert found.worst_per_s == 5
    assert found.worst_share < 0.4
    assert not found.passes


def test_changes_above_the_share_are_not_seen_in_the_brightest_picture():
    duty = square(0.5, 0.7, 5)
    assert count_flashes(limited_luminance(duty, 0.276), 100.0) == 0
    found = flashes_under_limiter(duty, 100.0, 0.276)
    assert (found.worst_per_s, found.least_share, found.shares) == (5, 0.276, 49)
    assert found.worst_share > 0.5


def test_without_a_limit_it_is_the_plain_count():
    duty = square(0.1, 0.9, 3)
    found = flashes_under_limiter(duty, 100.0, 1.0, shares=2)
    assert found.worst_per_s == count_flashes(duty, 100.0) == 3
    assert found.passes


def test_the_words_name_the_cap_that_l_star_refers_to():
    assert "0.276" in explain_frame_limit(Pixels(), Supply())
    assert "never acts" in explain_frame_limit(Pixels(), Supply(30.0))


@pytest.mark.parametrize(
    ("make", "name"),
    [
        (lambda: limited_luminance([0.5], 0.0), "share"),
        (lambda: limited_luminance([1.5], 0.5), "duty"),
        (lambda: flashes_under_limiter([0.5], 100.0, 1.1), "least_share"),
        (lambda: flashes_under_limiter([0.5], 100.0, 0.5, shares=1), "shares"),
        (lambda: flashes_under_limiter([0.5], 0.0, 0.5), "frame_rate_hz"),
    ],
)
def test_bad_values_are_named(make, name):
    with pytest.raises(ParameterError) as caught:
        make()
    assert caught.value.name == name


def test_two_pictures_are_the_brightest_and_the_one_that_is_never_held():
    # Up to 0.08 of full: 8 % of a picture that is never held, 32 % of one that is held at a quarter.
    duty = square(0.0, 0.08, 4)
    assert count_flashes(duty, 100.0) == 0
    found = flashes_under_limiter(duty, 100.0, 0.25, shares=2)
    assert (found.worst_per_s, found.worst_share) == (count_flashes(4 * duty, 100.0), 0.25)
    assert found.worst_per_s == 4

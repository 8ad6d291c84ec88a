"""Who leads, what a side favours, and that nobody is favoured who breaks what is hard."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from envlab.light.viewing import Viewing
from envlab.study.layouts.favours import Lead, favour_of, leads
from envlab.study.layouts.figures import ClipDuties, figures_of


@pytest.fixture
def three(made, board):
    """Alike, share and bar on strokes of half light, numbers as in test_figures.py."""
    half = np.where(np.arange(300) % 50 < 25, made.full_duty // 2 + 1, 0)
    plays = {name: getattr(made, name) for name in ("alike", "share", "bar")}
    clips = [ClipDuties("half", half, dict.fromkeys(plays, half))]
    return figures_of(plays, clips, board, Viewing(), limit_codes=24 * 64 * 3)


def test_each_number_has_its_leaders(three):
    lit, contrast, step = leads(three, "near", 3)
    # Three pixels at full for the bar, six at half for the share, all at an eighth. The share takes least:
    # 6·127 codes to the bar's 3·255.
    assert (lit.names, lit.best) == (("bar",), pytest.approx(116 * (762 / 765) ** (1 / 3) - 16))
    assert contrast.names == ("alike", "share")
    # One code of 255 is below the knee of L*: 903.3/255. One of 64 and a pixel of six are more.
    assert (step.names, step.best) == (("share",), pytest.approx(903.2963 / 255))


def test_a_layout_over_the_flash_limit_or_the_supply_leads_in_nothing(three):
    alike, share, bar = three
    for broken in (replace(bar, flashes_per_s=4), replace(bar, most_codes=bar.limit_codes + 1)):
        lit = leads((alike, share, broken), "near", 3)[0]
        assert lit.names == ("share",)
    assert leads((replace(bar, flashes_per_s=4),), "near", 3)[0].names == ()


def test_what_is_not_judged_has_no_leader(three):
    unjudged = [replace(one, contrast_far_lstar=math.nan) for one in three]
    contrast, step = leads(unjudged, "far", 3)
    assert contrast.names == ()
    assert math.isnan(contrast.best)
    assert step.names


def test_within_one_l_star_two_lead(three):
    alike, share, bar = (replace(one, contrast_far_lstar=50.0 + k) for k, one in enumerate(three))
    assert leads((alike, share, bar), "far", 3)[0].names == ("share", "bar")


@pytest.mark.parametrize(
    ("names", "favoured", "divided"),
    [
        ((("a",), ("a", "b"), ("b", "c")), ("a", "b"), True),
        ((("a",), ("a", "b"), ("c",)), ("a",), False),
        ((("a", "b"), ("a", "b", "c"), ()), ("a", "b"), False),  # in the second all lead: it tells nothing
        ((("a", "b", "c"), (), ()), (), False),
        (((), (), ()), (), False),
    ],
)
def test_a_side_favours_who_leads_in_most_of_the_numbers_that_tell(names, favoured, divided):
    found = favour_of([Lead(str(place), one, 1.0) for place, one in enumerate(names)], 3)
    assert (found.names, found.divided) == (favoured, divided)

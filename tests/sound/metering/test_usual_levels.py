"""The table of usual levels: every number has its source, and the one for ears is the published one."""

from __future__ import annotations

import pytest

from envlab.bibliography import SOURCES
from envlab.sound.metering.usual_levels import USUAL_LEVELS, hours_a_day, usual_levels_lines


def test_every_line_has_a_source_of_the_bibliography() -> None:
    assert {one.source for one in USUAL_LEVELS} <= set(SOURCES)
    assert len(usual_levels_lines()) == len(USUAL_LEVELS)
    assert max(map(len, usual_levels_lines())) <= 77
    assert all(one.low <= one.high for one in USUAL_LEVELS)
    assert any(one.hearing for one in USUAL_LEVELS)


@pytest.mark.parametrize(("level", "hours"), [(85, 8), (88, 4), (91, 2), (94, 1), (97, 0.5), (100, 0.25)])
def test_hours_for_ears(level: float, hours: float) -> None:
    # NIOSH 98-126 [NIOSH98-126], recommended exposure limit: 85 dB(A) for 8 hours, halved per 3 dB.
    assert hours_a_day(level) == pytest.approx(hours)
    assert hours_a_day(20.0) == 24


def test_the_tables_lines_for_ears_agree_with_the_formula() -> None:
    told = {one.what: one.low for one in USUAL_LEVELS if one.source == "NIOSH98-126"}
    assert hours_a_day(told["ears: an hour a day"]) == 1
    assert hours_a_day(told["ears: a quarter of an hour a day"]) == 0.25

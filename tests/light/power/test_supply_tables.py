"""The limited and the unlimited table of one costume."""

from __future__ import annotations

import pytest

from envlab.errors import ParameterError
from envlab.light.curve import CountMap
from envlab.light.pixels import Pixels, Supply
from envlab.light.power.supply_tables import (
    build_supply_octave_tables,
    build_supply_tables,
    explain_duty_limit,
)

YOKE_MAP = CountMap(10.0, 800.0)


def test_both_tables_of_the_yoke():
    pair = build_supply_tables(YOKE_MAP, Pixels(), Supply(), adc_bits=10)
    # (3 − 0.024)/10.8 = 0.2756 by hand.
    assert pair.limited.duty_limit == pytest.approx(2.976 / 10.8)
    assert pair.unlimited.duty_limit == 1.0
    assert pair.unlimited.duty[-1] == 1.0
    assert pair.limited.name == "brightness"
    assert pair.unlimited.name == "brightness_full"
    assert pair.limited.notes == (pair.words,)


def test_octave_tables_have_the_same_caps():
    pair = build_supply_octave_tables(YOKE_MAP, Pixels(), Supply(), adc_bits=10, bits=12)
    assert pair.limited.duty_codes[-1] == int(4095 * 2.976 / 10.8)
    assert pair.unlimited.duty_codes[-1] == 4095
    assert pair.limited.index == "octave"


def test_words_say_which_fits_which_animation():
    words = explain_duty_limit(Pixels(), Supply())
    assert "10.8 A" in words
    assert "3 A" in words
    assert "0.276" in words
    assert "up to 6 whole pixels" in words
    assert "limiter" in words


def test_words_when_nothing_is_held_back():
    assert "both tables are the same" in explain_duty_limit(Pixels(count=4), Supply())


def test_supply_below_idle_is_refused():
    with pytest.raises(ParameterError, match="idle current"):
        build_supply_tables(YOKE_MAP, Pixels(count=4000), Supply(), adc_bits=10)

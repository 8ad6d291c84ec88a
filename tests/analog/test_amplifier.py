"""Amplifiers by class and data sheet."""

from __future__ import annotations

from dataclasses import asdict

import pytest

from envlab.analog.amplifier import AMPLIFIER_CLASSES, AMPLIFIER_VALUES, Amplifier, amplifier_of
from envlab.errors import ParameterError

KNOWN = asdict(AMPLIFIER_CLASSES["rail_to_rail"])


def test_what_is_stated_goes_before_the_class():
    own = amplifier_of("rail_to_rail", {"slew_v_per_s": 1e6, "output_low_v": None})
    assert asdict(own) == KNOWN | {"slew_v_per_s": 1e6}


def test_a_whole_data_sheet_is_that_amplifier():
    assert amplifier_of("data_sheet", KNOWN) == AMPLIFIER_CLASSES["rail_to_rail"]


@pytest.mark.parametrize("name", AMPLIFIER_VALUES)
def test_a_data_sheet_with_a_gap_says_which_and_what_would_do(name):
    gap = {key: value for key, value in KNOWN.items() if key != name}
    with pytest.raises(ParameterError) as told:
        amplifier_of("data_sheet", gap)
    assert str(told.value).startswith(f'{name} is None; it must be given for amplifier "data_sheet"')
    assert "rail_to_rail" in str(told.value)


def test_each_value_has_its_limit():
    for name in AMPLIFIER_VALUES:
        for beyond in (-1.0, 1e12):
            with pytest.raises(ParameterError, match=rf"^{name} is .*; it must be from "):
                Amplifier(**KNOWN | {name: beyond})


def test_a_class_that_does_not_exist():
    with pytest.raises(ParameterError, match=r"^amplifier is 'golden'; it must be one of rail_to_rail, "):
        amplifier_of("golden", {})


def test_a_lowest_output_that_sinks_lies_higher():
    # Ohm's law: 15 mV and 20 µA through 100 Ω
    assert AMPLIFIER_CLASSES["rail_to_rail"].lowest_v(20e-6) == pytest.approx(0.017)

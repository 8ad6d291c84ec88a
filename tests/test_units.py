"""Letter codes, units and decibels against IEC 60062 as publicly transcribed and by hand."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from envlab.errors import ParameterError
from envlab.units import (
    NO_BREAK,
    db,
    format_value,
    from_db,
    keep_together,
    level_db_spl,
    parse_value,
    pressure_rms_pa,
    value_of_key,
)

# IEC 60062, resistance codes, as transcribed in the public article "RKM code": R47 … 4M7.
RESISTANCES = [
    ("R47", 0.47),
    ("4R7", 4.7),
    ("470R", 470.0),
    ("4K7", 4.7e3),
    ("47K", 47e3),
    ("47K3", 47.3e3),
    ("470K", 470e3),
    ("4M7", 4.7e6),
]
# IEC 60062, capacitance: the letters p n µ m stand for the decimal point in the same way; values from memory.
CAPACITANCES = [
    ("p47", 0.47e-12),
    ("4p7", 4.7e-12),
    ("33p2", 33.2e-12),
    ("4n7", 4.7e-9),
    ("1u0", 1e-6),
    ("2m2", 2.2e-3),
]


@pytest.mark.parametrize(("code", "ohm"), RESISTANCES)
def test_reads_resistance_codes(code, ohm):
    assert parse_value(code, "ohm") == ohm


@pytest.mark.parametrize(("code", "farad"), CAPACITANCES)
def test_reads_capacitance_codes(code, farad):
    assert parse_value(code, "F") == farad


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("4k7", "ohm", 4700.0),
        ("2M2", "ohm", 2.2e6),
        ("0R1", "ohm", 0.1),
        (" 47 kΩ ", "ohm", 47e3),
        ("47 k\u2126", "ohm", 47e3),  # the Ohm sign of older character sets
        ("4.7k", "ohm", 4700.0),
        ("1e3", "ohm", 1000.0),
        ("100 nF", "F", 1e-7),
        ("2.2 uF", "F", 2.2e-6),
        ("2.2µF", "F", 2.2e-6),  # micro sign
        ("2.2μF", "F", 2.2e-6),  # Greek mu
        ("20 kHz", "Hz", 20e3),
        ("20m", "s", 0.02),
        ("150 mA", "A", 0.15),
        ("-5 mV", "V", -5e-3),
        (47, "ohm", 47.0),
        (4.7e-8, "F", 4.7e-8),
    ],
)
def test_reads_values_as_written(text, unit, value):
    assert parse_value(text, unit) == value


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("100n F", "ohm"),
        ("4R7", "F"),
        ("47 V", "ohm"),
        ("5 Hz", "s"),
        ("47 kHz", "ohm"),
        ("4,7k", "ohm"),
        ("4k7k", "ohm"),
        ("4.7k3", "ohm"),
        ("1e3k3", "ohm"),
        ("47 Mohms!", "ohm"),
        ("k", "ohm"),
        ("", "ohm"),
        ("ten", "ohm"),
        ("nan", "ohm"),
        ("1e999", "ohm"),
        (True, "ohm"),
        (None, "ohm"),
        ([4700], "ohm"),
        pytest.param(10**400, "ohm", id="more than a float holds"),
        (math.nan, "ohm"),
        (-math.inf, "ohm"),
    ],
)
def test_refuses_what_is_no_value_in_that_unit(text, unit):
    with pytest.raises(ParameterError, match=r"^attack_ohm is .*; it must be a value in ") as caught:
        parse_value(text, unit, name="attack_ohm")
    assert "\n" not in str(caught.value)


def test_mega_and_milli_differ():
    assert parse_value("5M", "ohm") == 5e6
    assert parse_value("5m", "ohm") == 5e-3


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (4700.0, "ohm", "4k7"),
        (0.47, "ohm", "R47"),
        (4.7, "ohm", "4R7"),
        (470.0, "ohm", "470R"),
        (47e3, "ohm", "47k"),
        (2.2e6, "ohm", "2M2"),
        (999.9, "ohm", "1k"),  # three digits round up into the next letter
        (0.0, "ohm", "0"),
        (1e-7, "F", "100n"),
        (4.7e-9, "F", "4n7"),
        (2.2e-6, "F", "2u2"),
        (0.47e-12, "F", "p47"),
        (22e3, "Hz", "22 kHz"),
        (0.02, "s", "20 ms"),
        (-4700.0, "ohm", "-4k7"),
    ],
)
def test_writes_values_as_the_trade_does(value, unit, text):
    assert format_value(value, unit) == text


@given(
    st.sampled_from(["ohm", "F", "Hz", "V", "A", "s"]),
    st.floats(1e-14, 1e13) | st.floats(1e-14, 1e13).map(lambda x: -x),
)
def test_what_was_written_reads_back_to_three_digits(unit, value):
    assert parse_value(format_value(value, unit), unit) == float(f"{value:.3g}")


def test_decibel_by_hand():
    assert db(10.0) == pytest.approx(20.0, abs=1e-12)
    assert db(2.0) == pytest.approx(6.0206, abs=5e-5)  # 20 lg 2
    assert db(0.0) == -math.inf
    assert from_db(6.0) == pytest.approx(1.99526, abs=5e-6)  # 10^0.3


def test_94_db_spl_is_one_pascal_nearly():
    # 20 µPa · 10^(94/20) = 1.00237 Pa; 20 lg(1/20e-6) = 93.979 dB (ISO 1683's reference value, by hand).
    assert pressure_rms_pa(94.0) == pytest.approx(1.00237, abs=5e-6)
    assert level_db_spl(1.0) == pytest.approx(93.9794, abs=5e-5)


@given(st.floats(-40, 190))
def test_level_and_pressure_are_inverse(level):
    assert level_db_spl(pressure_rms_pa(level)) == pytest.approx(level, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "held"),
    [
        ("at most 8 L* (9.78 L*)", "at most 8~L* (9.78~L*)"),
        ("within 14 ms, by +3 dB, at 72 dB SPL", "within 14~ms, by +3~dB, at 72~dB~SPL"),
        ("the worst 4 in 1 s of 60 s.", "the worst 4~in 1~s of 60~s."),
        ("R4 (attack) = 4k7, R5 = 220k", "R4~(attack)~=~4k7, R5~=~220k"),
        ("5.8 / 7 %; −10 to 20 °C", "5.8 / 7~%; −10 to 20~°C"),
        ("in 19 of 20 such orders, 3 voices, 2 settled", "in 19 of 20 such orders, 3 voices, 2 settled"),
    ],
)
def test_no_line_ends_between_a_number_and_its_unit(text, held):
    assert keep_together(text).replace(NO_BREAK, "~") == held


@pytest.mark.parametrize(
    ("key", "value", "text"),
    [
        ("detector.attack_ohm", 4700.0, "4k7"),
        ("hold_farad", 2.2e-7, "220n"),
        ("rectifier.kind", "full", "full"),
        ("brightness.floor_db_spl", 66.0, "66"),
        ("follower.attack_s", 0.02, "20 ms"),
        ("adc.rate_hz", 1000.0, "1 kHz"),
    ],
)
def test_a_key_names_the_unit_of_its_value(key, value, text):
    assert value_of_key(key, value) == text

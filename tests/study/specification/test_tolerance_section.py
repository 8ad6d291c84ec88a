"""Section [tolerance] of a design file."""

from __future__ import annotations

import pytest

from envlab.errors import FileError
from envlab.study.specification.specification import demo_specification, read_specification
from envlab.study.tolerance.tolerances import Tolerances

CLIP = '[[clips]]\nfile = "beat.wav"\nlevels_db_spl = [80]\n'


def test_the_section_is_read_whole(write_design):
    section = """
[tolerance]
resistor_percent = 2
capacitor_percent = 10
parts_percent = { C3 = 5, R5 = 1 }
microphone_db = 1
offset_v = "3m"
reference_percent = 0.5
temperature_c = [-10, 30]
supply_v = ["3.2", 3.4]
shape = "normal"
boards = 250
seed = 9
deviations = { "adc.offset_lsb" = 3 }
"""
    assert read_specification(write_design(CLIP + section)).tolerance == Tolerances(
        2.0,
        10.0,
        {"C3": 5.0, "R5": 1.0},
        1.0,
        0.003,
        0.5,
        (-10.0, 30.0),
        (3.2, 3.4),
        "normal",
        250,
        9,
        {"adc.offset_lsb": 3.0},
    )


def test_without_it_the_usual_spread_is_meant(write_design):
    assert read_specification(write_design(CLIP)).tolerance == Tolerances()
    assert demo_specification().tolerance.temperature_c == (-10, 20)


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("resistor_percent = -5", "resistor_percent is -5.0; it must be from 0 to 50 %"),
        ("boards = 0", "boards is 0; it must be a whole number from 1 to 100000"),
        ("boards = 1.5", "boards is 1.5; it must be a whole number"),
        ("borads = 5", "unknown key 'borads'; did you mean 'boards'?"),
        ("temperature_c = [20, -10]", "temperature_c is [20.0, -10.0]; it must be the low value first"),
        ("temperature_c = 20", "temperature_c is 20; it must be two numbers, [low, high]"),
        ("supply_v = [3.2]", "supply_v is [3.2]; it must be two numbers, [low, high]"),
        ('supply_v = ["a", 3]', "supply_v is 'a'"),
        ('shape = "square"', "shape is 'square'; it must be one of uniform, normal"),
        ("parts_percent = 5", "parts_percent is 5; it must be as in { C3 = 10, R5 = 1 }"),
        ("parts_percent = { C9 = 5 }", "parts_percent is 'C9'; it must be one of this board's parts: C1"),
        ('parts_percent = { C3 = "x" }', "parts_percent C3 is 'x'; it must be a number"),
        ("microphone_db = true", "microphone_db is True; it must be a number"),
    ],
)
def test_what_cannot_be_is_one_line_that_names_file_and_section(write_design, line, told):
    with pytest.raises(FileError) as problem:
        read_specification(write_design(f"{CLIP}[tolerance]\n{line}\n"))
    assert str(problem.value).startswith("mine.toml: [tolerance] ")
    assert told in str(problem.value)
    assert "\n" not in str(problem.value)


def test_a_section_of_the_wrong_kind(write_design):
    with pytest.raises(FileError, match=r"\[tolerance\] is 5; it must be a section with keys"):
        read_specification(write_design("tolerance = 5\n" + CLIP))

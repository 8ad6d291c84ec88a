"""What a buyer is asked for against what boards are drawn with: one value."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from envlab.analog.adc import Adc
from envlab.analog.parts import PartRange
from envlab.chain import Chain
from envlab.study.specification.specification import Specification, demo_specification
from envlab.study.tolerance.drawn_boards import board_of, draw
from envlab.study.tolerance.judged_parts import asked_offset_v, judged_parts
from envlab.study.tolerance.tolerances import Tolerances, varied_parameters

BOARD = Chain()


def parts(chain: Chain = BOARD, **tolerances):
    asked = Specification(chain, tolerance=Tolerances(**tolerances))
    return {part.reference: part for part in judged_parts(asked)}


def offset_mv(text: str) -> float:
    found = re.search(r"offset ≤ ([\d.]+) mV", text)
    assert found is not None
    return float(found[1])


@pytest.mark.parametrize("demo", ["lantern-parade", "garden-moon"])
def test_every_part_that_is_bought_as_asked_is_within_what_the_demos_boards_are_drawn_with(demo):
    asked = demo_specification(demo)
    drawn = {one.name: one for one in varied_parameters(asked.chain, asked.tolerance, asked.ranges)}
    listed = {part.reference: part for part in judged_parts(asked)}
    most_v, own_v = drawn["input_offset_v"].high, asked.chain.preamp.input_offset_v
    for sign in (-1, 1):
        assert own_v - most_v <= sign * 1e-3 * offset_mv(listed["U1"].specification) <= own_v + most_v
    for part in listed.values():
        if part.key and f"{part.reference}_percent" in drawn:
            assert part.tolerance_percent == drawn[f"{part.reference}_percent"].high
    assert f"±{drawn['microphone_db'].high:g} dB or less" in listed["MK1"].specification
    for name in ("adc_offset_lsb", "adc_gain_error_percent", "adc_bow_lsb", "supply_v"):
        assert drawn[name].range_text in listed["U9"].specification


def test_drawn_boards_reach_both_ends_of_the_offset_that_is_asked_for():
    """Of 400 boards some lie within a tenth of either end, or beyond it."""
    asked = Specification(BOARD, tolerance=Tolerances(offset_v=0.003, boards=400))
    parameters = varied_parameters(BOARD, asked.tolerance)
    values = draw(parameters, 400, 1)
    found = [board_of(BOARD, parameters, row).preamp.input_offset_v for row in values]
    limit_v = 1e-3 * offset_mv(parts(offset_v=0.003)["U1"].specification)
    assert limit_v == pytest.approx(0.0025)
    assert min(found) < -0.9 * limit_v
    assert max(found) > 0.9 * limit_v


def test_a_tolerance_that_the_design_file_states_is_the_one_that_is_asked_for():
    """Of the hold capacitor: ±20 % as usual, ±10 % if the file says so for all, ±5 % for this one."""
    assert parts()["C3"].tolerance_percent == 20
    assert parts(capacitor_percent=10)["C3"].tolerance_percent == 10
    assert parts(capacitor_percent=10, parts_percent={"C3": 5})["C3"].tolerance_percent == 5
    assert parts(capacitor_percent=10, parts_percent={"C3": 5})["C2"].tolerance_percent == 10
    ranges = {"detector.hold_farad": PartRange("E6", 1e-6, 2.2e-6, 2.0)}
    swept = {part.reference: part for part in judged_parts(Specification(BOARD, ranges=ranges))}
    assert swept["C3"].tolerance_percent == 2


def test_a_part_that_is_judged_as_exact_keeps_its_usual_tolerance_for_none_is():
    exact = parts(parts_percent={"C3": 0}, microphone_db=0, offset_v=0)
    assert exact["C3"].tolerance_percent == 20
    assert "dB or less" not in exact["MK1"].specification
    assert offset_mv(exact["U1"].specification) == 0.5


def test_the_converter_is_asked_for_what_the_yield_rests_on():
    adc = replace(BOARD.adc, noise_lsb=0.7, dead_low_v=0.1, dead_high_v=0.2, reference_v=2.5)
    asked = parts(replace(BOARD, adc=adc), deviations={"adc.bow_lsb": 7}, reference_percent=0.4)["U9"]
    for said in ("noise ≤ 0.7 LSB", "tells 0.1 to 2.3 V apart", "ADC bow ±7 LSB", "ADC reference ±0.4 %"):
        assert said in asked.specification
    # A reference that is the supply has no range of its own; without dead zones nothing is said of them.
    plain = parts()["U9"].specification
    assert BOARD.adc == Adc()
    assert "ADC reference" not in plain
    assert "apart" not in plain


@pytest.mark.parametrize(
    ("own_v", "drawn_v", "limit_v"),
    [
        (0.0, 0.002, 0.002),
        (0.0005, 0.002, 0.0015),
        (-0.0005, 0.002, 0.0015),
        (0.004, 0.001, 0.004),
        (0.002, 0.002, 0.002),
    ],
)
def test_both_signs_of_the_offset_that_is_asked_for_were_judged(own_v, drawn_v, limit_v):
    assert asked_offset_v(own_v, drawn_v) == pytest.approx(limit_v)

"""What a design states of its diodes is what their circuits get, whatever the topology."""

from dataclasses import replace

import pytest

from envlab.analog.diodes.diode import DIODE_CLASSES, DIODE_VALUES
from envlab.analog.rectifiers.absolute_value import AbsoluteValue
from envlab.analog.rectifiers.bias_superdiodes import BiasSuperdiodes
from envlab.analog.rectifiers.difference_superdiodes import DifferenceSuperdiodes
from envlab.analog.rectifiers.diodeless import Diodeless
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.rectifiers.pumps import Bridge, VoltageDoubler
from envlab.errors import ParameterError

STATED = {
    "saturation_a": 3e-9,
    "emission": 1.31,
    "series_ohm": 17.0,
    "bandgap_ev": 0.91,
    "leakage_ohm": 5e7,
}
RECTIFIERS = (
    Rectifier("half", diode="silicon"),
    AbsoluteValue(0.15),
    BiasSuperdiodes(),
    DifferenceSuperdiodes(),
    Diodeless(),
    VoltageDoubler(),
    Bridge(),
)


def named(rectifier):
    return type(rectifier).__name__


@pytest.mark.parametrize("rectifier", RECTIFIERS, ids=named)
def test_each_value_that_is_stated_counts_and_no_other(rectifier):
    silicon = replace(rectifier, diode="silicon", temperature_c=40.0)
    assert set(STATED) == set(DIODE_VALUES)
    assert silicon.diode_part == replace(DIODE_CLASSES["silicon"], temperature_c=40.0)
    for name, value in STATED.items():
        stated = replace(silicon, **{name: value})
        assert stated.diode_part == replace(silicon.diode_part, **{name: value})


@pytest.mark.parametrize("rectifier", RECTIFIERS[1:], ids=named)
@pytest.mark.parametrize(
    ("name", "value"),
    [("reference_node_v", 31.0), ("temperature_c", 126.0), ("diode", "wood"), ("saturation_a", -1.0)],
)
def test_what_lies_outside_its_range_is_named(rectifier, name, value):
    with pytest.raises(ParameterError, match=name):
        replace(rectifier, **{name: value})


@pytest.mark.parametrize("rectifier", RECTIFIERS[1:], ids=named)
def test_the_cold_moves_the_drop_of_every_one(rectifier):
    assert rectifier.moved_at(-10.0)
    assert rectifier.kind == "full"
    assert not rectifier.scales_with_level

"""Cold and a sagging supply move the parts that they move on the bench, and only those."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from envlab.analog.electret import Electret
from envlab.analog.hold_capacitor import HoldCapacitor
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.errors import ParameterError
from envlab.study.tolerance.operating_conditions import moved_parts, under_conditions


def test_cold_takes_counts_from_a_silicon_diode_and_none_from_a_precision_rectifier():
    silicon = Chain(rectifier=Rectifier("half", diode="silicon"))
    cold = under_conditions(silicon, temperature_c=-20.0)
    # 45 K of 1-3 mV/K: 45 to 135 mV less at the detector, in counts of 3.22 mV
    lost_v = (silicon.counts_at(104) - cold.counts_at(104)) * silicon.adc.lsb_v
    assert 0.045 < lost_v < 0.135
    assert under_conditions(Chain(), temperature_c=-20.0).counts_at(104) == Chain().counts_at(104)


def test_cold_takes_capacitance():
    chain = Chain(hold_capacitor=HoldCapacitor("y5v", working_v=0.0))
    ratio = under_conditions(chain, temperature_c=-20.0).detector_as_built.hold_farad / 1e-6
    assert ratio == pytest.approx(0.45)


def test_a_sagging_supply_takes_swing_and_moves_the_bias():
    sagged = under_conditions(Chain(), supply_v=2.7)
    assert sagged.preamp.bias_v == pytest.approx(1.35)
    assert sagged.preamp.swing_up_v == pytest.approx(1.3)
    assert sagged.adc.reference_v == 2.7
    assert under_conditions(Chain(), supply_v=2.7, ratiometric=False).adc.reference_v == 3.3
    assert under_conditions(Chain()) == Chain()


def test_a_reference_node_that_hangs_on_the_bias_moves_with_it():
    # Half of the supply, read by a converter whose reference is the supply: half scale at any supply.
    hung = Chain(rectifier=Rectifier(reference_node_v=1.65))
    assert hung.quiescent_counts == 512
    assert under_conditions(hung, supply_v=2.7).quiescent_counts == 512
    # A reference node on a voltage of its own stays where it is: 0.4 V / (2.7 V / 1024) = 151.7.
    assert (
        under_conditions(Chain(rectifier=Rectifier(reference_node_v=0.4)), supply_v=2.7).quiescent_counts
        == 151
    )


def test_a_supply_without_a_temperature_leaves_each_part_as_warm_as_it_is():
    chain = Chain(rectifier=Rectifier("half", diode="silicon", temperature_c=0.0))
    sagged = under_conditions(chain, temperature_c=None, supply_v=3.0)
    assert sagged.rectifier == chain.rectifier
    assert sagged.hold_capacitor == chain.hold_capacitor


def test_a_drain_can_starve_of_sag():
    chain = replace(Chain(), microphone=Electret(load_ohm=6.8e3))
    with pytest.raises(ParameterError, match="starves the drain"):
        under_conditions(chain, supply_v=2.7)


def test_what_the_cold_does_to_parts_is_said_only_of_parts_that_feel_it():
    assert moved_parts(Chain(), -20.0) == ()
    # 45 K below 25 °C takes 8 % of an X7R capacitor's value (CAPACITOR_CLASSES), and 0.1 mA through a silicon
    # diode drops 1 to 3 mV more for each kelvin: 45 to 135 mV.
    both = Chain(hold_capacitor=HoldCapacitor("x7r"), rectifier=Rectifier("half", diode="silicon"))
    of_diode, of_capacitor = moved_parts(both, -20.0)
    assert of_capacitor == "the hold capacitor has 8 % less capacitance"
    dropped = re.fullmatch(r"each diode drops ([\d.]+) mV more at 0.1 mA", of_diode)
    assert dropped is not None
    assert 45 < float(dropped[1]) < 135
    assert moved_parts(both, 25.0) == ()
    assert "less at" in moved_parts(both, 45.0)[0]


def test_boards_are_judged_from_40_below_to_60_above_zero():
    for temperature_c in (-40.0, 60.0):
        assert (
            under_conditions(Chain(), temperature_c=temperature_c).hold_capacitor.temperature_c
            == temperature_c
        )
    for temperature_c in (-40.01, 60.01):
        with pytest.raises(ParameterError, match="temperature_c"):
            under_conditions(Chain(), temperature_c=temperature_c)

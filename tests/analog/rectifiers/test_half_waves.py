"""What topologies with amplifiers make of each half wave, by Kirchhoff's laws; and what they refuse."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from envlab.analog.detector import AverageDetector, PeakDetector, drawing
from envlab.analog.rectifiers.absolute_value import AbsoluteValue
from envlab.analog.rectifiers.active import difference, lowest_output_v
from envlab.analog.rectifiers.bias_superdiodes import BiasSuperdiodes
from envlab.analog.rectifiers.difference_superdiodes import DifferenceSuperdiodes
from envlab.analog.rectifiers.diodeless import Diodeless
from envlab.analog.rectifiers.half_wave_circuit import both_ways, held_at_rest, made_at_rest
from envlab.analog.rectifiers.requirements import must_only_source, requirements
from envlab.chain import Chain
from envlab.errors import ParameterError

BIAS_V, SUPPLY_V = 1.65, 3.3
# An amplifier that the formulas of its resistors describe alone: it comes to ground and to the supply.
PERFECT = {"output_low_v": 0.0, "output_low_ohm": 0.0, "output_high_v": 0.0, "input_high_v": 0.0}


def nodal(conductances, sources) -> np.ndarray:
    """Unknown voltages of a resistor network: G·v = i, Kirchhoff's current law at each node."""
    return np.linalg.solve(np.array(conductances), np.array(sources))


def difference_by_nodes(plus_v, minus_v, node_v, ohms, offset_v=0.0) -> float:
    """Output of a difference stage, V against ground, an ideal amplifier between its four resistors."""
    to_plus, to_node, to_minus, back = ohms
    (at_plus_v,) = nodal([[1 / to_plus + 1 / to_node]], [plus_v / to_plus + node_v / to_node])
    at_minus_v = at_plus_v + offset_v
    # Current law at the − input; the output is the unknown.
    (out_v,) = nodal([[1 / back]], [at_minus_v * (1 / to_minus + 1 / back) - minus_v / to_minus])
    return float(out_v)


@pytest.mark.parametrize("node_v", [0.0, 0.15, 0.8])
def test_difference_stages_with_resistors_that_do_not_match(node_v):
    ohms = {
        "upper_source_ohm": 47.4e3, "upper_reference_ohm": 46.6e3, "upper_bias_ohm": 47.1e3,
        "upper_feedback_ohm": 46.9e3, "lower_bias_ohm": 46.7e3, "lower_reference_ohm": 47.3e3,
        "lower_source_ohm": 47.2e3, "lower_feedback_ohm": 46.8e3,
    }  # fmt: skip
    rectifier = DifferenceSuperdiodes(
        node_v, **ohms, **PERFECT, offset_u2a_v=1e-3, offset_u2b_v=-2e-3, offset_u2c_v=0.5e-3
    )
    built, (upper, lower) = rectifier.as_built(BIAS_V, SUPPLY_V), np.split(np.array(list(ohms.values())), 2)
    for x in (0.4, -0.3):
        up_v = difference_by_nodes(BIAS_V + x, BIAS_V, node_v, upper, 1e-3) - node_v + 0.5e-3
        down_v = difference_by_nodes(BIAS_V, BIAS_V + x, node_v, lower, -2e-3) - node_v
        expected = max(up_v, down_v, built.upper.pedestal_v)
        assert built.rectified_v(np.array([x]))[0] == pytest.approx(expected, abs=1e-12)


def test_two_per_cent_of_the_bias_come_through_at_worst():
    """A difference stage of 1 % resistors: 1.65 V × up to 2 % (application notes, from memory; 33 mV)."""
    worst = difference(47e3 * 1.01, 47e3 * 0.99, 47e3 * 0.99, 47e3 * 1.01)
    assert worst.common_v(1.65) == pytest.approx(-0.033, rel=0.02)


def test_absolute_value_by_nodes():
    ohms = {"half_input_ohm": 20.2e3, "half_feedback_ohm": 19.9e3, "sum_signal_ohm": 20.1e3}
    ohms |= {"sum_half_ohm": 9.95e3, "sum_feedback_ohm": 19.8e3}
    rectifier = AbsoluteValue(0.15, **ohms, **PERFECT, offset_u2a_v=1e-3, offset_u2b_v=2e-3)
    built = rectifier.as_built(BIAS_V, SUPPLY_V)
    into, back, signal, half, feedback = ohms.values()
    for x in (0.3, -0.3):
        # The half wave round the bias: −x·R21/R20 and (1 + R21/R20)·offset; below zero the offset alone.
        virtual_v = 1e-3
        half_v = virtual_v + (virtual_v - x) * back / into if x > 0 else virtual_v
        sum_v = 2e-3 + feedback * ((2e-3 - x) / signal + (2e-3 - half_v) / half)
        shifted_v = difference_by_nodes(BIAS_V + sum_v, BIAS_V, 0.15, (47e3,) * 4) - 0.15
        assert built.rectified_v(np.array([x]))[0] == pytest.approx(shifted_v, abs=2e-6)


def test_diodeless_by_nodes():
    rectifier = Diodeless(sum_input_ohm=101e3, sum_feedback_ohm=99e3, offset_u2a_v=1e-3, offset_u2b_v=-2e-3)
    built = rectifier.as_built(BIAS_V, SUPPLY_V)
    for x in (0.2, -0.2):
        half_v = max(x + 1e-3, 0.015)
        at_minus_v = half_v - 2e-3
        expected = at_minus_v + (at_minus_v - x) * 99e3 / 101e3
        assert built.rectified_v(np.array([x]))[0] == pytest.approx(expected, abs=1e-12)


def test_on_the_bias_by_nodes():
    rectifier = BiasSuperdiodes(
        inverter_input_ohm=46.5e3, inverter_feedback_ohm=47.5e3, offset_u2a_v=1e-3, offset_u2c_v=2e-3
    )
    built = rectifier.as_built(BIAS_V, SUPPLY_V)
    inverted = 1e-3 + (1e-3 + 0.2) * 47.5 / 46.5 + 2e-3
    assert built.rectified_v(np.array([-0.2]))[0] == pytest.approx(inverted, abs=1e-12)
    assert built.rectified_v(np.array([0.2]))[0] == pytest.approx(0.2, abs=1e-12)


def test_the_lowest_output_lies_where_the_network_feeds_it():
    # 1.65 V through 94 kΩ into 15 mV behind 100 Ω
    part = DifferenceSuperdiodes().amplifier_part
    (expected,) = nodal([[1 / 94e3 + 1 / 100.0]], [1.65 / 94e3 + 0.015 / 100.0])
    assert lowest_output_v(part, 1.65, 94e3) == pytest.approx(expected, rel=1e-12)


def test_offsets_drift_with_temperature():
    warm = DifferenceSuperdiodes(0.15, temperature_c=45.0, offset_drift_v_per_k=10e-6)
    cold = replace(warm, temperature_c=5.0)
    # 40 K of 10 µV/K, twice in the difference stage and once more in its super-diode
    apart = warm.as_built(BIAS_V, SUPPLY_V).upper.error_v - cold.as_built(BIAS_V, SUPPLY_V).upper.error_v
    assert apart == pytest.approx(3 * 40 * 10e-6, rel=1e-9)


REFUSED = {
    "node below the lowest output": (
        DifferenceSuperdiodes(0.01),
        "reference_node_v is 0.01; it must be 0, which is ground, or at least output_low_v (0.015 V): its"
        " follower comes no lower",
    ),
    "off the bias": (
        BiasSuperdiodes(1.0),
        "reference_node_v is 1.0; it must be the preamp's bias_v (1.65 V), on which bias_superdiodes stands",
    ),
    "no headroom": (
        BiasSuperdiodes(amplifier="single_supply"),
        "supply_v is 3.3; it must be at least 3.52 V for bias_superdiodes: reference_node_v 1.65 V, drop of"
        " the diode and output_high_v 1.5 V; or an amplifier that goes nearer to it",
    ),
    "inputs do not reach ground": (
        DifferenceSuperdiodes(amplifier="general_purpose"),
        "input_low_v is 1.5; it must be at most 0 V, where the reference node lies: take an amplifier whose"
        " input reaches it",
    ),
    "inputs do not reach the bias": (
        AbsoluteValue(0.15, input_high_v=1.8),
        "input_high_v is 1.8; it must be at most 1.65 V below the supply of 3.3 V, as the bias is at 1.65 V:"
        " take an amplifier whose input reaches it",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_work_on_this_board_is_one_line_with_what_would(case):
    rectifier, expected = REFUSED[case]
    with pytest.raises(ParameterError) as told:
        Chain(rectifier=rectifier)
    assert str(told.value) == expected


def test_diodeless_stops_at_ground_and_nowhere_else():
    with pytest.raises(ParameterError, match=r"^reference_node_v is 0.15; it must be 0: diodeless stops at"):
        Diodeless(0.15)


@pytest.mark.parametrize(
    "rectifier", [DifferenceSuperdiodes(), AbsoluteValue(), Diodeless(), BiasSuperdiodes()]
)
def test_who_only_gives_drives_no_average(rectifier):
    with pytest.raises(ParameterError, match=r"^detector is 'average'; it must be a peak detector behind "):
        Chain(rectifier=rectifier, detector=AverageDetector(10e3, 1e-6))


def test_an_output_that_can_sink_empties_the_capacitor_through_the_attack_resistor():
    """Nodal solution, measured: 4.7 ms in the place of 220; the time constant is the attack's."""
    detector = PeakDetector(4.7e3, 1e-6, 220e3)
    blocked, sinking = (
        Chain(rectifier=AbsoluteValue(0.15, blocking=how), detector=detector).tone_response()
        for how in ("super_diode", "none")
    )
    # e-fold times out of the fall to a tenth: ln 10 of them
    assert blocked.release_s / np.log(10) == pytest.approx(0.22, rel=0.05)
    assert sinking.release_s / np.log(10) == pytest.approx(4.7e-3, rel=0.05)
    # And as an average detector it is 2/π of the peak (rectified sine), less what the release divides off.
    assert sinking.settled_ratio == pytest.approx(2 / np.pi * 220 / 224.7, rel=5e-3)


@pytest.mark.parametrize(("kind", "last"), [(Diodeless, "u2c"), (AbsoluteValue, "u2d")])
def test_an_amplifier_that_is_left_out_has_no_say(kind, last):
    """Neither its offset nor, behind the circuit without diodes, how high its input goes."""
    for blocking, moved_v in (("super_diode", 5e-3), ("none", 0.0)):
        plain = kind(blocking=blocking).as_built(BIAS_V, SUPPLY_V)
        off = kind(blocking=blocking, **{f"offset_{last}_v": 5e-3}).as_built(BIAS_V, SUPPLY_V)
        assert off.upper.error_v - plain.upper.error_v == pytest.approx(moved_v, abs=1e-15)
    # The sum's output comes to 15 mV of the supply; the super-diode behind it would only follow to 2.1 V.
    for blocking, ceiling_v in (("super_diode", 2.1), ("none", 3.285)):
        narrow = Diodeless(blocking=blocking, input_high_v=1.2).as_built(BIAS_V, SUPPLY_V)
        assert narrow.upper.ceiling_v == pytest.approx(ceiling_v)


def asked_of(rectifier, **more):
    values = {"bias_v": BIAS_V, "supply_v": SUPPLY_V, "least_peak_v": 0.0103, "most_peak_v": 1.0} | more
    return {one.quantity: one for one in requirements(rectifier, **values)}


def test_what_is_asked_of_the_amplifiers():
    """On ground the floor of 10.3 mV cannot be reached; lifted and with 3 MHz it can (nodal solution)."""
    ground, lifted = asked_of(DifferenceSuperdiodes()), asked_of(DifferenceSuperdiodes(0.15))
    assert [name for name, one in ground.items() if not one.is_met] == ["output_low_v"]
    assert all(one.is_met for one in lifted.values())
    slow = asked_of(DifferenceSuperdiodes(0.15, gain_bandwidth_hz=0.3e6))
    assert [name for name, one in slow.items() if not one.is_met] == ["gain_bandwidth_hz"]
    assert asked_of(BiasSuperdiodes())["gain_bandwidth_hz"].needed == pytest.approx(3e6, rel=0.2)
    assert not asked_of(DifferenceSuperdiodes(0.15, offset_v=5e-3))["offset_v"].is_met
    assert asked_of(DifferenceSuperdiodes(0.15))["offset_v"].needed == pytest.approx(2e-3, rel=0.05)
    assert not asked_of(DifferenceSuperdiodes(0.15), most_peak_v=2.9)["output_high_v"].is_met
    assert not asked_of(Diodeless())["input_low_v"].is_met
    assert asked_of(Diodeless())["input_low_v"].needed == pytest.approx(-1.0)
    assert not asked_of(DifferenceSuperdiodes(0.15, slew_v_per_s=5e4))["slew_v_per_s"].is_met


def test_who_must_only_source():
    assert must_only_source(DifferenceSuperdiodes()) == "U2C and U2D"
    assert must_only_source(AbsoluteValue()) == "U2D"
    assert must_only_source(BiasSuperdiodes()) == "U2B and U2C"


def test_inputs_on_the_attack_resistor_draw_their_bias_current():
    # Two super-diodes have two inputs there, one has one; 20 nA through 220k are 4.4 mV each (Ohm's law).
    own = {"bias_current_a": 20e-9}
    assert DifferenceSuperdiodes(0.15, **own).as_built(BIAS_V, SUPPLY_V).drawn_a == pytest.approx(40e-9)
    assert AbsoluteValue(0.15, **own).as_built(BIAS_V, SUPPLY_V).drawn_a == pytest.approx(20e-9)


def test_both_returns_divide_where_the_signal_rests_behind_a_capacitor():
    """10 kΩ to the bias, 30 kΩ to 0.4 V below it: Kirchhoff's current law gives −0.4·10/(10 + 30) V."""
    built = replace(
        BiasSuperdiodes().as_built(BIAS_V, SUPPLY_V),
        coupling_farad=1e-6, return_ohm=10e3, lower_return_ohm=30e3, lower_return_v=-0.4,
    )  # fmt: skip
    (rest_v,) = nodal([[1 / 10e3 + 1 / 30e3]], [-0.4 / 30e3])
    assert built.quiescent_signal_v(0.3) == pytest.approx(rest_v, abs=1e-15)
    assert replace(built, lower_return_ohm=None).quiescent_signal_v(0.3) == 0
    assert replace(built, coupling_farad=None).quiescent_signal_v(0.3) == 0.3


def test_an_output_that_sinks_makes_an_average_of_the_detector():
    sinking = replace(BiasSuperdiodes().as_built(BIAS_V, SUPPLY_V), only_gives=False)
    peak, average = PeakDetector(1e3, 1e-6, 100e3), AverageDetector(1e3, 1e-6, 100e3)
    assert both_ways(sinking, peak) == average
    assert both_ways(sinking, average) is average
    assert both_ways(sinking, drawing(peak, 2e-6)) == drawing(average, 2e-6)
    assert both_ways(replace(sinking, only_gives=True), peak) is None


@pytest.mark.parametrize("ohm", [99.0, 10.1e6])
@pytest.mark.parametrize(
    ("kind", "resistor"),
    [
        (DifferenceSuperdiodes, "upper_feedback_ohm"),
        (AbsoluteValue, "half_input_ohm"),
        (Diodeless, "sum_input_ohm"),
    ],
)
def test_resistors_that_no_amplifier_drives_are_refused(kind, resistor, ohm):
    with pytest.raises(ParameterError, match=f"{resistor} is .* from 100 to 1e\\+07 ohm"):
        kind(**{resistor: ohm})


def test_the_first_amplifier_sinks_through_both_of_its_resistors():
    """Its lowest half wave, found apart: what flows through R21 and R23 comes by way of the diode's drop."""
    rectifier = AbsoluteValue(0.15, **PERFECT)
    through_s = 1 / rectifier.half_feedback_ohm + 1 / rectifier.sum_half_ohm
    drop_v = rectifier.diode_part.drop_v
    half_v = brentq(lambda v: v + drop_v(v * through_s) - BIAS_V, 0.1, BIAS_V, xtol=1e-12)
    gain = rectifier.half_feedback_ohm / rectifier.half_input_ohm
    built = rectifier.as_built(BIAS_V, SUPPLY_V)
    assert built.first.most_v * gain == pytest.approx(half_v, abs=1e-9)


def test_a_rectifier_at_rest_has_its_amplifiers_at_their_lowest():
    built = BiasSuperdiodes().as_built(BIAS_V, SUPPLY_V)
    low_v = built.output_low_v
    assert held_at_rest(built, 0.3).tolist() == [0.3, low_v, low_v, 0.0, 0.0]
    assert made_at_rest().tolist() == [0.0, 0.0]
    assert replace(built, coupling_farad=None).quiescent_signal_v() == 0

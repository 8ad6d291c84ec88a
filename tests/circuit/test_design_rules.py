"""What is wrong with a circuit that can be drawn: each rule on a board that breaks it, and on sound ones."""

from __future__ import annotations

from dataclasses import replace

import pytest

from envlab.analog.band_filter import SecondBandPass
from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.hold_capacitor import HoldCapacitor
from envlab.analog.preamps.board_preamp import BoardPreamp
from envlab.analog.preamps.preamp import Preamp
from envlab.analog.rectifiers.absolute_value import AbsoluteValue
from envlab.analog.rectifiers.bias_superdiodes import BiasSuperdiodes
from envlab.analog.rectifiers.difference_superdiodes import DifferenceSuperdiodes
from envlab.analog.rectifiers.diodeless import Diodeless
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.rectifiers.pumps import Bridge, VoltageDoubler
from envlab.analog.rectifiers.transistor_detector import TransistorDetector
from envlab.chain import Chain
from envlab.circuit.circuit import circuit_of
from envlab.circuit.description import Circuit
from envlab.circuit.design_rules import circuit_warnings
from envlab.light.curve import BrightnessMap


def without(circuit: Circuit, *references: str) -> Circuit:
    """The circuit with its diodes bridged: what was behind them is on the node before."""
    parts = list(circuit.components)
    for reference in references:
        anode, cathode = circuit.component(reference).nodes
        parts = [
            replace(one, pins=tuple((pin, cathode if node == anode else node) for pin, node in one.pins))
            for one in parts
            if one.reference != reference
        ]
    used = {node for one in parts for node in one.nodes}
    return Circuit(tuple(parts), tuple(one for one in circuit.nodes if one.name in used))


def test_an_amplifier_that_can_sink_must_not_drive_the_attack_resistor():
    """4k7 ∥ 220k and 1 µF: 4.60 ms in the place of 220."""
    board = Chain(rectifier=DifferenceSuperdiodes(0.15), detector=PeakDetector(4.7e3, 1e-6, 220e3))
    circuit = circuit_of(board)
    assert circuit_warnings(circuit) == ()
    (told,) = circuit_warnings(without(circuit, "D1"))
    assert told.startswith("U2C can take current as well as give it, and R4 leads from its output")
    assert "it empties it in 4.6 ms, where R5 alone would take 220 ms" in told
    assert "put a diode inside its loop" in told


@pytest.mark.parametrize(("rectifier", "last"), [(Diodeless, "U2B"), (AbsoluteValue, "U2C")])
def test_a_rectifier_whose_blocking_amplifier_is_left_out_sinks(rectifier, last):
    """The description has no super-diode then; an average detector wants that, a peak detector loses all."""
    sinks = Chain(rectifier=rectifier(blocking="none"), detector=PeakDetector(4.7e3, 1e-6, 220e3))
    circuit = circuit_of(sinks)
    assert circuit.component("R4").node_at("1") == circuit.component(last).node_at("out")
    assert not {"D1", "D3"} & {one.reference for one in circuit.components if one.role.startswith("keeps")}
    told = [one for one in sinks.design_rule_warnings if "can take current as well as give it" in one]
    assert len(told) == 1 and told[0].startswith(last) and "in 4.6 ms, where R5 alone" in told[0]
    average = replace(sinks, detector=AverageDetector(10e3, 1e-6))
    assert not [one for one in average.design_rule_warnings if "can take current" in one]


def test_a_coupled_diode_needs_a_dc_return():
    coupled = Rectifier("half", 0.0, "coupled", "schottky", coupling_farad=1e-6)
    (told,) = circuit_warnings(circuit_of(Chain(rectifier=coupled)))
    assert "no DC return: C10 charges until nothing flows" in told and "give return_ohm" in told
    for sound in (replace(coupled, return_ohm=1e5), VoltageDoubler(), Bridge(0.15)):
        assert circuit_warnings(circuit_of(Chain(rectifier=sound))) == ()
    base = TransistorDetector(reference="coupled", coupling_farad=1e-6, base_ohm=0.0)
    assert any("no DC return" in told for told in circuit_warnings(circuit_of(Chain(rectifier=base))))


def test_a_follower_must_reach_its_voltage():
    low = Chain(preamp=BoardPreamp(leg_foot_v=0.02))
    (told,) = circuit_warnings(circuit_of(low))
    assert "U3B (holds the 0.02 V for the leg foot) is to rest at 0.02 V" in told
    assert "its output goes from 0.05 V to 3.25 V" in told
    assert circuit_warnings(circuit_of(Chain(preamp=BoardPreamp(leg_foot_v=0.4)))) == ()


def test_an_input_must_follow_where_it_rests():
    board = Chain(rectifier=BiasSuperdiodes())
    circuit = circuit_of(board)
    narrow = [
        replace(one, data={**one.data, "input_high_v": 1.8}) if one.reference == "U2A" else one
        for one in circuit.components
    ]
    (told,) = circuit_warnings(Circuit(tuple(narrow), circuit.nodes))
    assert told.startswith(
        "U2A (inverter of the lower half wave) has its input at 1.65 V and follows it from -0.1"
    )
    assert "to 1.5 V" in told
    assert circuit_warnings(circuit) == ()


def test_a_rated_voltage_must_not_be_passed():
    (told,) = Chain(hold_capacitor=HoldCapacitor("x7r", 2.5)).design_rule_warnings
    assert told == "C3 (1u) is rated 2.5 V and can come to 3.3 V: take one of a higher rating."
    assert Chain(hold_capacitor=HoldCapacitor("x7r", 4.0)).design_rule_warnings == ()


def test_a_floor_under_what_the_amplifiers_come_down_to():
    """Output-low 15 mV and 1.65 V over 97 kΩ of network at 100 Ω: 16.7 mV; 62 dB SPL are 13.5 mV here."""
    (told,) = Chain(rectifier=DifferenceSuperdiodes()).design_rule_warnings
    assert told.startswith("The floor of 62 dB SPL is 13.5 mV at the rectifier")
    assert "no nearer than 16.7 mV to the reference node: nothing under 63.8 dB SPL moves the light" in told
    higher = BrightnessMap(66.0, 98.0)
    assert Chain(rectifier=DifferenceSuperdiodes(), brightness=higher).design_rule_warnings == ()
    assert Chain(rectifier=DifferenceSuperdiodes(0.15)).design_rule_warnings == ()


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        (
            {"gain_bandwidth_hz": 200e3},
            "The gain-bandwidth of the rectifier's amplifiers is 200 kHz and must be at",
        ),
        (
            {"slew_v_per_s": 20e3},
            "The slew rate of the rectifier's amplifiers is 0.02 V/µs and must be at least",
        ),
        (
            {"offset_v": 10e-3},
            "The offset of the rectifier's amplifiers is 10 mV and must be at most 2.71 mV",
        ),
        (
            {"output_high_v": 2.4},
            "The highest output below the supply of the rectifier's amplifiers is 2.4 V",
        ),
    ],
)
def test_amplifiers_that_do_not_give_what_the_topology_asks(changed, words):
    board = Chain(rectifier=DifferenceSuperdiodes(0.15))
    assert board.design_rule_warnings == ()
    told = Chain(rectifier=replace(board.rectifier, **changed)).design_rule_warnings
    assert any(words in one for one in told), told


def test_sound_boards_have_none():
    for board in (
        Chain(),
        Chain(rectifier=BiasSuperdiodes()),
        Chain(preamp=Preamp(supply_v=5.0, bias_v=2.5)),
        Chain(band_filter=SecondBandPass(1e-7, 1e-7, 1e4, 1e4, 1e4, 1e4, 1e-8, 1e-8)),
    ):
        assert circuit_warnings(circuit_of(board)) == ()


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        # 98 dB SPL here are 13.5 mV · 10^(36/20) = 0.854 V at the rectifier: 1.65 V − 0.854 V = 0.796 V.
        (
            {"output_low_v": 1.5},
            "lowest output above ground of the bridge's inverter is 1.5 V and must be at",
        ),
        ({"output_high_v": 1.5}, "is 1.5 V and must be at most 0.796 V: the loudest sound takes its output"),
        # Ten times 10 kHz, and twice for a gain of one either way round: 200 kHz. 2π·10 kHz·0.854 V.
        (
            {"gain_bandwidth_hz": 100e3},
            "gain-bandwidth of the bridge's inverter is 100 kHz and must be at least",
        ),
        (
            {"slew_v_per_s": 50e3},
            "slew rate of the bridge's inverter is 0.05 V/µs and must be at least 0.0537",
        ),
        (
            {"input_high_v": 1.7},
            "highest input below the supply of the bridge's inverter is 1.7 V and must be",
        ),
    ],
)
def test_a_bridges_inverter_that_does_not_give_what_is_asked(changed, words):
    board = Chain(rectifier=Bridge(reference_node_v=0.15))
    assert board.design_rule_warnings == ()
    told = Chain(rectifier=replace(board.rectifier, **changed)).design_rule_warnings
    assert any(words in one for one in told), told

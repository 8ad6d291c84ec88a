"""A board's circuit: complete, joined as the stages are computed, and the one story that everything tells."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pytest
from circuit.ideal_solution import solved

from envlab.analog.adc import Adc
from envlab.analog.band_filter import (
    FirstBandPass,
    FirstHighPass,
    FirstLowPass,
    SecondBandPass,
    SecondHighPass,
    SecondLowPass,
)
from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.electret import Electret
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
from envlab.analog.stage import AnalogStage, part
from envlab.chain import Chain
from envlab.circuit.circuit import circuit_of
from envlab.circuit.description import KINDS, Circuit, Component, Node
from envlab.circuit.front_end import other_stage
from envlab.engine.node_table import nodes_at_readings
from envlab.errors import ParameterError
from envlab.light.pixels import Pixels
from envlab.sound.recording import Recording
from envlab.study.level_diagram import level_diagram
from envlab.study.specification.parts_list import parts_list

HIGH, LOW = (1.5e-7, 1.5e-7, 6.8e3, 15e3), (6.8e3, 15e3, 1.5e-7, 6.8e-8)
FILTERS = (
    FirstLowPass(10e3, 1.5e-8),
    FirstHighPass(10e3, 1.5e-7),
    FirstBandPass(10e3, 1.5e-7, 100e3, 1.5e-8),
    SecondLowPass(*LOW),
    SecondHighPass(*HIGH),
    SecondBandPass(*HIGH, *LOW),
)
PREAMPS = (
    Preamp(),
    Preamp(470e3, ground_farad=None),
    BoardPreamp(leg_foot_v=0.4),
    BoardPreamp(second_feedback_ohm=100e3),
    BoardPreamp(second_feedback_ohm=10e3, second_ground_farad=None, leg_foot_v=0.0),
)
RECTIFIERS = (
    DifferenceSuperdiodes(),
    DifferenceSuperdiodes(0.15),
    AbsoluteValue(0.2),
    Diodeless(),
    BiasSuperdiodes(),
    Rectifier("half", 0.0, "coupled", "germanium", coupling_farad=1e-6, return_ohm=100e3),
    Rectifier("half", 0.0, "bias", "silicon", diodes_in_path=2),
    VoltageDoubler(),
    Bridge(0.15),
    TransistorDetector(),
    TransistorDetector(reference="coupled", coupling_farad=1e-6, return_ohm=100e3, base_ohm=0.0),
)
BOARDS = (
    Chain(),
    *(Chain(band_filter=one) for one in FILTERS),
    *(Chain(preamp=one) for one in PREAMPS),
    *(Chain(rectifier=one) for one in RECTIFIERS),
    Chain(microphone=Electret(supply_v=2.5), adc=Adc(buffered="no")),
    Chain(detector=AverageDetector(10e3, 1e-6, 1e6), adc=Adc(source_ohm=4.7e3)),
    Chain(preamp=Preamp(supply_v=5.0, bias_v=2.5), pixels=Pixels(data_lines=3)),
    Chain(hold_capacitor=HoldCapacitor("x7r"), rectifier=Rectifier("half", 1.65)),
)


@pytest.mark.parametrize("board", BOARDS)
def test_every_pin_is_on_a_node_and_no_part_hangs_in_the_air(board):
    """Circuit itself refuses a pin without a node; here: a node that one pin alone is on leads nowhere."""
    circuit = circuit_of(board)
    lonely = {one.name for one in circuit.nodes if len(circuit.pins_on(one.name)) == 1}
    # What is offered to the attack resistor by no parts, and an output that is there to be used by nobody.
    allowed = {"rectified", "rectifier_shifted"} if circuit.remarks else set()
    assert lonely <= allowed, lonely


@pytest.mark.parametrize("board", BOARDS)
def test_the_parts_list_has_every_part_once(board):
    circuit = circuit_of(board)
    listed = Counter(one.reference for one in parts_list(board))
    assert listed == Counter({one.package for one in circuit.components})
    by_key = {one.key: one.value for one in parts_list(board) if one.key}
    for key, value in by_key.items():
        stage, name = key.split(".")
        assert value == getattr(getattr(board, stage), name)


@pytest.mark.parametrize("board", [BOARDS[0], BOARDS[3], *(Chain(rectifier=one) for one in RECTIFIERS)])
@pytest.mark.filterwarnings("ignore::envlab.errors.EnvlabWarning")
@pytest.mark.filterwarnings("ignore:The floor")
def test_every_node_of_a_trace_exists(board):
    sound = Recording(0.1 * np.sin(np.arange(960) / 8), 48_000.0)
    circuit = circuit_of(board)
    result, table = board.run(sound), nodes_at_readings(board, sound)
    voltages = {name for name in (*vars(result), *table.columns) if name.endswith("_v")} - {"quiescent_v"}
    assert {"microphone_v", "preamp_v", "rectified_v", "detector_v"} <= voltages
    for name in voltages:
        assert circuit.of_trace(name).label
    volts = {one.node for one in level_diagram(board, 72.0, 92.0).levels if one.unit == "V"}
    assert {name.replace(" ", "_") for name in volts} - {"filter", "ADC"} <= {
        one.name for one in circuit.nodes
    }


@pytest.mark.parametrize("preamp", PREAMPS)
def test_the_preamp_amplifies_as_its_stage_says(preamp):
    """Against 1 + Rf/Rg by hand, with ideal amplifiers, where the corners are far away."""
    circuit = circuit_of(Chain(preamp=preamp))
    held = {one.name: 0.0 for one in circuit.nodes if one.fixed and one.name != "ground"}
    volts = solved(circuit, held | {"microphone": 1.0}, frequency_hz=20e3)
    first = 1 + preamp.feedback_ohm / preamp.ground_ohm
    second = 1.0
    if getattr(preamp, "second_feedback_ohm", None) is not None:
        second = 1 + preamp.second_feedback_ohm / preamp.second_ground_ohm
    assert abs(volts["preamp"]) == pytest.approx(first * second, rel=1e-4)


@pytest.mark.parametrize("frequency_hz", [30.0, 200.0, 3000.0])
@pytest.mark.parametrize("band_filter", FILTERS)
def test_the_filter_filters_as_its_stage_says(band_filter, frequency_hz):
    circuit = circuit_of(Chain(band_filter=band_filter))
    held = {one.name: 0.0 for one in circuit.nodes if one.fixed and one.name != "ground"}
    volts = solved(circuit, held | {"microphone": 0.0, "preamp": 1.0}, frequency_hz=frequency_hz)
    assert volts["band_filter"] == pytest.approx(band_filter.response(frequency_hz), rel=1e-6)


@pytest.mark.parametrize("signal_v", [-0.4, -0.01, 0.01, 0.4])
@pytest.mark.parametrize("rectifier", RECTIFIERS[:5])
def test_the_rectifier_folds_the_signal_onto_its_node(rectifier, signal_v):
    """Ideal amplifiers and diodes: what its super-diodes are offered is N + |x|, by whatever way."""
    board = Chain(rectifier=rectifier)
    circuit = circuit_of(board)
    bias_v, node_v, topology = board.preamp.bias_v, rectifier.reference_node_v, rectifier.topology
    held = {one.name: one.quiescent_v for one in circuit.nodes if one.fixed and one.name != "ground"}
    held |= {"bias": bias_v, "preamp": bias_v + signal_v, "microphone": 0.0}
    if node_v not in (0.0, bias_v):
        held["reference"] = node_v
    # Super-diodes and what they drive are left out; the first amplifier of "diodeless" stops at ground.
    charges = {
        one.reference for one in circuit.components if one.kind == "amplifier" and one.nodes[1] == "rectified"
    }
    ways: tuple[str, ...] = ()
    if topology == "absolute_value":
        ways = ("D2",) if signal_v > 0 else ("D1",)
    if topology == "diodeless":
        held = {**held, "rectifier_coupled": signal_v}
        if signal_v < 0:
            held["rectifier_half"] = 0.0
    volts = solved(circuit, held, without=(*charges, "U1"), conducting=ways)
    offered = [volts[circuit.component(one).node_at("in+")].real for one in charges]
    assert max(offered) == pytest.approx(node_v + abs(signal_v), abs=1e-5)
    for one in charges:
        out = circuit.component(one).node_at("out")
        joined = {part for part, _ in circuit.pins_on(out)}
        assert out != "rectified" and any(name.startswith("D") for name in joined)


@pytest.mark.parametrize(("volts", "supply_v"), [(1.65, 3.3), (0.15, 3.3), (2.2, 5.0), (0.4, 3.0)])
def test_potentials_come_out_of_their_dividers(volts, supply_v):
    board = Chain(preamp=Preamp(supply_v=supply_v, bias_v=volts), adc=Adc(reference_v=supply_v))
    circuit = circuit_of(board)
    upper, lower = (circuit.component(name) for name in ("R30", "R31"))
    divided_v = supply_v * lower.value / (upper.value + lower.value)
    assert divided_v == pytest.approx(volts, rel=0.01)
    held = {one.name: one.quiescent_v for one in circuit.nodes if one.fixed and one.name != "ground"}
    found = solved(circuit, held | {"microphone": 0.0})
    assert found["bias"].real == pytest.approx(divided_v, rel=1e-9)


def test_the_reference_node_is_ground_the_bias_or_a_buffered_divider():
    def foot(chain: Chain) -> tuple[str, bool]:
        circuit = circuit_of(chain)
        return circuit.component("C3").node_at("2"), circuit.has("R32")

    assert foot(Chain()) == ("ground", False)
    assert foot(Chain(rectifier=BiasSuperdiodes())) == ("bias", False)
    assert foot(Chain(rectifier=DifferenceSuperdiodes(0.15))) == ("reference", True)


def test_the_ground_leg_ends_where_the_model_has_it():
    def foot(preamp: Preamp) -> str:
        circuit = circuit_of(Chain(preamp=preamp))
        return circuit.component("C2" if circuit.has("C2") else "R2").node_at("2")

    assert foot(Preamp()) == "ground"
    assert foot(Preamp(ground_farad=None)) == "bias"
    assert foot(BoardPreamp()) == "bias"
    assert foot(BoardPreamp(leg_foot_v=0.4)) == "leg_foot"


def test_rails_come_from_the_controller_or_from_a_regulator():
    def makers(chain: Chain, node: str) -> set[str]:
        return {name for name, pin in circuit_of(chain).pins_on(node) if pin in ("out", "regulated")}

    assert makers(Chain(), "analog_supply") == {"U9"}
    assert makers(Chain(adc=Adc(reference_v=2.5)), "analog_supply") == {"PS2"}
    assert makers(Chain(microphone=Electret(supply_v=2.5)), "microphone_supply") == {"PS2"}
    assert makers(Chain(), "supply") == {"PS1"}


def test_a_package_of_four_is_filled_and_each_package_decoupled():
    circuit = circuit_of(Chain(rectifier=Diodeless()))
    assert [one.reference for one in circuit.components if one.package == "U2"] == [
        "U2A",
        "U2B",
        "U2C",
        "U2D",
    ]
    spare = circuit.component("U2D")
    assert spare.node_at("in+") == "bias" and spare.node_at("in-") == spare.node_at("out")
    decoupled = Counter(one.role for one in circuit.components if one.role.startswith("decouples"))
    assert decoupled == {f"decouples {name}": 1 for name in ("U1", "U2", "U3", "U5")}


@dataclass(frozen=True)
class Told(AnalogStage):
    """A stage that says how it is joined."""

    series_ohm: float = field(default=1e3, metadata=part("R91", 5, "smooths", between=("in", "out")))
    shunt_farad: float = field(default=1e-7, metadata=part("C91", 10, "smooths", between=("out", "bias")))


@dataclass(frozen=True)
class Silent(AnalogStage):
    """A stage that does not."""

    series_ohm: float = field(default=1e3, metadata=part("R91", 5, "smooths"))


def test_a_stage_that_nobody_knows_is_joined_as_it_says():
    parts, remarks = other_stage(Told(), "smoother", "preamp")
    assert [one.nodes for one in parts] == [("preamp", "smoother"), ("smoother", "bias")]
    assert remarks == ()
    parts, remarks = other_stage(Silent(), "smoother", "preamp")
    assert [one.reference for one in parts] == ["R91"]
    assert remarks == ("How the stage smoother joins its parts is not said.",)


def test_solver_data_is_there():
    """A diode's and an amplifier's law in SI, so that whoever solves the circuit needs nothing else."""
    circuit = circuit_of(Chain(rectifier=replace(DifferenceSuperdiodes(0.15), offset_u2c_v=1e-3)))
    diode, amplifier = circuit.component("D1"), circuit.component("U2C")
    assert diode.data["slope_v"] == pytest.approx(1.75 * 0.025693, rel=1e-4)  # n·kT/q at 25 °C
    assert {"saturation_a", "series_ohm", "leakage_ohm"} <= set(diode.data)
    assert amplifier.data["offset_v"] == 1e-3
    assert {"gain_bandwidth_hz", "slew_v_per_s", "output_low_v", "output_low_ohm"} <= set(amplifier.data)
    assert math.isclose(circuit.node("analog_supply").quiescent_v or 0.0, 3.3)


def resistor(reference: str, one: str, two: str) -> Component:
    return Component(reference, "resistor", (("1", one), ("2", two)), "", 1.0, "ohm")


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Component("X1", "valve", (), ""), "kind is 'valve'; it must be one of resistor"),
        (lambda: Component("R1", "resistor", (("a", "x"),), ""), "those of a resistor: 1, 2"),
        (lambda: Circuit((resistor("R1", "a", "b"),) * 2, (Node("a"), Node("b"))), "reference is 'R1'"),
        (lambda: Circuit((resistor("R1", "a", "b"),), (Node("a"),)), "node is 'b'; it must be among"),
        (lambda: Circuit((resistor("R1", "a", "a"),), (Node("a"), Node("b"))), "on a pin of a part"),
        (lambda: circuit_of(Chain()).component("R99"), "reference is 'R99'; it must be one of MK1"),
        (lambda: circuit_of(Chain()).of_trace("tone_v"), "trace is 'tone_v'; it must be one of microphone_v"),
    ],
)
def test_a_description_that_cannot_be_is_refused(make: Any, words: str):
    with pytest.raises(ParameterError, match=words):
        make()


def test_every_kind_of_part_is_on_some_board():
    there = {one.kind for board in BOARDS for one in circuit_of(board).components}
    assert set(KINDS) == there


def test_the_average_detector_has_its_own_parts():
    circuit = circuit_of(Chain(detector=AverageDetector(10e3, 1e-6)))
    assert circuit.component("R6").nodes == ("rectified", "detector")
    assert not circuit.has("R4") and not circuit.has("R5")
    assert circuit_of(Chain(detector=PeakDetector(1e3, 1e-6, 1e5))).component("R5").value == 1e5


def test_doubler_and_bridge_pump_towards_the_attack_resistor():
    """Each coupling capacitor's node has one diode up from N and one on to "rectified"."""
    for rectifier, ends in (
        (VoltageDoubler(), ("rectifier_coupled",)),
        (Bridge(), ("rectifier_end", "rectifier_other_end")),
    ):
        circuit = circuit_of(Chain(rectifier=rectifier))
        for end in ends:
            ways = {}
            for name, pin in circuit.pins_on(end):
                if name.startswith("D"):
                    ways[pin] = circuit.component(name).node_at({"anode": "cathode", "cathode": "anode"}[pin])
            assert ways == {"cathode": "ground", "anode": "rectified"}


def test_the_bridges_other_end_is_the_signal_turned_over():
    circuit = circuit_of(Chain(rectifier=Bridge()))
    held = {one.name: one.quiescent_v for one in circuit.nodes if one.fixed and one.name != "ground"}
    volts = solved(circuit, held | {"bias": 1.65, "preamp": 1.95, "microphone": 0.0}, without=("U1",))
    assert volts["rectifier_inverted"].real == pytest.approx(1.35)


def test_a_potential_that_no_divider_makes_is_refused_by_its_name():
    chain = replace(Chain(), rectifier=replace(Chain().rectifier, reference_node_v=1e-320))
    with pytest.raises(ParameterError, match="reference_node_v is 1e-320; it must be 0, or"):
        circuit_of(chain)

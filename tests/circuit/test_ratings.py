"""What parts must bear and what is asked of them, against values worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from envlab.analog.adc import Adc
from envlab.analog.band_filter import FirstLowPass, SecondLowPass
from envlab.analog.detector import PeakDetector
from envlab.analog.electret import Electret
from envlab.analog.hold_capacitor import HoldCapacitor
from envlab.analog.parts import series_values
from envlab.analog.preamps.board_preamp import BoardPreamp
from envlab.analog.preamps.preamp import Preamp
from envlab.analog.rectifiers.absolute_value import AbsoluteValue
from envlab.analog.rectifiers.difference_superdiodes import DifferenceSuperdiodes
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.rectifiers.pumps import VoltageDoubler
from envlab.analog.rectifiers.transistor_detector import TransistorDetector
from envlab.chain import Chain
from envlab.circuit.circuit import circuit_of
from envlab.circuit.ratings import Rating, plus_pin, rating
from envlab.circuit.supplies import bulk_farad, divider, fuse_rating_a
from envlab.errors import ParameterError
from envlab.light.pixels import Pixels, Supply
from envlab.light.power.battery import Pack


def rated(board: Chain, reference: str, pack: Pack | None = None) -> Rating:
    circuit = circuit_of(board, pack)
    return rating(circuit, circuit.component(reference))


@pytest.mark.parametrize(
    ("current_a", "rated_a"),
    # A rating carries three quarters of it; R10 steps as IEC 60127-2 has them (from memory).
    [
        (2.7778, 4.0),
        (3.0, 4.0),
        (3.01, 5.0),
        (0.75, 1.0),
        (0.76, 1.25),
        (6.0, 8.0),
        (7.5, 10.0),
        (7.6, 12.5),
        (0.001, 0.04),
    ],
)
def test_the_fuse_is_the_next_rated_current(current_a, rated_a):
    assert fuse_rating_a(current_a) == rated_a


def test_the_parades_pack_current_and_fuse():
    """3 A at 5 V and 90 %: 16.67 W, from two cells at 3.0 V each 2.78 A; a 4 A fuse."""
    circuit = circuit_of(Chain())
    assert circuit.component("BT1").data["current_a"] == pytest.approx(16.6667 / 6, rel=1e-4)
    assert circuit.component("F1").value == 4.0
    assert rated(Chain(), "F1").specification == "time-lag, 32 V, at the pack's +, in a holder"
    assert "step-down module, 6 to 8.4 V in, 5 V out, 3 A" in rated(Chain(), "PS1").specification
    assert rated(Chain(), "PS1", Pack(cells=1)).specification.startswith("step-up module, 3 to 4.2 V")


def test_the_bulk_capacitor_carries_a_step():
    """2.976 A for 100 µs out of 1 µF: C = I·t/(5 % of 5 V) = 1190 µF, next of E3 2200 µF."""
    assert bulk_farad(Supply(3.0, 5.0), Pixels()) == pytest.approx(2.2e-3)
    assert bulk_farad(Supply(0.5, 5.0), Pixels()) == pytest.approx(220e-6)
    assert rated(Chain(), "C30") == Rating(
        "electrolytic, 10 V, + at the higher voltage", "electrolytic", 10.0
    )


def test_dividers_are_of_parts_one_can_buy_and_near():
    assert divider(0.5) == (10e3, 10e3)
    # 21k and 1k: nothing of E24 alone comes nearer than 0.15 %.
    assert divider(0.15 / 3.3) == (21e3, 1e3)
    bought = {float(value) for name in ("E24", "E96") for value in series_values(name, 100.0, 100e3)}
    errors = []
    for millivolts in range(100, 3201, 31):
        upper, lower = divider(millivolts / 3300)
        assert {upper, lower} <= bought
        assert 10e3 <= upper + lower <= 40e3
        errors.append(abs(lower / (upper + lower) * 3300 / millivolts - 1))
    # Over all pairs of these values, tried one by one: at most 0.2 % off, 19 of 20 within 0.07 %.
    assert max(errors) < 2e-3
    assert np.percentile(errors, 95) < 1e-3


@pytest.mark.parametrize(
    ("board", "reference", "material", "volts"),
    [
        (Chain(), "C1", "X7R", 10.0),  # twice 3.3 V
        (Chain(), "C2", "X7R", 10.0),
        (Chain(preamp=Preamp(ground_farad=22e-6)), "C2", "electrolytic", 10.0),
        (Chain(preamp=Preamp(supply_v=9.0, bias_v=4.5)), "C1", "X7R", 25.0),  # 18 V
        (Chain(band_filter=FirstLowPass(1e4, 1e-8)), "C8", "C0G", 10.0),
        (Chain(band_filter=SecondLowPass(1e4, 1e4, 4.7e-7, 1e-7)), "C8", "film", 10.0),
        (Chain(detector=PeakDetector(1e3, 47e-9, 1e6)), "C3", "C0G", 10.0),
        (Chain(), "C3", "X7R", 10.0),
        (Chain(hold_capacitor=HoldCapacitor("x7r", 25.0)), "C3", "X7R", 25.0),
        (Chain(hold_capacitor=HoldCapacitor("film", 50.0)), "C3", "film", 50.0),
        (Chain(rectifier=VoltageDoubler()), "C3", "X7R", 10.0),  # 2·1.6 V of swing, under 3.3 V
    ],
)
def test_capacitors_by_value_role_and_voltage(board, reference, material, volts):
    found = rated(board, reference)
    assert (found.dielectric, found.rated_v) == (material, volts)


@pytest.mark.parametrize(
    ("ohm", "watts"),
    # Twice (3.3 V)²/R, or of 50 mA through it if that is less; next of 0.1, 0.125, 0.25, 0.5 W …
    [(4.7e3, 0.1), (220.0, 0.1), (200.0, 0.125), (100.0, 0.25), (66.0, 0.5), (10.0, 0.1), (1.0, 0.1)],
)
def test_a_resistor_bears_the_worst_for_ever(ohm, watts):
    assert rated(Chain(detector=PeakDetector(ohm, 1e-6, 470e3)), "R4").power_w == watts


def test_amplifiers_by_what_the_design_says_of_them():
    board = Chain(rectifier=DifferenceSuperdiodes(0.15))
    asked = rated(board, "U2C").specification
    assert asked == "rail-to-rail in and out, ≥ 3 MHz, ≥ 3 V/µs, offset ≤ 2 mV, quad, for 3.3 V"
    assert rated(board, "U3B").specification.startswith("rail-to-rail in and out, ≥ 10 MHz, dual")
    assert "offset ≤ 0.5 mV, noise ≤ 10 nV/√Hz, single" in rated(board, "U1").specification
    stiff = AbsoluteValue(0.2, "data_sheet", 1e6, 1e6, 0.1, 50.0, 0.4, 50.0, 0.0, 0.5, 1e-3, 1e-6, 1e-9, 1e-8)
    asked = rated(Chain(rectifier=stiff), "U2A").specification
    assert "output to 0.1 V from ground and 0.4 V from the supply, input from 0 V to 0.5 V under" in asked


def test_the_rest_is_asked_for_in_words():
    electret = Chain(microphone=Electret(), rectifier=AbsoluteValue(0.2, diode="schottky"))
    assert rated(electret, "D3").specification == "Schottky, small signal, 10 V"
    assert rated(electret, "MK1").specification.startswith(
        "electret capsule of two wires, −42 dBV/Pa at 2.2 kΩ"
    )
    assert rated(Chain(), "MK1").specification == (
        "analog microphone module, −42 dBV/Pa, signal to noise ≥ 62 dB(A), overload ≥ 120 dB SPL, for 3.3 V"
    )
    assert rated(Chain(rectifier=TransistorDetector()), "Q1").specification.startswith("NPN, small signal")
    asked = rated(Chain(), "U9").specification
    assert "ADC of 10 bit, 1 kHz, reference 3.3 V, noise ≤ 0.3 LSB, own regulator of 3.3 V" in asked
    assert "regulator" not in rated(Chain(adc=Adc(reference_v=2.5)), "U9").specification
    assert rated(Chain(adc=Adc(reference_v=2.5)), "PS2").specification == "linear regulator, 3.3 V"
    assert (
        "3 channels of 150 mA, 5 V, data input that takes 3.3 V logic" in rated(Chain(), "LED1").specification
    )
    assert rated(Chain(), "BT1").specification.startswith(
        "2 lithium-ion cells in series, 3 Ah, with protection"
    )


def test_a_power_bank_is_bought_whole_with_its_converter_inside():
    """Its own current at 5 V goes through the fuse: 2 A / 0.75 = 2.67 A, the next rating is 3.15 A."""
    chain = Chain(supply=Supply(2.0, fed_by="power_bank"))
    circuit = circuit_of(chain)
    assert not circuit.has("PS1")
    assert rated(chain, "BT1").specification == "power bank, 5 V, ≥ 2 A lasting, that stays on at 0.024 A"
    assert circuit.component("F1").value == 3.15
    assert circuit.component("F1").nodes == ("pack", "supply")
    assert circuit.component("C30").nodes == ("supply", "ground")
    with pytest.raises(ParameterError, match=r"volts is 12\.0; it must be 5 V, as of every power bank"):
        Supply(2.0, 12.0, fed_by="power_bank")
    with pytest.raises(ParameterError, match="fed_by is 'mains'; it must be one of cells, power_bank"):
        Supply(fed_by="mains")


def test_a_buffer_is_asked_for_as_near_to_ground_as_the_model_takes_it():
    """Usual of rail-to-rail parts, 15 mV, needs no word; nearer does, an ideal rectifier's above all."""

    def asked(rectifier: Rectifier, low_v: float | None) -> str:
        return rated(Chain(rectifier=rectifier, adc=Adc(buffer_low_v=low_v)), "U5").specification

    passive = Rectifier("half", diode="schottky")
    assert asked(passive, None).startswith("rail-to-rail in and out, ≥ 3 MHz")
    assert asked(passive, 0.003).startswith("rail-to-rail in and out, output to 3 mV from ground, ≥ 3 MHz")
    assert asked(Rectifier(), None).startswith("rail-to-rail in and out, output to 0 mV from ground")


def test_where_the_plus_of_a_capacitor_is_soldered():
    """At the node that stands higher; where both stand alike, or it is of a kind that has none, nowhere."""

    def plus(chain: Chain, reference: str) -> str:
        circuit = circuit_of(chain)
        part = circuit.component(reference)
        pin = plus_pin(circuit, part)
        return part.node_at(pin) if pin else ""

    assert plus(Chain(), "C30") == "supply"
    assert plus(Chain(hold_capacitor=HoldCapacitor("electrolytic")), "C3") == "detector"
    lifted = Chain(
        rectifier=TransistorDetector(reference_node_v=0.5), hold_capacitor=HoldCapacitor("tantalum")
    )
    assert plus(lifted, "C3") == "detector"
    # The leg's capacitor to ground holds the bias; to the bias itself it holds nothing.
    leg = {"feedback_ohm": 47e3, "ground_farad": 47e-6}
    assert circuit_of(Chain(preamp=Preamp(**leg))).component("C2").node_at("2") == "ground"
    assert plus(Chain(preamp=Preamp(**leg)), "C2") == circuit_of(Chain()).component("C2").node_at("1")
    assert plus(Chain(preamp=BoardPreamp(**leg)), "C2") == ""
    assert plus(Chain(), "C2") == plus(Chain(hold_capacitor=HoldCapacitor("x7r")), "C3") == ""

"""The nodal solver's amplifier against data-sheet formulas and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from reference.nodal.parts import Amplifier, Capacitor, Diode, Part, Resistor, VoltageSource
from reference.nodal.response import SILICON, answer, signal
from reference.nodal.solve import Circuit, at_rest
from reference.nodal.waves import Waves, sine
from scipy.optimize import brentq


@pytest.mark.parametrize("share", [0.1, 1.0, 3.0])
def test_an_amplifiers_bandwidth_is_its_product_over_the_gain(share: float) -> None:
    gain, product_hz = 48.0, 1e6
    netlist: list[Part] = [
        signal(1e-3),
        Resistor("Rf", "out", "m", 47e3),
        Resistor("Rg", "m", "0", 1e3),
        Amplifier("U1", "in", "m", "out", product_hz),
    ]
    f = share * product_hz / gain
    assert abs(answer(netlist, "out", f, 3e-4) / (1e-3 * gain / (1 + 1j * share)) - 1) < 1e-4


def test_a_sine_far_over_the_slew_rate_becomes_a_triangle() -> None:
    # Full-power bandwidth SR/(2π·Vp) is 79.6 kHz at 0.5 V/µs and 1 V; far beyond it the output is a triangle
    # whose peak is SR/(4·f).
    f, slew = 400e3, 0.5e6
    circuit = Circuit([signal(), Amplifier("U1", "in", "out", "out", 100e6, slew)])
    run = circuit.run(sine(1.0, f, 60 / f), 60 / f, ["out"], base_s=1 / (1024 * f))
    last = run.volts["out"][-10240:]
    assert 0.5 * (last.max() - last.min()) == pytest.approx(slew / (4 * f), rel=2e-3)
    steep = np.abs(np.diff(last)) * 1024 * f
    assert steep.max() <= slew * (1 + 1e-4)


def test_an_output_stops_above_ground_by_its_resistance_too() -> None:
    # 3.3 V through 10 kΩ into an output that wants to go below: 15 mV + 100 Ω·(3.3 V − v)/10 kΩ.
    low: list[Part] = [
        VoltageSource("supply", "V", "0", 3.3),
        VoltageSource("below", "m", "0", 1.0),
        Resistor("R", "V", "out", 1e4),
        Amplifier("U1", "0", "m", "out", 1e6, 1e6, 15e-3, 100.0, 3.285, 200.0),
    ]
    expected = (15e-3 + 100 * 3.3 / 1e4) / (1 + 100 / 1e4)
    assert at_rest(low, ["out"])["out"] == pytest.approx(expected, abs=2e-5)
    high = [
        *low[1:2],
        Resistor("R", "0", "out", 1e4),
        Amplifier("U1", "m", "0", "out", 1e6, 1e6, 15e-3, 100.0, 3.285, 200.0),
    ]
    assert at_rest(high, ["out"])["out"] == pytest.approx(3.285 / (1 + 200 / 1e4), abs=2e-5)


def test_an_amplifier_takes_part_only_within_its_common_mode_range() -> None:
    # A follower whose inputs feel nothing above 2 V: it follows to 2 V and then runs to its end.
    for volts, expected in ((1.2, 1.2), (1.99, 1.99), (2.5, 3.0)):
        follower: list[Part] = [
            VoltageSource("in", "in", "0", volts + 1e-3 * (volts > 2)),
            Resistor("Rf", "out", "m", 1e4),
            Resistor("Rg", "m", "0", 1e9),
            Amplifier("U1", "in", "m", "out", 1e6, 1e6, 0.0, 0.0, 3.0, 0.0, 0.0, 2.0, offset_v=1e-6),
        ]
        assert at_rest(follower, ["out"])["out"] == pytest.approx(expected, abs=1e-4)


def test_offset_and_bias_current() -> None:
    # Gain 11 with 10k and 1k: offset times 11; bias current through 10k of feedback, and 50k times 11.
    netlist: list[Part] = [
        Resistor("Rs", "p", "0", 50e3),
        Resistor("Rf", "out", "m", 10e3),
        Resistor("Rg", "m", "0", 1e3),
        Amplifier("U1", "p", "m", "out", 1e6, offset_v=1e-3, bias_a=20e-9),
    ]
    expected = 11 * (1e-3 - 50e3 * 20e-9) + 10e3 * 20e-9
    assert at_rest(netlist, ["out"])["out"] == pytest.approx(expected, rel=5e-6)


def test_a_diode_in_the_loop_loses_its_drop_over_the_open_loop_gain() -> None:
    # S = p − (S + drop)/A: root of one equation (scipy.optimize.brentq).
    open_loop, ohm, volts = 1e4, 10e3, 0.3
    netlist: list[Part] = [
        signal(0.0, volts),
        Amplifier("U1", "in", "s", "a", 1e6, open_loop_gain=open_loop),
        Diode("D", "a", "s", **SILICON),
        Resistor("R", "s", "0", ohm),
    ]

    def surplus(s: float) -> float:
        drop = SILICON["slope_v"] * math.log1p(s / ohm / SILICON["saturation_a"])
        return volts - (s + drop) / open_loop - s

    assert at_rest(netlist, ["s"])["s"] == pytest.approx(brentq(surplus, 0.0, volts, xtol=1e-14), rel=1e-9)


def test_dead_time_of_a_blocked_amplifier() -> None:
    # From its lowest output an amplifier comes up at 2π·GBW·(p − n): the capacitor is charged no sooner than
    # (n + drop − low)/(2π·GBW·(p − n)) after a step; ΔV/(2π·GBW·overdrive).
    product_hz, held, over = 100e6, 0.2, 10e-3
    netlist: list[Part] = [
        signal(),
        Amplifier("U1", "in", "s", "a", product_hz, 1e9, 15e-3, 0.0),
        Diode("D", "a", "s", **SILICON),
        Resistor("R4", "s", "h", 1e3),
        Capacitor("C3", "h", "0", 1e-7),
    ]
    step = Waves(np.array([[[0, 0, 0, 0, 0, 0.0]], [[0, 0, 0, 0, 0, held + over]]]).reshape(1, 2, 6), 1e4)
    circuit = Circuit(netlist)
    circuit.charge({"C3": held})
    run = circuit.run(step, 2e-4, ["h", "U1.pole"], base_s=2e-8)
    pole, waited_s = run.volts["U1.pole"], run.times_s - 1e-4
    # Where it reaches the held voltage nothing has flowed yet: a straight line.
    crossing_s = float(np.interp(held, pole[waited_s > 0], waited_s[waited_s > 0]))
    expected_s = (held - 15e-3) / (2 * math.pi * product_hz * over)
    assert crossing_s == pytest.approx(expected_s, rel=2e-3)
    assert run.volts["h"][waited_s < expected_s].max() == pytest.approx(held, abs=1e-5)
    assert run.volts["h"][-1] > held + 1e-3

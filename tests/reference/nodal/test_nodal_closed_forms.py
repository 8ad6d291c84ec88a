"""The nodal solver against what is known without it: closed forms, textbook circuits, other solvers."""

from __future__ import annotations

import ast
import math
from pathlib import Path

import numpy as np
import pytest
from reference.diode_circuit import DiodeCircuit
from reference.nodal.parts import (
    Amplifier,
    Capacitor,
    ControlledSource,
    CurrentSource,
    Diode,
    Part,
    Resistor,
    Transistor,
    VoltageSource,
    thermal_v,
)
from reference.nodal.rectifiers import HAND_DRAWN, Kit
from reference.nodal.response import SILICON, answer, signal
from reference.nodal.solve import Circuit, at_rest
from reference.nodal.waves import sampled, silence, sine
from scipy.constants import Boltzmann, elementary_charge
from scipy.linalg import expm
from scipy.special import wrightomega


def test_the_solver_imports_nothing_of_the_package() -> None:
    for path in Path(__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [str(node.module)] if isinstance(node, ast.ImportFrom) else []
            assert not any(name.split(".")[0] == "envlab" for name in names), path.name


def test_a_capacitor_charges_by_its_time_constant() -> None:
    circuit = Circuit([signal(0.0, 1.0), Resistor("R", "in", "c", 1e3), Capacitor("C", "c", "0", 1e-6)])
    circuit.charge({"C": 0.0})
    run = circuit.run(silence(), 5e-3, ["c"], base_s=1e-4)
    assert run.volts["c"] == pytest.approx(1 - np.exp(-run.times_s / 1e-3), abs=1e-5)


def test_a_stiff_ladder_against_the_matrix_exponential() -> None:
    # Time constants from 1 ns to 1 s; scipy.linalg.expm.
    ohms, farads = [1.0, 1e3, 1e5, 1e6], [1e-9, 1e-8, 1e-7, 1e-6]
    nodes = ["in", "a", "b", "c", "d"]
    netlist: list[Part] = [signal(0.0, 1.0)]
    conductance = np.zeros((4, 4))
    for i, (ohm, farad) in enumerate(zip(ohms, farads, strict=True)):
        netlist += [
            Resistor(f"R{i}", nodes[i], nodes[i + 1], ohm),
            Capacitor(f"C{i}", nodes[i + 1], "0", farad),
        ]
        conductance[i, i] += 1 / ohm
        if i:
            conductance[i - 1, i - 1] += 1 / ohm
            conductance[i - 1, i] = conductance[i, i - 1] = -1 / ohm
    rates = -conductance / np.array(farads)[:, np.newaxis]
    circuit = Circuit(netlist)
    circuit.charge({f"C{i}": 0.0 for i in range(4)})
    run = circuit.run(silence(), 2.0, nodes[1:], base_s=0.05)
    for n, time_s in enumerate(run.times_s):
        expected = 1 - expm(rates * time_s) @ np.ones(4)
        assert [run.volts[node][n] for node in nodes[1:]] == pytest.approx(expected, abs=1e-5)
    assert run.taken < 2_000


def test_the_error_falls_with_the_square_of_the_step() -> None:
    # A first-order low pass on a sine, step by step without error control: order 2 of TR-BDF2.
    wave = sine(1.0, 1000.0, 5e-3)
    errors = []
    for per_cycle in (32, 64, 128):
        circuit = Circuit([signal(), Resistor("R", "in", "c", 1e3), Capacitor("C", "c", "0", 1e-7)])
        circuit.settle()
        run = circuit.run(wave, 4e-3, ["c"], base_s=1e-3 / per_cycle, absolute_v=1e3)
        w, t = 2 * np.pi * 1000.0, 1e-4
        phase = math.atan(w * t)
        true = (np.sin(w * run.times_s - phase) + math.sin(phase) * np.exp(-run.times_s / t)) * math.cos(
            phase
        )
        errors.append(float(np.abs(run.volts["c"] - true)[per_cycle:].max()))
    assert errors[0] / errors[1] == pytest.approx(4.0, rel=0.1)
    assert errors[1] / errors[2] == pytest.approx(4.0, rel=0.1)


@pytest.mark.parametrize("frequency_hz", [300.0, 1000.0, 4000.0])
def test_second_order_low_passes_by_their_transfer_functions(frequency_hz: float) -> None:
    # Sallen–Key with unity gain: 1/(1 + s·C2·(R1 + R2) + s²·R1·R2·C1·C2). Multiple feedback:
    # −(R3/R1)/(1 + s·C2·(R2 + R3 + R2·R3/R1) + s²·R2·R3·C1·C2). Both by Kirchhoff's law at two nodes.
    r1, r2, r3, c1, c2, s = 10e3, 15e3, 22e3, 33e-9, 10e-9, 2j * math.pi * frequency_hz
    sallen_key: list[Part] = [
        signal(),
        Resistor("R1", "in", "m", r1),
        Resistor("R2", "m", "p", r2),
        Capacitor("C1", "m", "out", c1),
        Capacitor("C2", "p", "0", c2),
        Amplifier("U1", "p", "out", "out", 1e9),
    ]
    expected = 1 / (1 + s * c2 * (r1 + r2) + s**2 * r1 * r2 * c1 * c2)
    assert abs(answer(sallen_key, "out", frequency_hz, 0.01) / expected - 1) < 2e-4
    feedback: list[Part] = [
        signal(),
        Resistor("R1", "in", "m", r1),
        Capacitor("C1", "m", "0", c1),
        Resistor("R2", "m", "n", r2),
        Resistor("R3", "m", "out", r3),
        Capacitor("C2", "n", "out", c2),
        Amplifier("U1", "0", "n", "out", 1e9),
    ]
    expected = -(r3 / r1) / (1 + s * c2 * (r2 + r3 + r2 * r3 / r1) + s**2 * r2 * r3 * c1 * c2)
    assert abs(answer(feedback, "out", frequency_hz, 0.02) / expected - 1) < 2e-4


@pytest.mark.parametrize("volts", [-3.0, 0.05, 0.3, 0.7, 2.0, 10.0])
def test_a_diode_with_series_resistance_by_lambert_w(volts: float) -> None:
    # Banwell 2000 (cited), as a Wright omega (scipy), which does not overflow.
    ohm, s, saturation_a = 1e3, SILICON["slope_v"], SILICON["saturation_a"]
    netlist: list[Part] = [
        signal(0.0, volts),
        Diode("D", "in", "k", **SILICON, series_ohm=0.6),
        Resistor("R", "k", "0", ohm),
        Capacitor("C", "k", "0", 1e-9),
    ]
    whole = ohm + 0.6
    knee = whole * saturation_a / s
    expected_a = s / whole * float(wrightomega(volts / s + knee + math.log(knee))) - saturation_a
    assert at_rest(netlist, ["k"])["k"] / ohm == pytest.approx(expected_a, rel=1e-8, abs=1e-16)


def test_leakage_lies_across_the_junction() -> None:
    netlist: list[Part] = [
        signal(0.0, -1.0),
        Diode("D", "in", "k", **SILICON, leakage_ohm=1e6),
        Resistor("R", "k", "0", 1e4),
    ]
    at = at_rest([*netlist, Capacitor("C", "k", "0", 1e-9)], ["k"])["k"]
    assert at == pytest.approx(-1e4 * (2.5e-9 + (1 + at) / 1e6), rel=1e-6)


def test_thermal_voltage() -> None:
    assert thermal_v(300.0) == pytest.approx(25.852e-3, rel=2e-5)  # kT/q, CODATA by scipy
    assert thermal_v() == Boltzmann * 298.15 / elementary_charge


def test_an_emitter_follower_by_lambert_w() -> None:
    # In the active region the emitter carries (1 + 1/β)·Is·(exp(v_be/V_T) − 1), so that it is the diode with
    # series resistance once more; the base draws 1/(1 + β) of it. iR = −Is is left out: 1e-14 A.
    gain, saturation_a, ohm, volts, s = 150.0, 1e-14, 2.2e3, 1.5, thermal_v()
    netlist: list[Part] = [
        VoltageSource("supply", "c", "0", 3.3),
        VoltageSource("drive", "in", "0", volts),
        Resistor("Rb", "in", "b", 1e3),
        Transistor("Q", "c", "b", "e", saturation_a, s, gain),
        Resistor("Re", "e", "0", ohm),
        Capacitor("C", "e", "0", 1e-9),
    ]
    at = at_rest(netlist, ["e", "b"])
    whole = ohm + 1e3 / (1 + gain)
    emitter_a = (1 + 1 / gain) * saturation_a
    knee = whole * emitter_a / s
    expected_a = s / whole * float(wrightomega(volts / s + knee + math.log(knee))) - emitter_a
    assert at["e"] / ohm == pytest.approx(expected_a, rel=1e-6)
    assert (volts - at["b"]) / 1e3 == pytest.approx(expected_a / (1 + gain), rel=1e-6)


def test_a_saturated_transistor_by_ebers_and_moll() -> None:
    # v_ce of a saturated transistor: V_T·ln((1 + (1 + x)/βR)/(1 − x/βF)), x = Ic/Ib (the textbooks' form of
    # the two equations, junction currents far above Is).
    base_a, forced = 1e-3, 10.0
    netlist: list[Part] = [
        CurrentSource("Ib", "0", "b", base_a),
        CurrentSource("Ic", "0", "c", forced * base_a),
        Transistor("Q", "c", "b", "0", 1e-14, thermal_v(), 100.0, 2.0),
        Capacitor("C", "c", "0", 1e-12),
        Capacitor("Cb", "b", "0", 1e-12),
    ]
    expected = thermal_v() * math.log((1 + (1 + forced) / 2.0) / (1 - forced / 100.0))
    assert at_rest(netlist, ["c"])["c"] == pytest.approx(expected, rel=1e-6)


# Vdc over Vp of a diode detector with a large capacitor: tan θ − θ = π·Rs/RL (half wave), π·Rs/(2·RL) (full
# wave), Vdc = Vp·cos θ: the large-signal detector of RF textbooks.
ANGLES = [
    (0.001, 0.97803, 0.98608),
    (0.01, 0.90354, 0.93764),
    (0.1, 0.64546, 0.75180),
    (1.0, 0.21723, 0.33651),
]


@pytest.mark.parametrize(("ratio", "half", "full"), ANGLES)
def test_conduction_angle(ratio: float, half: float, full: float) -> None:
    # Diodes whose drop is nothing beside 1 kV; ω·C·RL = 1000.
    peak, load, f = 1e3, 1e5, 50.0
    farad = 1000 / (2 * math.pi * f * load)
    ideal = {"saturation_a": 1e-6, "slope_v": 1e-3}
    for expected, both in ((half, False), (full, True)):
        netlist: list[Part] = [
            signal(),
            ControlledSource("inverse", "0", "in", "other"),
            Diode("D1", "in", "s", **ideal),
            Resistor("Rs", "s", "h", ratio * load),
            Capacitor("C", "h", "0", farad),
            Resistor("RL", "h", "0", load),
        ]
        if both:
            netlist.append(Diode("D2", "other", "s", **ideal))
        circuit = Circuit(netlist)
        circuit.charge({"C": 0.97 * expected * peak})
        # The time constant of the mean is RL·C at most, 1000/(2π) cycles.
        lasts_s = 810 / f
        run = circuit.run(sine(peak, f, lasts_s), lasts_s, ["h"], base_s=1 / (64 * f), absolute_v=1e-3)
        assert run.volts["h"][-640:].mean() / peak == pytest.approx(expected, abs=4e-4)


def test_a_doubler_without_a_load_holds_twice_the_peak() -> None:
    kit = Kit(release_ohm=1e9, attack_ohm=100.0, hold_farad=1e-8)
    circuit = Circuit(
        [
            VoltageSource("signal", "P", "0", 0.0, 1.0),
            Capacitor("C10", "P", "X", 1e-6),
            Diode("D1", "0", "X", 1e-12, 2e-3),
            Diode("D2", "X", "S", 1e-12, 2e-3),
            Resistor("R4", "S", "H", kit.attack_ohm),
            Capacitor("C3", "H", "0", kit.hold_farad),
        ]
    )
    run = circuit.run(sine(50.0, 1e3, 0.3), 0.3, ["H"], base_s=1e-5)
    # Two drops of 2 mV·ln(i/1 pA), some 20 mV each at a microampere, remain.
    assert run.volts["H"][-1] == pytest.approx(100.0, abs=0.1)


def test_a_coupled_diode_against_another_method() -> None:
    # tests/reference/diode_circuit.py: bracketed roots and LSODA.
    f, ohm = 1000.0, 4.7e3
    other = DiodeCircuit(
        2.5e-9, 1.75, 298.15, ohm + 0.6, 0.1e-6, 100e3, leak_ohm=1e15, coupling_farad=0.47e-6, return_ohm=10e3
    )
    netlist: list[Part] = [
        signal(),
        Capacitor("C10", "in", "x", 0.47e-6),
        Resistor("R15", "x", "0", 10e3),
        Diode("D", "x", "s", **SILICON, series_ohm=0.6),
        Resistor("R4", "s", "h", ohm),
        Capacitor("C3", "h", "0", 0.1e-6),
        Resistor("R5", "h", "0", 100e3),
    ]
    circuit = Circuit(netlist)
    circuit.settle()
    run = circuit.run(sine(1.0, f, 0.02), 0.02, ["h"], base_s=1e-5, relative=1e-8, absolute_v=1e-9)
    times_s = np.concatenate(([0.0], run.times_s))
    expected = other.held_v(lambda t: math.sin(2 * math.pi * f * t), times_s, 1e-5)[1:]
    assert run.volts["h"] == pytest.approx(expected, abs=3e-6)


def test_energy_given_is_energy_stored_and_lost() -> None:
    # A diode, a resistor, a capacitor: what the source gives is in the capacitor or was heat in the others.
    netlist: list[Part] = [
        signal(),
        Diode("D", "in", "s", **SILICON),
        Resistor("R4", "s", "h", 1e3),
        Capacitor("C3", "h", "0", 1e-6),
        Resistor("R5", "h", "0", 10e3),
    ]
    circuit = Circuit(netlist)
    run = circuit.run(sine(2.0, 200.0, 0.02), 0.02, ["in", "s", "h"], base_s=1e-6)
    given, s, held = (run.volts[node] for node in ("in", "s", "h"))
    current_a = (s - held) / 1e3
    heat = np.trapezoid((given - s) * current_a + 1e3 * current_a**2 + held**2 / 10e3, run.times_s)
    stored = 0.5e-6 * held[-1] ** 2
    assert np.trapezoid(given * current_a, run.times_s) == pytest.approx(heat + stored, rel=1e-5)
    assert stored > 0.01 * heat


@pytest.mark.parametrize("name", list(HAND_DRAWN))
def test_charge_through_the_attack_resistor_is_what_the_release_lets_out(name: str) -> None:
    # Over one cycle of a steady tone mean current in is mean voltage over R5, but for what is left to settle.
    kit = Kit(hold_farad=0.1e-6, release_ohm=47e3)
    circuit = Circuit(HAND_DRAWN[name](kit))
    circuit.settle()
    foot = next(part.b for part in HAND_DRAWN[name](kit) if part.name == "R5")
    wave = sine(0.8, 1000.0, 0.2)
    circuit.run(wave, 0.19, ["S"], base_s=5e-6)
    run = circuit.run(wave, 0.01, ["S-H", f"H-{foot}"], base_s=1e-6)
    into_a = np.mean(run.volts["S-H"]) / kit.attack_ohm
    change_a = kit.hold_farad * (run.volts[f"H-{foot}"][-1] - run.volts[f"H-{foot}"][0]) / 0.01
    assert into_a - change_a == pytest.approx(np.mean(run.volts[f"H-{foot}"]) / kit.release_ohm, rel=1e-3)


def test_the_wave_through_samples_is_the_band_limited_one() -> None:
    rate_hz, f = 48_000.0, 17_000.0
    n = np.arange(9600)
    window = (
        np.sin(np.pi * np.clip(n / 2000, 0, 1) / 2) ** 2
        * np.sin(np.pi * np.clip((9600 - n) / 2000, 0, 1) / 2) ** 2
    )
    waves = sampled(window * np.sin(2 * np.pi * f * n / rate_hz), rate_hz)
    times_s = np.random.default_rng(1).uniform(0.06, 0.14, 1000)
    assert waves.at(times_s) == pytest.approx(np.sin(2 * np.pi * f * times_s), abs=1e-6)


def test_halving_the_tolerance_moves_a_real_rectifier_by_nothing() -> None:
    held = []
    for relative, absolute_v in ((1e-6, 1e-7), (1e-8, 1e-9)):
        circuit = Circuit(HAND_DRAWN["difference_superdiodes"](Kit(reference_v=0.15, hold_farad=0.1e-6)))
        circuit.settle()
        wave = sine(0.02, 4000.0, 0.005)
        run = circuit.run(wave, 0.005, ["H-N"], base_s=2.5e-6, relative=relative, absolute_v=absolute_v)
        held.append(run.volts["H-N"])
    assert np.abs(held[0] - held[1]).max() < 2e-5 * held[1].max()


def test_a_name_given_twice_is_refused() -> None:
    with pytest.raises(ValueError, match="given twice: \\['R'\\]"):
        Circuit([Resistor("R", "a", "0", 1.0), Resistor("R", "b", "0", 1.0)])

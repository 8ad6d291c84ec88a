"""Where a diode's leakage flows: across the diode alone, and through whatever feeds it.

Against tests/reference/leaky_diode.py, which knows nodes and parts only. Diode constants are those of the
classes, from memory; the bounds are half steps of the midpoint rule, far below what a misplaced leak makes.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from reference.leaky_diode import LeakyDiode

from envlab.analog.bank.diode_bank import diode_bank_of, read_diode_bank
from envlab.analog.detector import PeakDetector
from envlab.analog.envelope import hold_signal
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.tones.nonlinear_steady_state import settled_ratio_at

RATE_HZ = 384_000.0
GERMANIUM = (2e-6, 1.3, 7.0, 2e6)
SILICON = (2.5e-9, 1.75, 0.6, 1e9)


def share_of_peak(detector: PeakDetector, rectifier: Rectifier, circuit: LeakyDiode, tone: tuple) -> float:
    peak_v, frequency_hz, duration_s = tone
    n = np.arange(round(duration_s * RATE_HZ))
    signal_v = peak_v * np.sin(2 * np.pi * frequency_hz * n / RATE_HZ)
    held_v, _ = hold_signal(signal_v, rectifier, detector, sample_rate_hz=RATE_HZ)
    stamps_s = (n[::32] + 0.5) / RATE_HZ
    truth_v = circuit.held_v(
        lambda t: peak_v * math.sin(2 * math.pi * frequency_hz * t), stamps_s, 1 / (64 * frequency_hz)
    )
    return float(np.abs(held_v[::32] - truth_v).max() / np.abs(truth_v).max())


@pytest.mark.parametrize(
    ("diode", "parts", "return_ohm"),
    [("germanium", GERMANIUM, 47e3), ("germanium", GERMANIUM, None), ("silicon", SILICON, None)],
)
def test_a_coupling_capacitor_carries_the_leakage_too(diode, parts, return_ohm):
    # with a leak that did not flow through the coupling capacitor: 1.5e-2, 0.73 and 1.0e-3 of the peak
    detector = PeakDetector(2.2e3, 0.47e-6, 100e3)
    rectifier = Rectifier(
        "half", diode=diode, reference="coupled", coupling_farad=22e-9, return_ohm=return_ohm
    )
    circuit = LeakyDiode(2.2e3, 0.47e-6, 100e3, *parts, 22e-9, return_ohm or math.inf)
    assert share_of_peak(detector, rectifier, circuit, (1.0, 500.0, 0.06)) < 2e-4


@pytest.mark.parametrize(("coupling_farad", "hold_farad"), [(22e-9, 0.47e-6), (22e-9, 22e-9), (1e-9, 0.1e-6)])
def test_a_leak_of_kiloohms_moves_both_capacitors_within_a_step(coupling_farad, hold_farad):
    detector = PeakDetector(2.2e3, hold_farad, 100e3)
    rectifier = Rectifier(
        "half",
        diode="germanium",
        reference="coupled",
        coupling_farad=coupling_farad,
        return_ohm=47e3,
        leakage_ohm=20e3,
    )
    circuit = LeakyDiode(2.2e3, hold_farad, 100e3, *GERMANIUM[:3], 20e3, coupling_farad, 47e3)
    assert share_of_peak(detector, rectifier, circuit, (1.0, 500.0, 0.01)) < 5e-4


@pytest.mark.parametrize("leak_ohm", [20e3, 200e3, 2e6])
def test_leakage_lies_across_the_diode_alone(leak_ohm):
    # beside diode and attack resistor together: 186, 12 and 1.2 % of the peak
    detector = PeakDetector(47e3, 0.1e-6, 470e3)
    rectifier = Rectifier("half", diode="germanium", leakage_ohm=leak_ohm)
    circuit = LeakyDiode(47e3, 0.1e-6, 470e3, *GERMANIUM[:3], leak_ohm)
    assert share_of_peak(detector, rectifier, circuit, (1.0, 500.0, 0.03)) < 2e-4


def test_a_leaky_diode_with_much_resistance_of_its_own():
    # the leak lies across that resistance as well
    detector = PeakDetector(4.7e3, 0.1e-6, 100e3)
    rectifier = Rectifier("half", diode="silicon", leakage_ohm=20e3, series_ohm=5e3)
    circuit = LeakyDiode(4.7e3, 0.1e-6, 100e3, 2.5e-9, 1.75, 5e3, 20e3)
    assert share_of_peak(detector, rectifier, circuit, (1.0, 500.0, 0.03)) < 2e-4


@pytest.mark.parametrize("return_ohm", [10e3, None])
def test_the_bank_leaks_alike(return_ohm):
    rectifier = Rectifier(
        "half", diode="germanium", reference="coupled", coupling_farad=22e-9, return_ohm=return_ohm,
        leakage_ohm=20e3,
    )  # fmt: skip
    detectors = tuple(PeakDetector(10e3, 0.1e-6 * k, 100e3) for k in range(1, 6))
    drive_v = np.random.default_rng(1).normal(0, 0.5, 4000)
    bank = diode_bank_of(detectors, rectifier, RATE_HZ)
    start = bank.start(np.zeros(5), np.zeros(5))
    upper = np.arange(1, drive_v.size)
    read_v, _ = read_diode_bank(drive_v, bank, upper, np.ones(upper.size), state=start)
    for lane, detector in enumerate(detectors):
        held_v, _ = hold_signal(drive_v, rectifier, detector, sample_rate_hz=RATE_HZ)
        assert np.abs(read_v[:, lane] - held_v[1:]).max() < 1e-11


@pytest.mark.parametrize(("farad", "ohm"), [(0.1e-6, 47e3), (1e-6, 1e6), (100e-6, 100e6)])
@pytest.mark.parametrize("diode", ["silicon", "germanium"])
def test_without_a_way_back_a_tone_settles_at_nothing(farad, ohm, diode):
    """Charge is kept: a coupling capacitor hands on no mean current, and only that would hold a mean voltage.

    Where a cycle of 1 ms moves capacitors that take 3 hours by 1e-7, rest is known to 1e-13/1e-7. Before the
    leakage went through the coupling capacitor the last pair settled at −0.08 of the peak.
    """
    rectifier = Rectifier("half", diode=diode, reference="coupled", coupling_farad=farad)
    ratio = settled_ratio_at(PeakDetector(1e3, farad, ohm), rectifier, 1000.0, 0.5)
    assert abs(ratio) < 1e-5

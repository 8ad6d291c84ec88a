"""Passive diode and capacitor against the circuit's equations in continuous time, solved apart."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from reference.diode_circuit import DiodeCircuit
from reference.examples import examples
from scipy.constants import Boltzmann, elementary_charge
from scipy.optimize import brentq

from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.diodes.diode import DIODE_CLASSES
from envlab.analog.diodes.passive import diode_step
from envlab.analog.envelope import HoldState, hold_signal
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.errors import ParameterError

RATE_HZ = 384_000.0
# (saturation A, emission, series Ω, leakage Ω) of the classes, written once more; values from memory
CLASSES = {
    "silicon": (2.5e-9, 1.75, 0.6, 1e9),
    "schottky": (0.2e-6, 1.05, 2.0, 20e6),
    "germanium": (2e-6, 1.3, 7.0, 2e6),
}


def circuit_of(diode: str, detector: PeakDetector, in_path: int = 1, **more: float) -> DiodeCircuit:
    saturation, emission, series, leakage = CLASSES[diode]
    return DiodeCircuit(
        saturation,
        in_path * emission,
        298.15,
        detector.attack_ohm + in_path * series,
        detector.hold_farad,
        detector.release_ohm,
        in_path * leakage,
        **more,
    )


# (diode, kind, frequency, peak V, attack, hold, release): slow and fast, far above and deep below the knee
CASES = [
    ("silicon", "half", 1000.0, 1.5, 1e3, 1e-6, 100e3),
    ("silicon", "full", 40.0, 1.0, 4.7e3, 1e-6, 220e3),
    ("silicon", "full", 10_000.0, 1.5, 470.0, 0.1e-6, 33e3),
    ("schottky", "half", 1000.0, 0.16, 1e3, 1e-6, 100e3),
    ("schottky", "full", 10_000.0, 1.0, 4.7e3, 0.22e-6, 47e3),
    ("germanium", "half", 200.0, 0.5, 2.2e3, 0.47e-6, 100e3),
    ("silicon", "half", 3000.0, 3.0, 10e3, 0.1e-6, 1e6),
]


@pytest.mark.parametrize("case", CASES)
def test_tone_out_of_silence(case):
    diode, kind, frequency_hz, peak_v, attack, hold, release = case
    detector, rectifier = PeakDetector(attack, hold, release), Rectifier(kind, diode=diode)
    samples = round(8 / frequency_hz * RATE_HZ)
    n = np.arange(samples)
    tone_v = peak_v * np.sin(2 * np.pi * frequency_hz * n / RATE_HZ)
    held_v, _ = hold_signal(tone_v, rectifier, detector, sample_rate_hz=RATE_HZ)

    def source_v(time_s: float) -> float:
        wave = peak_v * math.sin(2 * math.pi * frequency_hz * time_s)
        return abs(wave) if kind == "full" else wave

    stamps_s = (n[::7] + 0.5) / RATE_HZ
    truth = circuit_of(diode, detector).held_v(source_v, stamps_s, 1 / (64 * frequency_hz))
    assert np.abs(held_v[::7] - truth).max() < 1e-3 * peak_v
    # within 0.1 dB where the truth exceeds −50 dB of the peak, from 1 ms after the onset
    seen = (truth > 10**-2.5 * peak_v) & (stamps_s > 1e-3)
    if seen.any():
        assert np.abs(20 * np.log10(held_v[::7][seen] / truth[seen])).max() < 0.1


def test_the_reference_is_settled():
    # halving its tolerance and its step changes nothing above 1e-5 of the peak
    detector = PeakDetector(1e3, 1e-6, 100e3)
    times = np.linspace(1e-5, 5e-3, 300)
    circuit = circuit_of("silicon", detector)

    def source_v(time_s: float) -> float:
        return 1.5 * math.sin(2 * math.pi * 1000 * time_s)

    rough = circuit.held_v(source_v, times, 1 / 64_000)
    fine = circuit.held_v(source_v, times, 1 / 128_000, tolerance=5e-9)
    assert np.abs(rough - fine).max() < 1e-5 * 1.5


@pytest.mark.parametrize("return_ohm", [100e3, 10e3, None])
def test_half_wave_behind_a_coupling_capacitor(return_ohm):
    detector = PeakDetector(2.2e3, 0.47e-6, 100e3)
    rectifier = Rectifier(
        "half", diode="schottky", reference="coupled", coupling_farad=0.1e-6, return_ohm=return_ohm
    )
    n = np.arange(round(0.02 * RATE_HZ))
    tone_v = np.sin(2 * np.pi * 1000 * n / RATE_HZ)
    held_v, _ = hold_signal(tone_v, rectifier, detector, sample_rate_hz=RATE_HZ)
    circuit = circuit_of("schottky", detector, coupling_farad=0.1e-6, return_ohm=return_ohm or math.inf)
    stamps_s = (n[::16] + 0.5) / RATE_HZ
    truth = circuit.held_v(lambda t: math.sin(2 * math.pi * 1000 * t), stamps_s, 1 / 64_000)
    # the leakage of 20 MΩ is the only thing that is not solved within the step
    assert np.abs(held_v[::16] - truth).max() < 1e-3


def test_without_a_dc_return_it_ends_at_zero():
    # "A passive half wave without a DC return reads zero": the coupling capacitor has charged, C has bled.
    detector = PeakDetector(1e3, 0.1e-6, 47e3)
    sine = np.sin(2 * np.pi * 1000 * np.arange(round(0.5 * RATE_HZ)) / RATE_HZ)

    def reads(return_ohm: float | None) -> float:
        rectifier = Rectifier(
            "half", diode="schottky", reference="coupled", coupling_farad=0.1e-6, return_ohm=return_ohm
        )
        held_v, _ = hold_signal(sine, rectifier, detector, sample_rate_hz=RATE_HZ)
        return float(held_v[-384:].mean())

    assert reads(10e3) > 0.3
    assert abs(reads(None)) < 0.03


def test_a_limited_drive_charges_at_its_current():
    detector = PeakDetector(10.0, 10e-6, 1e6)
    drive = np.full(1000, 2.0)
    for rectifier in (
        Rectifier("full", output_current_a=5e-3),
        Rectifier("full", diode="schottky", output_current_a=5e-3),
    ):
        held_v, _ = hold_signal(drive, rectifier, detector, sample_rate_hz=RATE_HZ)
        # C·dv/dt = I: 5 mA into 10 µF are 500 V/s, less what bleeds
        assert held_v[499] == pytest.approx(500 * 500 / RATE_HZ, rel=1e-4)
        free, _ = hold_signal(drive, Rectifier("full"), detector, sample_rate_hz=RATE_HZ)
        assert (held_v < free).all()


def test_bridge_drops_twice():
    # With hardly any load the held voltage latencies by the drop at the bleed current, per diode in the path.
    detector = PeakDetector(100.0, 1e-6, 1e6)
    slope = 1.75 * Boltzmann * 298.15 / elementary_charge

    def loss_v(held: float) -> float:
        return slope * math.log1p(held / 1e6 / 2.5e-9) + held / 1e6 * 100.6

    steady = np.full(round(1.0 * RATE_HZ), 2.0)
    for in_path in (1, 2):
        rectifier = Rectifier("full", diode="silicon", diodes_in_path=in_path, leakage_ohm=1e15)
        held_v, _ = hold_signal(steady, rectifier, detector, sample_rate_hz=RATE_HZ)
        expected = brentq(lambda v, k=in_path: v + k * loss_v(v) - 2.0, 0.1, 2.0)
        assert held_v[-1] == pytest.approx(expected, abs=2e-4)


def test_reverse_leakage_discharges():
    detector = PeakDetector(1e3, 1e-6, 1e9)
    silence = np.zeros(round(0.2 * RATE_HZ))
    start = HoldState(1.0)
    ends = {}
    for diode in ("silicon", "germanium"):
        rectifier = Rectifier("half", diode=diode)
        _, end = hold_signal(silence, rectifier, detector, sample_rate_hz=RATE_HZ, state=start)
        ends[diode] = end.held_v
    # 2 µA out of 1 µF for 0.2 s: 0.4 V, and 0.5 µA more through 2 MΩ
    assert ends["germanium"] == pytest.approx(0.52, abs=0.03)
    assert ends["silicon"] == pytest.approx(1 - 0.2 * (2.5e-9 + 2e-9) / 1e-6, abs=1e-4)


@pytest.mark.parametrize("cut", [1, 63, 500, 999])
@pytest.mark.parametrize("reference", ["node", "coupled"])
def test_split_equals_whole(cut, reference):
    coupling = {"coupling_farad": 1e-7, "return_ohm": 10e3} if reference == "coupled" else {}
    rectifier = Rectifier("half", diode="silicon", reference=reference, **coupling)
    detector = PeakDetector(1e3, 1e-7, 100e3)
    signal = np.random.default_rng(3).normal(0, 0.7, 1000)
    whole, end = hold_signal(signal, rectifier, detector, sample_rate_hz=RATE_HZ)
    first, middle = hold_signal(signal[:cut], rectifier, detector, sample_rate_hz=RATE_HZ)
    second, last = hold_signal(signal[cut:], rectifier, detector, sample_rate_hz=RATE_HZ, state=middle)
    assert np.array_equal(whole, np.concatenate((first, second)))
    assert end == last


PARTS = st.builds(
    PeakDetector,
    st.floats(0.01, 1e8),
    st.floats(1e-12, 1.0),
    st.floats(1.0, 1e9),
)


@examples(150)
@example(PeakDetector(842.7e3, 1e-12, 4.18e6), "germanium", 18.0, 0)  # leakage is the quicker way
@given(PARTS, st.sampled_from(sorted(DIODE_CLASSES)), st.floats(1e-3, 30.0), st.integers(0, 2**31))
def test_held_voltage_never_passes_its_drive(detector, diode, peak_v, seed):
    drive = peak_v * np.abs(np.random.default_rng(seed).normal(0, 1, 300))
    rectifier = Rectifier("full", diode=diode)
    held_v, _ = hold_signal(drive, rectifier, detector, sample_rate_hz=RATE_HZ)
    assert np.isfinite(held_v).all()
    most_so_far = np.maximum.accumulate(drive)
    assert (held_v <= most_so_far * (1 + 1e-9)).all()


@examples(50)
@given(st.floats(10, 1e5), st.floats(1e-8, 1e-5), st.floats(1e3, 1e6), st.floats(1.1, 10))
def test_more_release_resistance_never_falls_faster(attack, hold, release, more):
    rectifier = Rectifier("half", diode="silicon")
    silence, start = np.zeros(500), HoldState(1.0)
    slow, fast = (
        hold_signal(silence, rectifier, PeakDetector(attack, hold, one), sample_rate_hz=RATE_HZ, state=start)[
            0
        ]
        for one in (release * more, release)
    )
    assert (slow >= fast - 1e-12).all()


def test_an_average_needs_a_precision_rectifier():
    with pytest.raises(ParameterError, match=r"^detector is 'average'; it must be a peak detector behind"):
        diode_step(AverageDetector(1e3, 1e-6), Rectifier("full", diode="silicon"), RATE_HZ)


@pytest.mark.parametrize(
    ("fields", "text"),
    [
        ({"reference": "coupled"}, 'coupling_farad is None; it must be given for reference "coupled"'),
        ({"reference": "coupled", "coupling_farad": 1e-6}, "reference is 'coupled'; it must be of a passive"),
        (
            {"coupling_farad": 1e-6},
            "reference is 'node'; it must be \"coupled\", as coupling_farad is given",
        ),
        ({"emission": 1.2}, "diode is 'none'; it must be a class, as emission is given"),
        ({"diodes_in_path": 3}, "diodes_in_path is 3; it must be 1, or 2 for a bridge"),
        ({"diode": "tube"}, "diode is 'tube'; it must be one of none, silicon, schottky, germanium"),
        ({"output_current_a": 0.0}, "output_current_a is 0.0; it must be above 0 A"),
        ({"diode": "silicon", "emission": 9.0}, "emission is 9.0; it must be from 0.8 to 4"),
    ],
)
def test_rectifiers_that_cannot_be(fields, text):
    with pytest.raises(ParameterError, match=f"^{text}"):
        Rectifier(**fields)

"""Sounds heard at the internal rate that they need, against the same circuit in continuous time.

The allowance is that of the full rate: 2e-3 of the detector's own peak (tests/analog/test_truth.py). The
reference (tests/reference/circuit.py) solves the differential equations on the band-limited wave itself. Open
recordings are longer than it could solve: there the full rate is the reference, whose own error it bounds.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from reference import circuit
from reference.circuit import TOLERANCE, Wave
from reference.recordings import open_recording_files

from envlab.analog.detector import PeakDetector, detect
from envlab.analog.rectifiers.ideal import Rectifier, rectify
from envlab.chain import Chain
from envlab.shipped import demo_design
from envlab.sound.internal_rate import INTERNAL_RATES_MIN_HZ, needed_rate_min_hz
from envlab.sound.interpolate import internal_rate_hz, interpolate
from envlab.sound.recording import Recording, read_recording
from envlab.study.specification.heard_sounds import hearing_of
from envlab.study.specification.specification import read_specification

ALLOWED = 2e-3
RELEASE_S = 0.05


def swelling(frequency_hz: float, duration_s: float, rate_hz: float) -> np.ndarray:
    t = np.arange(round(duration_s * rate_hz)) / rate_hz
    return np.sin(2 * np.pi * frequency_hz * t + 0.3) * np.hanning(t.size)


def share_of_peak(got: np.ndarray, expected: np.ndarray) -> float:
    return float(np.abs(got - expected).max() / np.abs(expected).max())


def error_at(signal_v: np.ndarray, rate_hz: float, least_hz: float, attack_s: float) -> float:
    fine_hz = internal_rate_hz(rate_hz, least_hz)
    detector = PeakDetector(attack_s / 1e-6, 1e-6, RELEASE_S / 1e-6)
    held_v, _ = detect(
        rectify(interpolate(signal_v, rate_hz, least_hz), Rectifier("full")), detector, sample_rate_hz=fine_hz
    )
    wave = Wave(signal_v, rate_hz)
    n = np.arange(0, held_v.size, 3)
    n = n[(n + 0.5) / fine_hz < wave.duration_s]
    parts = [circuit.Peak(detector.attack_ohm, detector.hold_farad, detector.release_ohm)]
    truth = circuit.detector_volts(
        wave, parts, (n + 0.5) / fine_hz, full_wave=True, start_s=-0.5 / fine_hz, tolerance=TOLERANCE
    )[0]
    return share_of_peak(held_v[n], truth)


@pytest.mark.parametrize(
    ("frequency_hz", "attack_s", "rate_hz", "least_hz"),
    [
        # Just inside each limit.
        (3_600, 1e-3, 48_000, 88_200), (3_340, 1e-3, 44_100, 88_200), (7_200, 1e-3, 48_000, 176_400),
        (1_700, 1e-4, 48_000, 88_200), (3_400, 1e-4, 48_000, 176_400), (2_450, 3.2e-4, 48_000, 88_200),
        (200, 1e-4, 48_000, 88_200), (1_000, 1e-2, 44_100, 88_200), (10_900, 1e-3, 48_000, 264_600),
        # Of which a whole number of samples makes a cycle, or nearly so: the worst tones.
        (3_267, 1e-3, 44_100, 88_200), (3_150, 1e-2, 44_100, 88_200), (3_150, 1e-3, 44_100, 88_200),
        (1_520, 1e-4, 44_100, 88_200), (1_575, 1e-4, 44_100, 88_200), (2_450, 4e-4, 44_100, 88_200),
        (10_667, 1e-3, 48_000, 264_600), (6_857, 1e-3, 48_000, 176_400), (3_310, 1e-4, 48_000, 176_400),
    ],
)  # fmt: skip
def test_tones_at_the_rate_that_they_need(
    frequency_hz: float, attack_s: float, rate_hz: float, least_hz: float
) -> None:
    signal_v = swelling(frequency_hz, 0.02, rate_hz)
    sound = Recording(signal_v, rate_hz)
    assert needed_rate_min_hz(sound, np.inf, attack_s) == least_hz
    assert error_at(signal_v, rate_hz, least_hz, attack_s) < ALLOWED


def test_a_coarser_rate_than_needed_would_err_too_far() -> None:
    signal_v = swelling(9_500, 0.02, 48_000)
    assert needed_rate_min_hz(Recording(signal_v, 48_000.0), np.inf, 1e-4) == INTERNAL_RATES_MIN_HZ[-1]
    assert error_at(signal_v, 48_000, 88_200, 1e-4) > 2 * ALLOWED


@pytest.mark.parametrize("over", [1.5, 2.0, 5.0, 10.0])
def test_cut_off_tones_of_which_every_cycle_errs_alike(over: float) -> None:
    """Against a rate four times as high as the full one. What internal_rate.py says they may err by."""
    furthest = 0.0
    for samples in range(20, 110, 6):
        tone = swelling(88_200 / samples * 1.0005, 0.02, 44_100)
        for attack_s in (1e-4, 1e-3, 1e-2):
            if needed_rate_min_hz(Recording(tone, 44_100.0), 1 / over, attack_s) > 88_200:
                continue
            detector = PeakDetector(attack_s / 1e-6, 1e-6, RELEASE_S / 1e-6)
            got, expected = (cut_off(tone, over, least_hz, detector) for least_hz in (88_200, 1.4e6))
            furthest = max(furthest, share_of_peak(got, expected))
    assert 1e-4 < furthest < 5e-3


def cut_off(tone: np.ndarray, over: float, least_hz: float, detector: PeakDetector) -> np.ndarray:
    wave = np.clip(interpolate(tone, 44_100, least_hz), -1 / over, 1 / over)
    rate_hz = internal_rate_hz(44_100, least_hz)
    held_v, _ = detect(rectify(wave, Rectifier("full")), detector, sample_rate_hz=rate_hz)
    return np.interp(np.arange(10, tone.size - 10) / 44_100, (np.arange(held_v.size) + 0.5) / rate_hz, held_v)


def boards() -> dict[str, Chain]:
    """The parade's real rectifier, the moon's, and an ideal one; detectors of 0.1, 1 and 4.5 ms."""
    chains = {name: read_specification(demo_design(name)).chain for name in ("lantern-parade", "garden-moon")}
    made = {"ideal": Chain()} | chains
    return {
        f"{name}, attack {attack_ohm:g} Ω": replace(
            chain, detector=replace(chain.detector, attack_ohm=attack_ohm, hold_farad=470e-9)
        )
        for name, chain in made.items()
        for attack_ohm in (220.0, 2.2e3, 10e3)
    }


def is_quick(chain: Chain) -> bool:
    return chain.detector.attack_ohm < 1e3


# Peak levels of the recordings: under clipping, and so many times as loud as a board can follow. Beyond three
# times a quick detector hears none of them at less than the full rate.
@pytest.mark.parametrize(
    ("name", "over"),
    [
        (name, over)
        for name, chain in boards().items()
        for over in ((0.5, 1.5, 2.0, 3.0) if is_quick(chain) else (0.5, 2.0, 5.0, 10.0))
    ],
)
def test_open_recordings_at_the_rate_that_they_need(name: str, over: float) -> None:
    chain = boards()[name]
    as_heard, heard_coarsely = hearing_of(chain, {}), 0
    files = open_recording_files()
    for file in files[:: len(files) // 12]:
        found = read_recording(file, 90.0)
        found = replace(found, pressure_pa=found.pressure_pa[: round(1.5 * found.sample_rate_hz)])
        sound = replace(found, pressure_pa=found.pressure_pa * (over * as_heard.clips_pa / found.largest_pa))
        coarse = as_heard.of(sound)
        if coarse.internal_rate_hz == sound.internal_rate_hz:
            continue
        heard_coarsely += 1
        fine, less = chain.run(sound), chain.run(coarse)
        times_s = np.arange(10, 1000 * sound.duration_s - 10) / 1000
        expected, got = (
            np.interp(times_s, run.detector_time_s, run.detector_v) - run.quiescent_v for run in (fine, less)
        )
        assert share_of_peak(got, expected) < ALLOWED, (file.name, coarse.internal_rate_hz)
    assert heard_coarsely >= (3 if is_quick(chain) else 8)

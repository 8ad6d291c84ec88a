"""Sampled circuit against the same circuit in continuous time, within 2e-3 of the peak.

The reference (tests/reference/circuit.py) knows nothing of the package: it solves the differential equations
on the band-limited wave itself. Part values are turned into its corners here, by the textbook formulas.
"""

from __future__ import annotations

import math
import os
from pathlib import Path

import numpy as np
import pytest
from reference import circuit
from reference.circuit import TOLERANCE, FrontEnd, Wave

from envlab.analog.detector import AverageDetector, Detector, PeakDetector, detect
from envlab.analog.microphone import Microphone, hear
from envlab.analog.preamps.preamp import Preamp, amplify
from envlab.analog.rectifiers.ideal import Rectifier, rectify
from envlab.sound.interpolate import internal_rate_hz, interpolate
from envlab.sound.recording import Recording, read_recording
from envlab.sound.signals import tone, tone_burst

# The allowance stated for the whole way from sound to detector, as a share of the detector's own peak.
ALLOWED = 2e-3
# The reference may move by this when its tolerance is halved.
SETTLED = 1e-5

DETECTORS: list[Detector] = [
    # attack 0.1 ms to 20 ms, release 20 ms to 1 s, and one that averages
    PeakDetector(100.0, 1e-6, 20e3),
    PeakDetector(100.0, 1e-6, 1e6),
    PeakDetector(2e3, 1e-6, 200e3),
    PeakDetector(20e3, 1e-6, 1e6),
    AverageDetector(5e3, 1e-6),
]


def as_equations(detector: Detector) -> circuit.Peak | circuit.Average:
    if isinstance(detector, AverageDetector):
        return circuit.Average(detector.smoothing_ohm, detector.hold_farad)
    return circuit.Peak(detector.attack_ohm, detector.hold_farad, detector.release_ohm)


def stamps(samples: int, rate_hz: float, until_s: float) -> np.ndarray:
    """Indices of outputs, every fifth, stamped (n + ½)/rate, inside the clip."""
    n = np.arange(0, samples, 5)
    return n[(n + 0.5) / rate_hz < until_s]


def share_of_peak(got: np.ndarray, expected: np.ndarray) -> float:
    return float(np.abs(got - expected).max() / np.abs(expected).max())


def detector_errors(signal_v: np.ndarray, rate_hz: float, kind: str = "full") -> list[float]:
    """Error of each of DETECTORS on a signal in volts, after the reference has proven itself settled."""
    fine_hz = internal_rate_hz(rate_hz)
    drive_v = rectify(interpolate(signal_v, rate_hz), Rectifier(kind))
    wave = Wave(signal_v, rate_hz)
    n = stamps(drive_v.size, fine_hz, wave.duration_s)
    times_s = (n + 0.5) / fine_hz
    parts = [as_equations(d) for d in DETECTORS]
    expected, again = (
        circuit.detector_volts(
            wave, parts, times_s, full_wave=kind == "full", start_s=-0.5 / fine_hz, tolerance=t
        )
        for t in (TOLERANCE, TOLERANCE / 2)
    )
    for one, other in zip(expected, again, strict=True):
        assert share_of_peak(other, one) < SETTLED
    return [
        share_of_peak(detect(drive_v, d, sample_rate_hz=fine_hz)[0][n], truth)
        for d, truth in zip(DETECTORS, expected, strict=True)
    ]


@pytest.mark.parametrize(
    ("rate_hz", "frequency_hz", "duration_s"),
    [
        (8_000, 20, 0.12), (8_000, 400, 0.05), (8_000, 1_000, 0.04), (8_000, 3_000, 0.04),
        (44_100, 20, 0.06), (44_100, 60, 0.03), (44_100, 1_000, 0.02), (44_100, 10_000, 0.02),
        (48_000, 40, 0.03), (48_000, 250, 0.03), (48_000, 4_000, 0.02), (48_000, 10_000, 0.02),
        (96_000, 100, 0.012), (96_000, 2_500, 0.01), (96_000, 10_000, 0.012),
    ],
)  # fmt: skip
def test_bursts_through_rectifier_and_detector(rate_hz: int, frequency_hz: int, duration_s: float) -> None:
    burst = tone_burst(frequency_hz, 1.0, 0.1 * duration_s, 0.6 * duration_s, duration_s, rate_hz)
    errors = detector_errors(burst, rate_hz)
    assert max(errors) < ALLOWED, errors


@pytest.mark.parametrize(("rate_hz", "frequency_hz"), [(8_000, 3_000), (44_100, 10_000), (48_000, 1_000)])
def test_bursts_cut_at_their_crest(rate_hz: int, frequency_hz: int) -> None:
    # The hardest start and stop that a file can hold: a step, which rings at Nyquist before and after.
    burst = tone(frequency_hz, 1.0, 0.03, rate_hz, math.pi / 2)
    burst[: rate_hz // 300] = 0
    burst[-rate_hz // 150 :] = 0
    errors = detector_errors(burst, rate_hz, "half")
    assert max(errors) < ALLOWED, errors


def drumming(rate_hz: int, duration_s: float) -> np.ndarray:
    """Two strokes on a drum over a low chord: falling tones, noise that dies away, three steady partials."""
    rng = np.random.default_rng(31)
    t = np.arange(int(duration_s * rate_hz)) / rate_hz
    clip = 0.08 * sum(np.sin(2 * np.pi * f * t + f) for f in (110.0, 164.8, 277.2)) * (1 - np.exp(-t / 2e-3))
    for start_s, pitch_hz in ((0.01, 180.0), (0.6 * duration_s, 320.0)):
        s = np.clip(t - start_s, 0, None)
        stroke = np.sin(2 * np.pi * pitch_hz * (s + 0.004 * (1 - np.exp(-s / 0.01)))) * np.exp(-s / 0.04)
        skin = rng.standard_normal(t.size) * np.exp(-s / 0.008) * (1 - np.exp(-s / 0.0003))
        clip = clip + np.where(t >= start_s, 0.7 * stroke + 0.25 * skin, 0)
    spectrum = np.fft.rfft(clip)
    # as any converter does, nothing is left at the file's Nyquist frequency
    share = np.linspace(0, 1, spectrum.size)
    return np.fft.irfft(spectrum * np.clip((0.97 - share) / 0.07, 0, 1), clip.size)


@pytest.mark.parametrize(
    ("rate_hz", "duration_s"), [(8_000, 0.1), (44_100, 0.05), (48_000, 0.04), (96_000, 0.02)]
)
def test_music_through_rectifier_and_detector(rate_hz: int, duration_s: float) -> None:
    errors = detector_errors(drumming(rate_hz, duration_s), rate_hz)
    assert max(errors) < ALLOWED, errors


def front_end(microphone: Microphone, preamp: Preamp) -> FrontEnd:
    turn = 2 * math.pi
    leg = preamp.ground_farad
    gain = 1 + preamp.feedback_ohm / preamp.ground_ohm
    return FrontEnd(
        sensitivity_v_pa=10 ** (microphone.sensitivity_dbv_pa / 20),
        overload_pa=math.sqrt(2) * 20e-6 * 10 ** (microphone.overload_db_spl / 20),
        microphone_low_hz=microphone.low_corner_hz,
        microphone_high_hz=microphone.high_corner_hz,
        coupling_hz=1 / (turn * preamp.input_ohm * preamp.coupling_farad),
        gain=gain,
        leg_hz=1 / (turn * preamp.ground_ohm * leg) if leg else 0.0,
        gain_bandwidth_hz=preamp.gain_bandwidth_hz,
        # a capacitor in the leg leaves a gain of 1 for what stands still
        offset_v=preamp.input_offset_v * (1.0 if leg else gain),
        swing_up_v=preamp.supply_v - preamp.swing_margin_v - preamp.bias_v,
        swing_down_v=preamp.bias_v - preamp.swing_margin_v,
    )


def chain_errors(
    recording: Recording, microphone: Microphone, preamp: Preamp, kind: str = "full"
) -> tuple[float, list[float]]:
    """Error of the preamp's output, and of each of DETECTORS behind microphone, preamp and rectifier."""
    rate_hz = recording.sample_rate_hz
    fine_hz = internal_rate_hz(rate_hz)
    fine_pa = interpolate(recording.pressure_pa, rate_hz)
    microphone_v, _ = hear(fine_pa, microphone, sample_rate_hz=fine_hz)
    preamp_v = amplify(microphone_v, preamp, sample_rate_hz=fine_hz).preamp_v
    drive_v = rectify(preamp_v, Rectifier(kind))
    wave = Wave(recording.pressure_pa, rate_hz)
    n = stamps(drive_v.size, fine_hz, wave.duration_s)
    truth_v, held_v = circuit.chain_volts(
        wave,
        front_end(microphone, preamp),
        [as_equations(d) for d in DETECTORS],
        # the preamp's output stands at n/rate, the detector's at (n + ½)/rate
        np.sort(np.r_[n / fine_hz, (n + 0.5) / fine_hz]),
        full_wave=kind == "full",
        start_s=-0.5 / fine_hz,
    )
    return share_of_peak(preamp_v[n], truth_v[::2]), [
        share_of_peak(detect(drive_v, d, sample_rate_hz=fine_hz)[0][n], held[1::2])
        for d, held in zip(DETECTORS, held_v, strict=True)
    ]


PLAIN = (84.0, Microphone(), Preamp())
NARROW = (84.0, Microphone(), Preamp(feedback_ohm=99e3, ground_farad=None, gain_bandwidth_hz=1e6))
HIGH_CORNERS = (
    84.0,
    Microphone(low_corner_hz=200.0, high_corner_hz=20e3),
    Preamp(coupling_farad=10e-9, ground_farad=1e-6),
)
OVERDRIVEN = (110.0, Microphone(), Preamp())
OVERLOADED = (126.0, Microphone(), Preamp(feedback_ohm=4.7e3))

Case = tuple[float, Microphone, Preamp]


def burst_at(level_db_spl: float, rate_hz: int, frequency_hz: int, duration_s: float) -> Recording:
    burst = tone_burst(frequency_hz, 1.0, 0.1 * duration_s, 0.6 * duration_s, duration_s, rate_hz)
    return Recording(burst, rate_hz).at_level(level_db_spl)


@pytest.mark.parametrize(
    ("case", "rate_hz", "frequency_hz", "duration_s"),
    [
        (PLAIN, 8_000, 1_000, 0.03), (PLAIN, 48_000, 20, 0.06), (PLAIN, 44_100, 10_000, 0.01),
        (NARROW, 44_100, 10_000, 0.01), (NARROW, 96_000, 5_000, 0.008),
        (HIGH_CORNERS, 48_000, 60, 0.03), (HIGH_CORNERS, 44_100, 10_000, 0.01),
    ],
)  # fmt: skip
def test_bursts_through_the_whole_chain(
    case: Case, rate_hz: int, frequency_hz: int, duration_s: float
) -> None:
    level_db_spl, microphone, preamp = case
    recording = burst_at(level_db_spl, rate_hz, frequency_hz, duration_s)
    preamp_error, errors = chain_errors(recording, microphone, preamp)
    assert preamp_error < ALLOWED
    assert max(errors) < ALLOWED, errors


@pytest.mark.parametrize(
    ("case", "rate_hz", "frequency_hz", "duration_s"),
    [
        (OVERDRIVEN, 8_000, 1_000, 0.03), (OVERDRIVEN, 48_000, 60, 0.03), (OVERDRIVEN, 96_000, 5_000, 0.008),
        (OVERLOADED, 48_000, 1_000, 0.02), (OVERLOADED, 96_000, 5_000, 0.008),
    ],
)  # fmt: skip
def test_bursts_too_loud_for_the_chain(
    case: Case, rate_hz: int, frequency_hz: int, duration_s: float
) -> None:
    # A limiter's corner falls between two samples, so the limited voltage itself is not asked for.
    level_db_spl, microphone, preamp = case
    recording = burst_at(level_db_spl, rate_hz, frequency_hz, duration_s)
    _, errors = chain_errors(recording, microphone, preamp)
    assert max(errors) < ALLOWED, errors


def test_overdriven_10_khz_is_the_known_limit() -> None:
    # 1.75 times the swing at 10 kHz is half a volt from sample to sample, and the limiter's corner between
    # them is not seen. Measured 2.9e-3 with 0.1 ms attack, beyond ALLOWED, and 3e-4 from 2 ms on.
    level_db_spl, microphone, preamp = OVERDRIVEN
    _, errors = chain_errors(burst_at(level_db_spl, 44_100, 10_000, 0.01), microphone, preamp)
    assert max(errors[:2]) < 4e-3, errors
    assert max(errors[2:]) < ALLOWED, errors


@pytest.mark.parametrize("case", [PLAIN, NARROW, HIGH_CORNERS, OVERDRIVEN, OVERLOADED])
def test_music_through_the_whole_chain(case: Case) -> None:
    level_db_spl, microphone, preamp = case
    recording = Recording(drumming(44_100, 0.025), 44_100).at_level(level_db_spl)
    _, errors = chain_errors(recording, microphone, preamp, "half")
    assert max(errors) < ALLOWED, errors


def loudest_stretch(recording: Recording, duration_s: float) -> Recording:
    """The stretch with the most energy, its ends faded over a millisecond."""
    rate_hz = recording.sample_rate_hz
    length = int(duration_s * rate_hz)
    energy = np.cumsum(recording.pressure_pa**2)
    start = int(np.argmax(energy[length:] - energy[:-length]))
    fade = np.sin(np.linspace(0, np.pi / 2, int(rate_hz / 1000))) ** 2
    stretch = recording.pressure_pa[start : start + length].copy()
    stretch[: fade.size] *= fade
    stretch[-fade.size :] *= fade[::-1]
    return Recording(stretch, rate_hz, recording.name)


def test_open_recordings_through_the_whole_chain() -> None:
    """Recordings that others made: a folder of CC0 FLAC files, named by the environment."""
    folder = os.environ.get("ENVLAB_OPEN_RECORDINGS")
    if not folder:
        reason = "ENVLAB_OPEN_RECORDINGS names no folder of open recordings"
        if os.environ.get("CI") == "true":
            pytest.fail(reason)
        pytest.skip(reason)
    files = sorted(Path(folder).rglob("*.flac"))
    assert len(files) >= 20, f"only {len(files)} FLAC files in {folder}"
    tried = 0
    for file in files[:: len(files) // 8]:
        recording = read_recording(file, 92.0)
        if recording.duration_s < 0.2:
            continue
        _, errors = chain_errors(loudest_stretch(recording, 0.03), Microphone(), Preamp())
        assert max(errors) < ALLOWED, (file.name, errors)
        tried += 1
    assert tried >= 4

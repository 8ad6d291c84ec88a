"""Whole boards with passive diodes and with the amplifier as soldered, against continuous time.

The reference (tests/reference/board_circuit.py) knows nothing of the package: it solves the circuit's
differential equations on the band-limited wave itself. Part values are turned into its own here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from reference.board_circuit import (
    STEPS_PER_CYCLE,
    TOLERANCE,
    DiodeHold,
    Front,
    IdealHold,
    SolderedFront,
    Stage,
    board_volts,
)
from reference.circuit import Average, Peak, Wave
from reference.recordings import open_recording_files

from envlab.analog.adc import instants_s, read_at
from envlab.analog.detector import AverageDetector, Detector, PeakDetector
from envlab.analog.microphone import Microphone
from envlab.analog.preamps.board_preamp import BoardPreamp
from envlab.analog.preamps.preamp import Preamp
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.sound.interpolate import internal_rate_hz
from envlab.sound.recording import Recording, read_recording
from envlab.sound.signals import tone_burst
from envlab.units import pressure_rms_pa

# The allowances: share of the detector's own peak at every output, and dB at the converter's instants
# wherever the reference exceeds −50 dB re full scale, from 1 ms after an onset.
ALLOWED = 2e-3
ALLOWED_DB = 0.1
FULL_SCALE_V = 3.3
QUIET_V = FULL_SCALE_V * 10 ** (-50 / 20)
AFTER_ONSET_S = 1e-3
# A sound that begins at once rings at Nyquist before it: that is the onset too.
RINGING_S = 0.2e-3
# The reference may move by this when its tolerance and its longest step are halved.
SETTLED = 1e-5
# Ten times the usual rate: more instants in a short window.
ADC_RATE_HZ = 10e3

# (saturation A, emission, series Ω, leakage Ω) of the classes, written once more; values from memory
CLASSES = {"silicon": (2.5e-9, 1.75, 0.6, 1e9), "schottky": (0.2e-6, 1.05, 2.0, 20e6)}
KELVIN = 298.15

SINGLE = {d: Rectifier("half", diode=d) for d in CLASSES}
BRIDGE = {d: Rectifier("full", diode=d, diodes_in_path=2) for d in CLASSES}
COUPLED = [
    Rectifier("half", diode=d, reference="coupled", coupling_farad=0.47e-6, return_ohm=10e3) for d in CLASSES
]
QUICK = PeakDetector(470.0, 0.22e-6, 100e3)
USUAL = PeakDetector(2.2e3, 1e-6, 220e3)

Board = tuple[Rectifier, Detector]
ON_ALL: list[Board] = [
    (SINGLE["silicon"], USUAL),
    (SINGLE["schottky"], QUICK),
    (BRIDGE["silicon"], QUICK),
    (BRIDGE["schottky"], USUAL),
    (Rectifier("full"), QUICK),
    (Rectifier("half"), USUAL),
    (Rectifier("full"), AverageDetector(5e3, 1e-6)),
]

MICROPHONE = Microphone()
PLAIN = Preamp()
ONE_STAGE = BoardPreamp(input_bias_a=20e-9)
TWO_STAGES = BoardPreamp(
    feedback_ohm=10e3, second_feedback_ohm=4.7e3, gain_bandwidth_hz=3e6, slew_v_per_s=1e6, input_bias_a=20e-9
)
# Small capacitors that remember an overload within the window, and an amplifier that slews at 8 kHz.
FORGETFUL = BoardPreamp(
    feedback_ohm=10e3,
    ground_farad=1e-6,
    coupling_farad=22e-9,
    gain_bandwidth_hz=1e6,
    second_feedback_ohm=6.8e3,
    second_ground_farad=0.47e-6,
    second_coupling_farad=10e-9,
    slew_v_per_s=0.05e6,
)


def front_end_of(preamp: Preamp) -> Front:
    """The reference's front from part values, by the textbook formulas."""
    sensitivity_v_pa = 10 ** (MICROPHONE.sensitivity_dbv_pa / 20)
    overload_pa = math.sqrt(2) * 20e-6 * 10 ** (MICROPHONE.overload_db_spl / 20)
    up_v = preamp.supply_v - preamp.swing_margin_v - preamp.bias_v
    down_v = preamp.bias_v - preamp.swing_margin_v
    soldered = isinstance(preamp, BoardPreamp)
    first = Stage(
        preamp.coupling_farad,
        preamp.input_ohm,
        preamp.feedback_ohm,
        preamp.ground_ohm,
        preamp.ground_farad,
        preamp.gain_bandwidth_hz,
        # the plain preamp knows no slew rate
        preamp.slew_v_per_s if soldered else 1e12,
        preamp.input_offset_v,
        preamp.input_bias_a if soldered else 0.0,
        -down_v,
        up_v,
    )
    stages = [first]
    if soldered and preamp.second_feedback_ohm is not None:
        second = replace(
            first,
            coupling_farad=preamp.second_coupling_farad,
            input_ohm=preamp.second_input_ohm,
            feedback_ohm=preamp.second_feedback_ohm,
            ground_ohm=preamp.second_ground_ohm,
            leg_farad=preamp.second_ground_farad,
        )
        stages.append(second)
    corners = (MICROPHONE.low_corner_hz, MICROPHONE.high_corner_hz)
    return SolderedFront(sensitivity_v_pa, overload_pa, *corners, tuple(stages))


def hold_of(rectifier: Rectifier, detector: Detector) -> DiodeHold | IdealHold:
    full_wave = rectifier.kind == "full"
    if isinstance(detector, AverageDetector):
        return IdealHold(Average(detector.smoothing_ohm, detector.hold_farad), full_wave)
    attack, hold, release = detector.attack_ohm, detector.hold_farad, detector.release_ohm
    if rectifier.diode == "none":
        return IdealHold(Peak(attack, hold, release), full_wave)
    saturation, emission, series, leakage = CLASSES[rectifier.diode]
    in_path = rectifier.diodes_in_path
    return DiodeHold(
        saturation,
        in_path * emission,
        KELVIN,
        attack + in_path * series,
        hold,
        release,
        in_path * leakage,
        full_wave,
        rectifier.coupling_farad,
        rectifier.return_ohm or math.inf,
    )


@dataclass(frozen=True, eq=False)
class Held:
    """Voltage on one hold capacitor at the package's stamps and at the converter's instants, V."""

    stamped_v: np.ndarray
    read_v: np.ndarray


@dataclass(frozen=True)
class Difference:
    """share: largest difference over the peak. db: largest at an instant that counts. counted: how many."""

    share: float
    db: float
    counted: int


@dataclass(frozen=True, eq=False)
class Window:
    """One sound through one front, with several rectifiers and detectors on it."""

    recording: Recording
    preamp: Preamp
    boards: list[Board]
    onsets_s: tuple[float, ...] = (0.0,)

    @property
    def fine_hz(self) -> float:
        return internal_rate_hz(self.recording.sample_rate_hz)

    @property
    def instants_s(self) -> np.ndarray:
        return instants_s(self.recording.duration_s, ADC_RATE_HZ)

    @property
    def counting(self) -> np.ndarray:
        """Which instants are not within 1 ms after an onset."""
        since_s = [self.instants_s - onset_s for onset_s in self.onsets_s]
        return ~np.any([(s > -RINGING_S) & (s < AFTER_ONSET_S) for s in since_s], axis=0)

    @property
    def outputs(self) -> np.ndarray:
        """Every fifth output that is stamped inside the clip."""
        n = np.arange(0, int(self.recording.duration_s * self.fine_hz), 5)
        return n[(n + 0.5) / self.fine_hz < self.recording.duration_s]

    def simulated(self) -> list[Held]:
        held = []
        for rectifier, detector in self.boards:
            chain = Chain(MICROPHONE, without_offset(self.preamp), rectifier=rectifier, detector=detector)
            blocks = chain.node_blocks(self.recording.pressure_pa, self.recording.sample_rate_hz)
            held_v = np.concatenate([block.held_v for block in blocks])
            read_v = read_at(held_v, self.instants_s, sample_rate_hz=self.fine_hz)
            held.append(Held(held_v[self.outputs], read_v))
        return held

    def solved(
        self,
        holds: list[DiodeHold | IdealHold] | None = None,
        front: Front | None = None,
        late_s: float = 0.0,
        tolerance: float = TOLERANCE,
        steps_per_cycle: int = STEPS_PER_CYCLE,
    ) -> list[Held]:
        """The reference's answer; late_s: how much later than the package says its outputs are stamped."""
        stamps_s = (self.outputs + 0.5) / self.fine_hz + late_s
        times_s, place = np.unique(np.concatenate((stamps_s, self.instants_s)), return_inverse=True)
        volts = board_volts(
            Wave(self.recording.pressure_pa, self.recording.sample_rate_hz),
            front or front_end_of(without_offset(self.preamp)),
            holds or [hold_of(*board) for board in self.boards],
            times_s,
            start_s=-0.5 / self.fine_hz,
            tolerance=tolerance,
            steps_per_cycle=steps_per_cycle,
        )[:, place]
        return [Held(row[: stamps_s.size], row[stamps_s.size :]) for row in volts]

    def differences(self, truth: list[Held]) -> list[Difference]:
        out = []
        for got, true in zip(self.simulated(), truth, strict=True):
            share = float(np.abs(got.stamped_v - true.stamped_v).max() / np.abs(true.stamped_v).max())
            seen = (true.read_v > QUIET_V) & self.counting
            ratio = got.read_v[seen] / true.read_v[seen]
            db = float(np.abs(20 * np.log10(ratio)).max()) if seen.any() else 0.0
            out.append(Difference(share, db, int(seen.sum())))
        return out

    def check(self, truth: list[Held], allowed: float = ALLOWED, allowed_db: float = ALLOWED_DB) -> None:
        """Every board within the allowances, and at least some of them loud enough to be judged in dB."""
        differences = self.differences(truth)
        assert max(d.share for d in differences) < allowed, differences
        assert max(d.db for d in differences) < allowed_db, differences
        assert sum(d.counted for d in differences) > 50


def without_offset(preamp: Preamp) -> Preamp:
    """The references begin empty; a board with an offset begins where that leaves it (test_silence.py)."""
    bias = {"input_bias_a": 0.0} if hasattr(preamp, "input_bias_a") else {}
    return replace(preamp, input_offset_v=0.0, **bias)


def at_level(recording: Recording, level_db_spl: float) -> Recording:
    """Scaled, its mean left in: taken out of so short a sound, it would begin and end with a step."""
    rms = float(np.sqrt(np.mean(recording.pressure_pa**2)))
    return replace(recording, pressure_pa=recording.pressure_pa * pressure_rms_pa(level_db_spl) / rms)


def burst(
    preamp: Preamp,
    level_db_spl: float,
    rate_hz: int,
    frequency_hz: float,
    duration_s: float,
    boards: list[Board],
) -> Window:
    """From a tenth to seven tenths of the window. The end is an onset too: of what capacitors keep."""
    signal = tone_burst(frequency_hz, 1.0, 0.1 * duration_s, 0.6 * duration_s, duration_s, rate_hz)
    recording = at_level(Recording(signal, rate_hz), level_db_spl)
    return Window(recording, preamp, boards, (0.1 * duration_s, 0.7 * duration_s))


@pytest.mark.parametrize(
    ("level_db_spl", "rate_hz", "frequency_hz", "duration_s"),
    [(92, 8_000, 1_000, 0.03), (92, 48_000, 40, 0.05), (84, 96_000, 4_000, 0.01), (92, 44_100, 10_000, 0.01)],
)
def test_bursts_through_passive_and_precision_boards(
    level_db_spl: float, rate_hz: int, frequency_hz: float, duration_s: float
) -> None:
    window = burst(PLAIN, level_db_spl, rate_hz, frequency_hz, duration_s, ON_ALL)
    window.check(window.solved())


@pytest.mark.parametrize(
    ("level_db_spl", "rate_hz", "frequency_hz", "duration_s"),
    [(98, 48_000, 60, 0.05), (104, 44_100, 1_000, 0.03), (108, 48_000, 250, 0.03)],
)
def test_bursts_at_which_the_plain_preamp_clips(
    level_db_spl: float, rate_hz: int, frequency_hz: float, duration_s: float
) -> None:
    # 6e-3 to 1.4e-2 of the peak with a ground leg that forgot the rails.
    window = burst(PLAIN, level_db_spl, rate_hz, frequency_hz, duration_s, ON_ALL)
    window.check(window.solved())


@pytest.mark.parametrize(
    ("preamp", "level_db_spl", "rate_hz", "frequency_hz", "duration_s"),
    [
        (ONE_STAGE, 92, 44_100, 250, 0.03),
        (TWO_STAGES, 88, 8_000, 1_000, 0.02),
        (TWO_STAGES, 100, 48_000, 40, 0.04),
        (TWO_STAGES, 100, 44_100, 10_000, 0.01),
        (FORGETFUL, 88, 96_000, 4_000, 0.01),
        (FORGETFUL, 104, 8_000, 1_000, 0.02),
        (FORGETFUL, 104, 48_000, 40, 0.05),
        (FORGETFUL, 104, 96_000, 4_000, 0.01),
    ],
)
def test_bursts_through_the_amplifier_as_soldered(
    preamp: Preamp, level_db_spl: float, rate_hz: int, frequency_hz: float, duration_s: float
) -> None:
    # 100 dB SPL is at the rails of both stages, 104 dB SPL slews as well and leaves the capacitors charged.
    window = burst(preamp, level_db_spl, rate_hz, frequency_hz, duration_s, ON_ALL)
    window.check(window.solved())


@pytest.mark.parametrize("preamp", [PLAIN, TWO_STAGES])
def test_burst_behind_a_coupling_capacitor_with_its_return(preamp: Preamp) -> None:
    window = burst(preamp, 92, 44_100, 1_000, 0.02, [(r, d) for r in COUPLED for d in (QUICK, USUAL)])
    window.check(window.solved())


@pytest.mark.parametrize(
    ("preamp", "level_db_spl", "allowed", "allowed_db"),
    [
        # Ten times over the slope that 0.05 V/µs gives: what is left of a triangle whose tips lie between two
        # samples. Measured 5.4e-3 of the peak and 0.20 dB, at worst over the boards.
        (FORGETFUL, 104, 7e-3, 0.25),
        # A diode that only just conducts makes six times as much of the microphone's upper pole, which is
        # 3.6e-4 low at 10 kHz: measured 2.2e-3 of a peak of 7 to 25 mV, which is 50 µV.
        (TWO_STAGES, 88, 2.5e-3, ALLOWED_DB),
    ],
)
def test_10_khz_has_known_limits(
    preamp: Preamp, level_db_spl: float, allowed: float, allowed_db: float
) -> None:
    window = burst(preamp, level_db_spl, 44_100, 10_000, 0.01, ON_ALL)
    window.check(window.solved(), allowed, allowed_db)


def faults() -> dict[str, dict]:
    """Wrong answers that the comparison must tell from right ones."""
    front = front_end_of(FORGETFUL)
    assert isinstance(front, SolderedFront)

    def every_stage(**change: float) -> SolderedFront:
        return replace(front, stages=tuple(replace(stage, **change) for stage in front.stages))

    holds = [hold_of(*board) for board in ON_ALL]
    diodes = [replace(h, emission=0.98 * h.emission) if isinstance(h, DiodeHold) else h for h in holds]
    return {
        "emission 2 % low": {"holds": diodes},
        "stamped at the start of the step": {"late_s": -0.5 / 384_000},
        "no slew limit": {"front": every_stage(slew_v_per_s=1e9)},
        "no rails": {"front": every_stage(low_v=-9.0, high_v=9.0)},
        "leg capacitor 10 % large": {"front": every_stage(leg_farad=1.1e-6)},
    }


def test_the_comparison_can_fail() -> None:
    window = burst(FORGETFUL, 104, 96_000, 4_000, 0.005, ON_ALL)
    for name, fault in faults().items():
        worst = max(d.share for d in window.differences(window.solved(**fault)))
        assert worst > ALLOWED, (name, worst)


def settled(window: Window) -> float:
    truth = window.solved()
    again = window.solved(tolerance=TOLERANCE / 2, steps_per_cycle=2 * STEPS_PER_CYCLE)
    return max(
        float(np.abs(one.stamped_v - other.stamped_v).max() / one.stamped_v.max())
        for one, other in zip(truth, again, strict=True)
    )


@pytest.mark.parametrize("frequency_hz", [1_000, 4_000])
def test_the_reference_is_settled(frequency_hz: float) -> None:
    assert settled(burst(FORGETFUL, 104, 44_100, frequency_hz, 0.01, ON_ALL)) < SETTLED


def loudest_stretch(recording: Recording, duration_s: float) -> Recording:
    """The stretch with the most energy, its ends faded over a millisecond."""
    rate_hz = recording.sample_rate_hz
    length = int(duration_s * rate_hz)
    energy = np.cumsum(recording.pressure_pa**2)
    start = int(np.argmax(energy[length:] - energy[:-length]))
    millisecond = int(rate_hz / 1000)
    rise = np.sin(np.clip(np.arange(length) / millisecond, 0, 1) * np.pi / 2) ** 2
    stretch = recording.pressure_pa[start : start + length] * rise * rise[::-1]
    return Recording(stretch, rate_hz, recording.name)


def open_recordings(level_db_spl: float) -> list[Recording]:
    """Some eight of the recordings that others made."""
    files = open_recording_files()
    recordings = [read_recording(file, level_db_spl) for file in files[:: len(files) // 8]]
    return [recording for recording in recordings if recording.duration_s >= 0.2]


@pytest.mark.parametrize(("preamp", "level_db_spl"), [(PLAIN, 92.0), (TWO_STAGES, 88.0)])
def test_open_recordings_through_whole_boards(preamp: Preamp, level_db_spl: float) -> None:
    for recording in open_recordings(level_db_spl):
        window = Window(loudest_stretch(recording, 0.015), preamp, ON_ALL)
        window.check(window.solved())

"""The boards and the sounds that Chain.run and the nodal solution are compared on.

Part values are everyday ones (common practice, no source). The sounds are invented but for the music, which
are recordings that others made. Levels climb, so that no stretch hides behind a louder one before it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from reference.recordings import open_recording_files

from envlab.analog.adc import Adc
from envlab.analog.band_filter import FirstBandPass, SecondBandPass, SecondHighPass, SecondLowPass
from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.electret import Electret
from envlab.analog.microphone import Microphone
from envlab.analog.preamps.board_preamp import BoardPreamp
from envlab.analog.preamps.preamp import Preamp
from envlab.analog.rectifiers.absolute_value import AbsoluteValue
from envlab.analog.rectifiers.bias_superdiodes import BiasSuperdiodes
from envlab.analog.rectifiers.difference_superdiodes import DifferenceSuperdiodes
from envlab.analog.rectifiers.diodeless import Diodeless
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.rectifiers.pumps import Bridge, VoltageDoubler
from envlab.analog.rectifiers.transistor_detector import TransistorDetector
from envlab.chain import Chain
from envlab.sound.recording import Recording, read_recording

RATE_HZ = 48_000.0
QUIET_S, FADE_S = 5e-3, 1e-3
USUAL = PeakDetector(4.7e3, 0.22e-6, 100e3)
QUICK = PeakDetector(1e3, 0.1e-6, 100e3)


@dataclass(frozen=True)
class Stretch:
    """A tone of one frequency at one level (dB SPL of its middle), faded in and out, then quiet."""

    frequency_hz: float
    level_db_spl: float
    duration_s: float

    def pressure_pa(self) -> np.ndarray:
        """Pascal, shape (n,)."""
        t = np.arange(round(self.duration_s * RATE_HZ)) / RATE_HZ
        rise = np.clip(np.minimum(t, self.duration_s - t) / FADE_S, 0, 1)
        peak_pa = np.sqrt(2) * 20e-6 * 10 ** (self.level_db_spl / 20)
        sound = peak_pa * np.sin(np.pi / 2 * rise) ** 2 * np.sin(2 * np.pi * self.frequency_hz * t)
        return np.concatenate((sound, np.zeros(round(QUIET_S * RATE_HZ))))


# With 7.94 mV/Pa and a gain of 48, peaks of 7, 14, 21, 85 mV, 0.17, 0.34, 0.68 V, then the rails.
CLIPPING = Stretch(200.0, 108.0, 0.025)
STRETCHES = (
    Stretch(1000.0, 56.0, 0.02),
    Stretch(10_000.0, 62.0, 0.01),
    Stretch(40.0, 66.0, 0.05),
    Stretch(300.0, 78.0, 0.02),
    Stretch(10_000.0, 84.0, 0.01),
    Stretch(4000.0, 90.0, 0.01),
    Stretch(1000.0, 96.0, 0.015),
    CLIPPING,
)


def recording_of(stretches: tuple[Stretch, ...]) -> Recording:
    """Stretches one after the other."""
    return Recording(np.concatenate([one.pressure_pa() for one in stretches]), RATE_HZ, "stretches")


def edges_s(stretches: tuple[Stretch, ...]) -> np.ndarray:
    """Where each begins and the last one ends, s."""
    return np.concatenate(([0.0], np.cumsum([one.pressure_pa().size for one in stretches]))) / RATE_HZ


# Four of the recordings of Debian's package sonic-pi-samples (CC0): drums, guitar, plucked, voice.
MUSIC = ("loop_breakbeat", "guit_em9", "tabla_dhec", "loop_industrial")


def music(number: int, duration_s: float, level_db_spl: float) -> Recording:
    """The stretch with the most energy of one of MUSIC, its ends faded."""
    files = {file.stem: file for file in open_recording_files()}
    whole = read_recording(files[MUSIC[number % len(MUSIC)]], level_db_spl)
    rate_hz, length = whole.sample_rate_hz, round(duration_s * whole.sample_rate_hz)
    energy = np.cumsum(whole.pressure_pa**2)
    start = int(np.argmax(energy[length:] - energy[:-length])) if energy.size > length else 0
    stretch = whole.pressure_pa[start : start + length]
    fade = np.clip(
        np.minimum(np.arange(stretch.size), np.arange(stretch.size)[::-1]) / (FADE_S * rate_hz), 0, 1
    )
    return Recording(stretch * np.sin(np.pi / 2 * fade) ** 2, rate_hz, whole.name)


def _board(rectifier: object, **others: object) -> Chain:
    usual = {"preamp": BoardPreamp(), "detector": USUAL, "adc": Adc(rate_hz=2000.0), "rectifier": rectifier}
    return Chain(**usual | others)  # type: ignore[arg-type]


def _adc(bits: int) -> Adc:
    return Adc(bits, rate_hz=2000.0)


# 1.3 MΩ to ground beside 1 MΩ to the reference node.
UNBUFFERED = {
    "adc": Adc(rate_hz=2000.0, leakage_a=2e-6, sampling_farad=70e-12, buffered="no"),
    "detector": PeakDetector(4.7e3, 0.22e-6, 1e6),
}
ON_THE_BIAS = {"kind": "half", "reference_node_v": 1.65}
BOARDS: dict[str, Chain] = {
    "differences on ground": _board(DifferenceSuperdiodes()),
    "differences lifted": _board(DifferenceSuperdiodes(0.15)),
    "differences, fast, 12 bit": _board(
        DifferenceSuperdiodes(0.15, amplifier="fast_rail_to_rail"), adc=_adc(12), detector=QUICK
    ),
    "differences, slow, schottky": _board(
        DifferenceSuperdiodes(0.15, gain_bandwidth_hz=1e6, slew_v_per_s=0.6e6, diode="schottky")
    ),
    "differences as built": _board(
        DifferenceSuperdiodes(
            0.15,
            upper_source_ohm=47.4e3,
            lower_feedback_ohm=46.6e3,
            offset_u2a_v=1.5e-3,
            offset_u2b_v=-1e-3,
            offset_u2c_v=-1.5e-3,
            offset_u2d_v=1e-3,
        )
    ),
    "absolute value on ground": _board(AbsoluteValue()),
    "absolute value lifted, 12 bit": _board(AbsoluteValue(0.15), adc=_adc(12)),
    "without diodes": _board(Diodeless()),
    "on the bias": _board(BiasSuperdiodes()),
    "on the bias, fast, 14 bit": _board(BiasSuperdiodes(amplifier="fast_rail_to_rail"), adc=_adc(14)),
    "on the bias, germanium, 8 bit": _board(BiasSuperdiodes(diode="germanium"), adc=_adc(8)),
    "silicon on the bias": _board(Rectifier(**ON_THE_BIAS, diode="silicon")),
    "germanium on the bias, clipped plain preamp": _board(
        Rectifier(**ON_THE_BIAS, diode="germanium"), preamp=Preamp(), adc=_adc(12)
    ),
    "germanium, coupled, slow": _board(
        Rectifier("half", diode="germanium", reference="coupled", coupling_farad=1e-6, return_ohm=100e3),
        detector=PeakDetector(4.7e3, 1e-6, 1e6),
    ),
    "leaky germanium, slow attack": _board(
        Rectifier(**ON_THE_BIAS, diode="germanium", leakage_ohm=100e3),
        detector=PeakDetector(10e3, 0.1e-6, 1e6),
    ),
    "schottky, coupled": _board(
        Rectifier("half", diode="schottky", reference="coupled", coupling_farad=1e-6, return_ohm=10e3)
    ),
    "germanium, coupled, two stages": _board(
        Rectifier("half", diode="germanium", reference="coupled", coupling_farad=0.47e-6, return_ohm=22e3),
        preamp=BoardPreamp(10e3, second_feedback_ohm=3.3e3, second_coupling_farad=0.1e-6),
        adc=_adc(12),
    ),
    "bridge, schottky": _board(Bridge(diode="schottky")),
    "bridge, silicon, 12 bit, own release": _board(Bridge(diode="silicon"), adc=_adc(12), detector=QUICK),
    "doubler, schottky": _board(VoltageDoubler(diode="schottky")),
    "doubler, germanium, lifted": _board(VoltageDoubler(reference_node_v=0.15, diode="germanium")),
    "transistor": _board(TransistorDetector()),
    "transistor on a lifted node, 12 bit": _board(TransistorDetector(reference_node_v=0.5), adc=_adc(12)),
    "electret, differences lifted": _board(DifferenceSuperdiodes(0.15), microphone=Electret()),
    "electret of 15k into 47k, schottky": _board(
        Rectifier(**ON_THE_BIAS, diode="schottky"),
        microphone=Electret(load_ohm=7.5e3, drain_ohm=20e3),
        preamp=BoardPreamp(22e3, input_ohm=47e3),
    ),
    "electret that starves, schottky": _board(
        Rectifier(**ON_THE_BIAS, diode="schottky"),
        microphone=Electret(load_ohm=8.2e3),
        preamp=BoardPreamp(10e3),
    ),
    "bass only, differences lifted": _board(
        DifferenceSuperdiodes(0.15), band_filter=SecondLowPass(10e3, 10e3, 220e-9, 100e-9)
    ),
    "no footfall, schottky": _board(
        Rectifier(**ON_THE_BIAS, diode="schottky"), band_filter=SecondHighPass(47e-9, 47e-9, 10e3, 22e3)
    ),
    "high pass at 5 kHz, schottky": _board(
        Rectifier(**ON_THE_BIAS, diode="schottky"), band_filter=SecondHighPass(4.7e-9, 4.7e-9, 4.7e3, 10e3)
    ),
    "bass only behind 5 mV of offset, germanium": _board(
        Rectifier(**ON_THE_BIAS, diode="germanium"),
        preamp=BoardPreamp(input_offset_v=5e-3),
        band_filter=SecondLowPass(10e3, 10e3, 220e-9, 100e-9),
    ),
    "second band, on the bias": _board(
        BiasSuperdiodes(),
        band_filter=SecondBandPass(100e-9, 100e-9, 4.7e3, 10e3, 4.7e3, 4.7e3, 47e-9, 22e-9),
    ),
    "first band, silicon": _board(
        Rectifier(**ON_THE_BIAS, diode="silicon"), band_filter=FirstBandPass(10e3, 100e-9, 1e3, 47e-9)
    ),
    "under cloth, early overload, differences": _board(
        DifferenceSuperdiodes(0.15),
        microphone=Microphone(overload_db_spl=104.0, covering_loss_db=3.0, covering_corner_hz=5000.0),
    ),
    "on the bias, unbuffered": _board(BiasSuperdiodes(), **UNBUFFERED),
    "silicon on the bias, unbuffered": _board(Rectifier(**ON_THE_BIAS, diode="silicon"), **UNBUFFERED),
    "germanium, coupled, lifted, unbuffered": _board(
        Rectifier("half", 0.5, diode="germanium", reference="coupled", coupling_farad=1e-6, return_ohm=100e3),
        **UNBUFFERED,
    ),
    "doubler, lifted, unbuffered": _board(VoltageDoubler(reference_node_v=0.5), **UNBUFFERED),
    "without diodes, gives and takes, average": _board(
        Diodeless(blocking="none"), detector=AverageDetector(10e3, 0.1e-6, 220e3)
    ),
    "absolute value, gives and takes, average": _board(
        AbsoluteValue(0.15, blocking="none"), detector=AverageDetector(10e3, 0.1e-6)
    ),
}

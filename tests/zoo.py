"""One of every kind of board that a chain can be: what every path through the engine is tried on.

Each board differs from the board of the parade in the one thing that it stands for; most have a quick
detector, so that a sound of a second charges and empties it many times. Part values are everyday ones
(common practice, no source) or stand at the end of their legal range; the docstring of the stage says which.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace

import numpy as np

from envlab.analog.adc import Adc
from envlab.analog.band_filter import (
    FirstBandPass,
    FirstHighPass,
    FirstLowPass,
    SecondBandPass,
    SecondHighPass,
    SecondLowPass,
)
from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.electret import Electret
from envlab.analog.hold_capacitor import HoldCapacitor
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
from envlab.digital.followers import (
    AttackRelease,
    MeanSquare,
    MovingMaximum,
    MovingMean,
    OnePole,
    PeakHold,
)
from envlab.light.curve import BrightnessMap
from envlab.light.pixels import Pixels, Supply
from envlab.sound.recording import Recording

QUICK = PeakDetector(1e3, 0.47e-6, 100e3)


@dataclass(frozen=True)
class ZooBoard:
    """chain: the board. stands_for: what it would take to get only this one wrong."""

    chain: Chain
    stands_for: str


def _board(stands_for: str, **stages: object) -> ZooBoard:
    return ZooBoard(Chain(**{"detector": QUICK} | stages), stands_for)  # type: ignore[arg-type]


def _passive(kind: str, diode: str, stands_for: str, **of_diode: object) -> ZooBoard:
    return _board(stands_for, rectifier=Rectifier(kind, diode=diode, **of_diode))  # type: ignore[arg-type]


PRECISION = {
    "as it comes": ZooBoard(Chain(), "every default; its release outlasts the sound"),
    "half wave": _board("only what lies above the reference passes", rectifier=Rectifier("half")),
    "quick": _board("peak detector that fills and empties within a beat"),
    "forgets at once": _board("so quick that one step keeps nothing", detector=PeakDetector(0.1, 1e-10, 1e4)),
    "average": _board("charges and empties through one resistor", detector=AverageDetector(10e3, 1e-6)),
    "average, loaded": _board(
        "a load divides the average",
        detector=AverageDetector(22e3, 0.22e-6, 47e3),
        rectifier=Rectifier("half"),
    ),
    "node lifted": _board(
        "reference node above ground; the firmware subtracts it", rectifier=Rectifier("full", 0.15)
    ),
    "node on the bias": _board(
        "reference node at half the supply, small gain",
        rectifier=Rectifier("full", 1.65),
        preamp=Preamp(10e3),
    ),
    "bias held": _board(
        "reference bias: silence is 1.6 V on the capacitor", rectifier=Rectifier(reference="bias")
    ),
    "bias held, node lifted": _board(
        "reference bias above a lifted reference node, half wave", rectifier=Rectifier("half", 0.5, "bias")
    ),
    "bias under the node": _board(
        "peaks must first reach the reference node", rectifier=Rectifier("full", 2.0, "bias")
    ),
    "weak amplifier": _board("charging current has a limit", rectifier=Rectifier(output_current_a=0.3e-3)),
    "weak, half wave": _board(
        "current limit on half the waves", rectifier=Rectifier("half", output_current_a=1e-3)
    ),
    "weak, average": _board(
        "current limit before an average detector",
        rectifier=Rectifier(output_current_a=0.3e-3),
        detector=AverageDetector(10e3, 1e-6),
    ),
    "weak, on the bias": _board(
        "current limit while the bias is held", rectifier=Rectifier(reference="bias", output_current_a=0.2e-3)
    ),
    "years to empty": _board(
        "100 µF and 100 MΩ: the time constant of hours that no rest was found for",
        rectifier=Rectifier(reference="bias"),
        detector=PeakDetector(1e3, 100e-6, 100e6),
    ),
}

PASSIVE = {
    "silicon": _passive("half", "silicon", "commonest passive diode, half wave"),
    "schottky, full wave": _passive("full", "schottky", "passive, folded before the diode"),
    "germanium": _passive("half", "germanium", "leaks most"),
    "bridge": _passive("full", "silicon", "two diodes in the path", diodes_in_path=2),
    "cold schottky": _passive("half", "schottky", "diode at −20 °C", temperature_c=-20.0),
    "hot germanium": _passive(
        "half", "germanium", "leakage at 60 °C moves the quiescent voltage", temperature_c=60.0
    ),
    "own data sheet": _passive(
        "half",
        "silicon",
        "every value of the diode stated",
        saturation_a=1e-8,
        emission=1.9,
        series_ohm=5.0,
        bandgap_ev=1.1,
        leakage_ohm=5e6,
    ),
    "silicon on the bias": _passive("half", "silicon", "passive, reference bias", reference="bias"),
    "schottky over a lifted node": _passive(
        "full",
        "schottky",
        "bias over a lifted reference node",
        reference="bias",
        reference_node_v=0.4,
    ),
    "coupled": _passive(
        "half",
        "schottky",
        "coupling capacitor with a way back",
        reference="coupled",
        coupling_farad=1e-6,
        return_ohm=10e3,
    ),
    "coupled, no way back": _passive(
        "half",
        "silicon",
        "coupling capacitor charges until nothing flows",
        reference="coupled",
        coupling_farad=0.1e-6,
    ),
    "coupled, years to empty": ZooBoard(
        Chain(
            rectifier=Rectifier(
                "half", diode="silicon", reference="coupled", coupling_farad=100e-6, return_ohm=100e6
            ),
            detector=PeakDetector(1e3, 100e-6, 100e6),
        ),
        "passive with 100 µF and 100 MΩ both at the hold and at the coupling capacitor",
    ),
    "weak before a diode": _passive(
        "half", "schottky", "passive with a current limit", output_current_a=0.5e-3
    ),
}

_GAIN = asdict(Preamp(100e3))
PREAMPS = {
    "leg without capacitor": _board("gain at rest is the gain", preamp=Preamp(ground_farad=None)),
    "bias off the middle": _board("clips on one side first", preamp=Preamp(100e3, bias_v=1.1)),
    "slow amplifier": _board("bandwidth within hearing", preamp=Preamp(100e3, gain_bandwidth_hz=0.8e6)),
    "corner in the bass": _board("input capacitor cuts at 340 Hz", preamp=Preamp(coupling_farad=4.7e-9)),
    "as soldered": _board("slew and loop of one stage", preamp=BoardPreamp(**_GAIN, slew_v_per_s=2e5)),
    "two stages": _board(
        "second stage, its capacitors remember overload",
        preamp=BoardPreamp(10e3, second_feedback_ohm=10e3, second_coupling_farad=0.1e-6),
    ),
    "bias current": _board(
        "input current drops over input_ohm, leg on ground",
        preamp=BoardPreamp(input_bias_a=100e-9, leg_foot_v=0.0),
    ),
    "soldered, passive": _board(
        "both slow loops in one board",
        preamp=BoardPreamp(**_GAIN),
        rectifier=Rectifier("half", diode="schottky"),
    ),
}

FILTERS = {
    "first low": _board("one section, low pass", band_filter=FirstLowPass(10e3, 100e-9)),
    "first high": _board("one section, high pass", band_filter=FirstHighPass(10e3, 22e-9)),
    "first band": _board("two first-order sections", band_filter=FirstBandPass(10e3, 100e-9, 1e3, 47e-9)),
    "second low": _board("bass only", band_filter=SecondLowPass(10e3, 10e3, 220e-9, 100e-9)),
    "second high": _board("no footfall", band_filter=SecondHighPass(47e-9, 47e-9, 10e3, 22e3)),
    "second band": _board(
        "two second-order sections before a diode",
        band_filter=SecondBandPass(100e-9, 100e-9, 4.7e3, 10e3, 4.7e3, 4.7e3, 47e-9, 22e-9),
        rectifier=Rectifier("half", diode="schottky"),
    ),
    "filtered and soldered": _board(
        "band filter behind a preamp with slew",
        band_filter=SecondLowPass(10e3, 10e3, 22e-9, 10e-9),
        preamp=BoardPreamp(**_GAIN),
    ),
}

AMPLIFIERS = {
    "differences on ground": _board(
        "idles at the amplifiers' lowest output", rectifier=DifferenceSuperdiodes()
    ),
    "differences, node lifted": _board(
        "nothing stands on the lowest output, 1 % resistors let the bias through",
        rectifier=DifferenceSuperdiodes(0.15, upper_source_ohm=47.47e3, offset_u2d_v=1.5e-3),
    ),
    "differences, leaking": _board(
        "blocked diodes and inputs empty the capacitor",
        rectifier=DifferenceSuperdiodes(
            0.3, diode="schottky", bias_current_a=20e-9, temperature_c=40.0, gain_bandwidth_hz=10e6
        ),
    ),
    "absolute value": _board(
        "dead time twice over, large half waves lost", rectifier=AbsoluteValue(0.15, offset_u2a_v=1e-3)
    ),
    "absolute value, single supply": _board(
        "slow amplifiers that do not reach the supply", rectifier=AbsoluteValue(amplifier="single_supply")
    ),
    "diodeless": _board("coupled onto ground, twice the lowest output stands", rectifier=Diodeless()),
    "super-diodes on the bias": _board(
        "all on the bias, longest way to conduct", rectifier=BiasSuperdiodes()
    ),
    "super-diodes on the bias, slow": _board(
        "dead time decides, headroom ends",
        rectifier=BiasSuperdiodes(gain_bandwidth_hz=0.5e6, slew_v_per_s=0.3e6, output_high_ohm=1e3),
        preamp=Preamp(220e3),
    ),
    "doubler": _board("two diodes, two capacitors that move", rectifier=VoltageDoubler()),
    "bridge from both ends": _board(
        "three capacitors that move", rectifier=Bridge(0.15, diode="germanium", other_coupling_farad=0.47e-6)
    ),
    "transistor": _board("emitter follower, silence a drop below the bias", rectifier=TransistorDetector()),
    "sinks": _board(
        "an output that empties the capacitor through the attack resistor",
        rectifier=Diodeless(blocking="none"),
    ),
    "sinks, average": _board(
        "which is what an average wants; offsets below the node",
        rectifier=AbsoluteValue(0.15, blocking="none", offset_u2b_v=-2e-3),
        detector=AverageDetector(10e3, 1e-6),
    ),
    "behind a soldered preamp": _board(
        "band filter and preamp with slew before the amplifiers",
        band_filter=SecondLowPass(10e3, 10e3, 22e-9, 10e-9),
        preamp=BoardPreamp(**_GAIN),
        rectifier=DifferenceSuperdiodes(0.15),
    ),
}

MICROPHONES = {
    "smooth overload": _board("bends before its limit", microphone=Microphone(overload="smooth")),
    "under cloth": _board(
        "covering with a corner", microphone=Microphone(covering_loss_db=6.0, covering_corner_hz=2000.0)
    ),
    "early overload": _board(
        "the capsule clips before the preamp",
        microphone=Microphone(-50.0, overload_db_spl=100.0),
        preamp=Preamp(22e3),
    ),
    "electret": _board("load sets the gain", microphone=Electret(load_ohm=3.3e3)),
    "electret, starving": _board(
        "the drain clips on one side first", microphone=Electret(load_ohm=7.5e3), preamp=Preamp(10e3)
    ),
    "electret, diode": _board(
        "electret, passive diode",
        microphone=Electret(drain_current_a=0.2e-3),
        rectifier=Rectifier("half", diode="germanium"),
    ),
}

ADCS = {
    "noisy": _board(
        "noise alone, of microphone, preamp and ADC, lights it",
        microphone=Microphone(signal_to_noise_db=40.0),
        preamp=Preamp(220e3, noise_v_per_rthz=1e-6),
        adc=Adc(12, noise_lsb=10.0),
        brightness=BrightnessMap(40.0, 90.0),
    ),
    "8 bit": _board("13 mV to a count", adc=Adc(8, noise_lsb=0.1)),
    "12 bit, 2 kHz": _board(
        "readings twice as often, frames every 16 ms", adc=Adc(12, rate_hz=2000.0), frame_rate_hz=62.5
    ),
    "14 bit, own reference": _board(
        "loud sounds pass the top code", adc=Adc(14, 1.1), hold_capacitor=HoldCapacitor("film")
    ),
    "16 bit": _board("50 µV to a count: rounding shows first", adc=Adc(16, noise_lsb=2.0)),
    "odd rates": _board("readings and frames that never meet", adc=Adc(rate_hz=977.0), frame_rate_hz=61.0),
    "loaded by the ADC": _board(
        "sampling charge and leakage empty the capacitor",
        adc=Adc(12, source_ohm=1e3, sampling_ohm=1e3, sampling_farad=20e-12, leakage_a=1e-6, buffered="no"),
        hold_capacitor=HoldCapacitor("c0g"),
    ),
    "never settles": _board(
        "the sampling capacitor takes a share",
        adc=Adc(source_ohm=100e3, sampling_ohm=1e3, sampling_farad=14e-12),
    ),
    "real converter": _board(
        "dead zones at both ends, a bent and tilted line between them",
        adc=Adc(12, gain_error_percent=-1.5, bow_lsb=9.0, dead_low_v=0.08, dead_high_v=0.12, offset_lsb=3.0),
        rectifier=Rectifier("full", 0.15),
    ),
    "dead zone": _board("silence lies in the dead zone", adc=Adc(12, dead_low_v=0.06, bow_lsb=-5.0)),
    "offset up": _board("silence reads 7 counts", adc=Adc(offset_lsb=7.5)),
    "offset down": _board(
        "quiet sounds are lost", adc=Adc(offset_lsb=-3.5), rectifier=Rectifier("full", 0.15)
    ),
    "loaded diode": _board(
        "ADC load behind a passive diode",
        adc=Adc(leakage_a=1e-6, buffered="no"),
        rectifier=Rectifier("half", diode="schottky"),
    ),
    "loaded diode, on the bias": _board(
        "what the pin takes leads to ground, and never ends",
        adc=Adc(leakage_a=1e-6, buffered="no"),
        rectifier=Rectifier("half", 1.65, diode="schottky"),
    ),
    "loaded amplifiers, node lifted": _board(
        "the same behind amplifiers",
        adc=Adc(leakage_a=1e-6, buffered="no"),
        rectifier=DifferenceSuperdiodes(0.5),
    ),
    "loaded average": _board(
        "ADC load on an average", adc=Adc(leakage_a=2e-6, buffered="no"), detector=AverageDetector(10e3, 1e-6)
    ),
}

_TAKES_CHARGE = {
    "adc": Adc(12, rate_hz=2000.0, sampling_ohm=1e3, sampling_farad=70e-12, buffered="no"),
    "hold_capacitor": HoldCapacitor("x7r", 6.3, 2.0),
}
HOLD_CAPACITORS = {
    "takes charge": _board(
        "each reading takes 1/135 of what is held", detector=PeakDetector(10e3, 10e-9, 1e6), **_TAKES_CHARGE
    ),
    "takes charge, diode on the bias": _board(
        "each reading takes it of the bias, too, also where none is wanted",
        detector=PeakDetector(10e3, 10e-9, 1e6),
        rectifier=Rectifier("half", 1.65, diode="schottky"),
        **_TAKES_CHARGE,
    ),
    "x7r": _board("loses under voltage", hold_capacitor=HoldCapacitor("x7r", 6.3, 2.0)),
    "x5r": _board(
        "loses more under voltage",
        hold_capacitor=HoldCapacitor("x5r", 6.3, 2.0),
        detector=AverageDetector(10e3, 1e-6),
    ),
    "y5v in the cold": _board("half of it is gone", hold_capacitor=HoldCapacitor("y5v", 10.0, 1.0, -20.0)),
    "electrolytic": _board("leaks", hold_capacitor=HoldCapacitor("electrolytic", temperature_c=-10.0)),
    "tantalum, diode": _board(
        "leaks behind a passive diode",
        hold_capacitor=HoldCapacitor("tantalum"),
        rectifier=Rectifier("half", diode="silicon"),
    ),
}

DIGITAL = {
    "one pole": _board("follower with one memory", follower=OnePole(0.05)),
    "attack and release": _board("follower that sees every reading", follower=AttackRelease(0.005, 0.1)),
    "peak hold": _board("follower with two memories", follower=PeakHold(0.04, 0.1), adc=Adc(12)),
    "mean square": _board("follower on the square", follower=MeanSquare(0.05), rectifier=Rectifier("half")),
    "moving mean": _board("a frame shows all its readings", follower=MovingMean(), adc=Adc(10)),
    "moving maximum": _board("follower with a window", follower=MovingMaximum(0.03)),
    "followed diode": _board(
        "follower behind a passive diode",
        follower=AttackRelease(0.002, 0.05),
        rectifier=Rectifier("half", diode="schottky"),
    ),
    "coarse light": _board(
        "8-bit pixels, a supply for all of them, knee in the curve",
        pixel_bits=8,
        supply=Supply(12.0),
        pixels=Pixels(60, 3, 0.02),
        frame_rate_hz=50.0,
        brightness=BrightnessMap(55.0, 100.0, "power", knee_position=0.4, knee_output=0.2),
    ),
    "decibel light": _board(
        "a jump at the floor, fast frames",
        frame_rate_hz=400.0,
        brightness=BrightnessMap(70.0, 96.0, "decibel", light_span_db=30.0),
    ),
    "straight light": _board("table even in counts", brightness=BrightnessMap(60.0, 100.0, "straight")),
}

ZOO: dict[str, ZooBoard] = {
    **PRECISION,
    **AMPLIFIERS,
    **PASSIVE,
    **PREAMPS,
    **FILTERS,
    **MICROPHONES,
    **ADCS,
    **HOLD_CAPACITORS,
    **DIGITAL,
}


def strokes(seconds: float = 0.5, rate_hz: float = 44_100.0) -> Recording:
    """Silence, a quiet tone, three strokes from 74 to 128 dB SPL at their peak, silence: seeded, invented.

    The loudest, at 0.3 s, drives every preamp of the zoo and every microphone beyond its limits. At 44.1 kHz,
    0.5 s are two of the blocks in which a clip is interpolated, and a part of a third.
    """
    n = round(seconds * rate_hz)
    t = np.arange(n) / rate_hz
    noise = np.random.default_rng(20).standard_normal(n)
    pressure = 0.02 * np.sin(2 * np.pi * 440 * t)
    for start_s, peak_pa in ((0.08, 0.1), (0.19, 2.0), (0.3, 50.0)):
        since_s = np.maximum(t - start_s, 0.0)
        stroke = (0.6 * np.sin(2 * np.pi * 180 * since_s) + 0.4 * noise) * np.exp(-since_s / 0.02)
        pressure += np.where(since_s > 0, peak_pa * stroke, 0.0)
    pressure[(t < 0.04) | (t > 0.45)] = 0.0
    return Recording(pressure, rate_hz, "strokes")


def slightly_off(chain: Chain, by: float = 1.0) -> Chain:
    """The same board from other drawers: gain resistor +3 %, attack −4 %, capacitor +10 %, release −5 %.

    by: how many times as much.
    """
    preamp = replace(chain.preamp, feedback_ohm=chain.preamp.feedback_ohm * (1 + 0.03 * by))
    farad = chain.detector.hold_farad * (1 + 0.1 * by)
    if isinstance(chain.detector, AverageDetector):
        ohm = chain.detector.smoothing_ohm * (1 - 0.04 * by)
        return replace(
            chain, preamp=preamp, detector=replace(chain.detector, hold_farad=farad, smoothing_ohm=ohm)
        )
    attack, release = (
        chain.detector.attack_ohm * (1 - 0.04 * by),
        chain.detector.release_ohm * (1 - 0.05 * by),
    )
    detector = PeakDetector(attack, min(farad, 1.0), release)
    return replace(chain, preamp=preamp, detector=detector)


def other_detectors(chain: Chain, count: int) -> list[Chain]:
    """Boards that differ in the detector alone, from ten times as quick to ten times as slow."""
    times = np.geomspace(0.1, 10, count)
    return [
        replace(chain, detector=replace(chain.detector, hold_farad=min(1.0, chain.detector.hold_farad * x)))
        for x in times
    ]

"""Held voltage of real rectifiers over that of the ideal one, against a nodal solution of their circuits.

The numbers in dB were found by an independent nodal solution (parts and nodes only, Shockley diodes,
amplifiers as one pole with slew and limits), measured, not by this project: 47k networks, silicon, attack
4k7, hold 1 µF, release 220k, amplifiers of 3 MHz and 3 V/µs, output-low 15 mV + 100 Ω, 3.3 V, bias 1.65 V.
They are given to 0.1 dB. tests/reference solves the same circuits again.
"""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from envlab.analog.detector import PeakDetector, detect
from envlab.analog.envelope import HoldState, hold_signal
from envlab.analog.rectifiers.absolute_value import AbsoluteValue
from envlab.analog.rectifiers.bias_superdiodes import BiasSuperdiodes
from envlab.analog.rectifiers.difference_superdiodes import DifferenceSuperdiodes
from envlab.analog.rectifiers.diodeless import Diodeless
from envlab.analog.tones.nonlinear_steady_state import quiescent_state, settled_ratio_at
from envlab.units import db

RATE_HZ = 384_000.0
DETECTOR = PeakDetector(4.7e3, 1e-6, 220e3)
BIAS_V, SUPPLY_V = 1.65, 3.3
PEAKS_V = (0.003, 0.010, 0.020, 0.100, 0.500, 1.500)
# The table's circuit held its input on ground more stiffly than the usual values do (28 mV of idle).
STIFF_DIODELESS = Diodeless(return_ohm=1e3, coupling_farad=100e-6)
TABLE = {
    "on ground": (DifferenceSuperdiodes(), (15.7, 5.2, 0.0, 0.0, 0.0, 0.0)),
    "absolute value": (AbsoluteValue(), (15.7, 5.2, -0.1, 0.0, 0.0, -0.5)),
    "diodeless": (STIFF_DIODELESS, (21.1, 12.0, 7.8, 1.9, 0.3, 0.1)),
    "lifted": (DifferenceSuperdiodes(0.15), (-0.4, -0.15, -0.1, 0.0, 0.0, 0.0)),
    "on the bias": (BiasSuperdiodes(), (-2.1, -0.7, -0.4, -0.1, 0.0, -1.2)),
}
# At 10 mV: amplifiers of 1, 3, 10 MHz → (60 Hz, 1 kHz, 10 kHz).
SPEED = {
    "lifted": {1e6: (-0.07, -0.3, -2.7), 3e6: (-0.06, -0.15, -1.1), 10e6: (-0.06, -0.1, -0.5)},
    "on the bias": {1e6: (-0.2, -1.6, -22.0), 3e6: (-0.15, -0.7, -5.3), 10e6: (-0.13, -0.3, -2.2)},
}


def over_ideal_db(rectifier, frequency_hz: float, peak_v: float) -> float:
    built = rectifier.as_built(BIAS_V, SUPPLY_V)
    n = np.arange(round(1.2 * RATE_HZ))
    signal = peak_v * np.sin(2 * np.pi * frequency_hz * n / RATE_HZ)
    held_v, _ = hold_signal(signal, built, DETECTOR, sample_rate_hz=RATE_HZ, state=HoldState(0.9 * peak_v))
    ideal_v, _ = detect(np.abs(signal), DETECTOR, sample_rate_hz=RATE_HZ, start_v=0.9 * peak_v)
    last = round(10 * RATE_HZ / frequency_hz)
    return float(db(held_v[-last:].mean() / ideal_v[-last:].mean()))


@pytest.mark.parametrize("name", TABLE)
@pytest.mark.parametrize("place", range(len(PEAKS_V)))
def test_held_voltage_over_the_ideal_one(name, place):
    rectifier, table_db = TABLE[name]
    # 3 mV on the bias: what leaks through the attack resistor lets amplifiers come up sooner. This project's
    # own nodal solver, with the same parts, answers still 0.08 dB more than the model.
    within_db = 0.3 if (name, place) == ("on the bias", 0) else 0.2
    assert over_ideal_db(rectifier, 1000.0, PEAKS_V[place]) == pytest.approx(table_db[place], abs=within_db)


@pytest.mark.parametrize(("name", "gain_bandwidth_hz"), [(n, g) for n, some in SPEED.items() for g in some])
def test_dead_time_by_gain_bandwidth_and_frequency(name, gain_bandwidth_hz):
    rectifier = type(TABLE[name][0])(
        reference_node_v=TABLE[name][0].reference_node_v, gain_bandwidth_hz=gain_bandwidth_hz
    )
    for frequency_hz, told_db in zip((60.0, 1e3, 10e3), SPEED[name][gain_bandwidth_hz], strict=True):
        found_db = over_ideal_db(rectifier, frequency_hz, 0.010)
        # Where half and more is lost, the diode conducts a little before it does by this model's law; 10 mV
        # are three counts of ten bits, of which a quarter is then uncertain.
        within_db = 0.15 if told_db > -1 else 0.6 if told_db > -6 else 6.0
        assert found_db == pytest.approx(told_db, abs=within_db), frequency_hz


@pytest.mark.parametrize(
    ("rectifier", "idle_mv"),
    [(DifferenceSuperdiodes(), 16.4), (AbsoluteValue(), 16.4), (STIFF_DIODELESS, 29.0)],
)
def test_idle_on_ground(rectifier, idle_mv):
    """The same source: on ground such boards idle at 16.4 and 29 mV."""
    built = rectifier.as_built(BIAS_V, SUPPLY_V)
    assert 1e3 * quiescent_state(DETECTOR, built).held_v == pytest.approx(idle_mv, abs=0.5)


def test_three_hundred_boards_of_one_per_cent():
    """The same source: answers to an ideal 9.3 mV above the own idle, 5/50/95 %: on ground 0/0/7.3 mV,
    lifted 3.6/7.8/8.6, on the bias 7.2/8.1/8.4; ±1 % resistors, ±2 mV offsets.

    How its boards were drawn is not told; here: evenly, all parts apart. The worst twentieth hangs on it.
    """
    ranges = {
        "on ground": ((0.0, 0.0, 7.3), (0.1, 0.1, 0.4)),
        "lifted": ((3.6, 7.8, 8.6), (0.8, 0.2, 0.2)),
        "on the bias": ((7.2, 8.1, 8.4), (0.7, 0.2, 0.2)),
    }
    signal = 0.0103 * np.sin(2 * np.pi * np.arange(384) / 384)
    for name, (told_mv, within_mv) in ranges.items():
        rng = np.random.default_rng(5)
        answers_mv = [_answer_mv(_other_board(TABLE[name][0], rng), signal) for _ in range(300)]
        found_mv = np.percentile(answers_mv, (5, 50, 95))
        assert np.all(np.abs(found_mv - told_mv) < within_mv), (name, found_mv)


def _other_board(rectifier, rng):
    other = {}
    for one in fields(rectifier):
        if "part" in one.metadata:
            other[one.name] = getattr(rectifier, one.name) * (1 + rng.uniform(-0.01, 0.01))
        elif one.name.startswith("offset_u2"):
            other[one.name] = rng.uniform(-2e-3, 2e-3)
    return replace(rectifier, **other)


def _answer_mv(rectifier, cycle_v) -> float:
    built = rectifier.as_built(BIAS_V, SUPPLY_V)
    peak_v = float(cycle_v.max())
    return 1e3 * peak_v * settled_ratio_at(DETECTOR, built, 1000.0, peak_v)

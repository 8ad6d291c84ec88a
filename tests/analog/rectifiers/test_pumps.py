"""Voltage doubler and bridge against their circuits' equations in continuous time, solved apart (scipy)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq
from scipy.special import wrightomega

from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.envelope import HoldState, hold_signal
from envlab.analog.rectifiers.pumps import Bridge, VoltageDoubler
from envlab.chain import Chain
from envlab.engine.hold_stage import HoldStage
from envlab.errors import ParameterError

RATE_HZ = 384_000.0
DETECTOR = PeakDetector(1e3, 0.1e-6, 100e3)
FARAD = 0.22e-6
# (saturation A, emission, series Ω, leakage Ω) of the classes, written once more; values from memory
CLASSES = {
    "silicon": (2.5e-9, 1.75, 0.6, 1e9),
    "schottky": (0.2e-6, 1.05, 2.0, 20e6),
    "germanium": (2e-6, 1.3, 7.0, 2e6),
}
# k/e·298.15 K
THERMAL_V = 8.617333262e-5 * 298.15
PUMPS = {
    "doubler": (VoltageDoubler, (1.0,), {}),
    "bridge": (Bridge, (1.0, -1.0), {"other_coupling_farad": FARAD}),
}


def truth(gains, diode, peak_v, frequency_hz, duration_s):
    """Kirchhoff's current law at every capacitor, the diode's current in closed form [Banwell2000]."""
    saturation, emission, series, leakage = CLASSES[diode]
    slope_v = emission * THERMAL_V

    def through(volts, ohm):
        knee = ohm * saturation / slope_v
        omega = wrightomega(volts / slope_v + knee + math.log(knee)).real
        return slope_v / ohm * omega - saturation

    def slopes(t, state):
        v, *across = state
        signal_v = peak_v * math.sin(2 * math.pi * frequency_hz * t)
        ends_v = [gain * signal_v - u for gain, u in zip(gains, across, strict=True)]

        def ups(met_v):
            return [through(end_v - met_v, series) + (end_v - met_v) / leakage for end_v in ends_v]

        def left_over(met_v):
            return sum(ups(met_v)) - (met_v - v) / DETECTOR.attack_ohm

        # All ends meet where the one attack resistor begins.
        met_v = brentq(left_over, min(v, *ends_v) - 1, max(v, *ends_v) + 1, xtol=1e-13)
        into = (met_v - v) / DETECTOR.attack_ohm
        downs = [through(-end_v, series) - end_v / leakage for end_v in ends_v]
        moved = [(up - down) / FARAD for up, down in zip(ups(met_v), downs, strict=True)]
        return [(into - v / DETECTOR.release_ohm) / DETECTOR.hold_farad, *moved]

    return solve_ivp(
        slopes, (0, duration_s), [0.0] * (1 + len(gains)), method="LSODA", rtol=1e-8, atol=1e-10,
        max_step=1 / frequency_hz / 64, dense_output=True,
    ).sol  # fmt: skip


@pytest.mark.parametrize("pump", PUMPS)
@pytest.mark.parametrize("diode", CLASSES)
@pytest.mark.parametrize(("peak_v", "frequency_hz"), [(0.5, 1000.0), (0.1, 5000.0)])
def test_held_voltage(pump, diode, peak_v, frequency_hz):
    kind, gains, more = PUMPS[pump]
    built = kind(diode=diode, coupling_farad=FARAD, **more).as_built(1.65, 3.3)
    solved = truth(gains, diode, peak_v, frequency_hz, 0.01)
    n = np.arange(round(0.01 * RATE_HZ) - 1)
    signal = peak_v * np.sin(2 * np.pi * frequency_hz * n / RATE_HZ)
    held_v, end = hold_signal(signal, built, DETECTOR, sample_rate_hz=RATE_HZ)
    assert np.abs(held_v - solved((n + 0.5) / RATE_HZ)[0]).max() < 1e-3 * peak_v
    across = (end.across_v, *end.other_across_v)
    np.testing.assert_allclose(across, solved((n[-1] + 0.5) / RATE_HZ)[1:], rtol=0, atol=2e-3 * peak_v)


def test_twice_the_peak_less_two_drops():
    """Textbook: a doubler settles at twice the peak less two drops.

    2 µA flow on the average, a hundred times as much in the hundredth of a cycle in which they do.
    """
    built = VoltageDoubler(diode="silicon", coupling_farad=100e-6).as_built(1.65, 3.3)
    slow = PeakDetector(100.0, 1e-6, 10e6)
    signal = 10 * np.sin(2 * np.pi * 1000 * np.arange(400_000) / RATE_HZ)
    held_v, _ = hold_signal(signal, built, slow, sample_rate_hz=RATE_HZ)
    drop_v = 1.75 * THERMAL_V * math.log1p(200e-6 / 2.5e-9)
    assert held_v[-1] == pytest.approx(20 - 2 * drop_v, abs=0.1)


@pytest.mark.parametrize("pump", PUMPS)
def test_two_blocks_equal_one_and_many_equal_one_by_one(pump):
    kind, _, more = PUMPS[pump]
    built = kind(coupling_farad=FARAD, **more).as_built(1.65, 3.3)
    signal = np.random.default_rng(4).normal(0, 0.5, 9600)
    whole_v, end = hold_signal(signal, built, DETECTOR, sample_rate_hz=RATE_HZ)
    first_v, state = hold_signal(signal[:777], built, DETECTOR, sample_rate_hz=RATE_HZ)
    second_v, state = hold_signal(signal[777:], built, DETECTOR, sample_rate_hz=RATE_HZ, state=state)
    assert np.array_equal(np.concatenate((first_v, second_v)), whole_v)
    assert state == end
    due, fraction = np.arange(5, 9600, 100), np.full(96, 0.25)
    read_v = HoldStage((DETECTOR,) * 5, built, RATE_HZ, [HoldState()] * 5).read(signal, due, fraction)
    assert np.array_equal(read_v[:, 0], read_v[:, 4])
    np.testing.assert_allclose(
        read_v[:, 2], whole_v[due - 1] + 0.25 * (whole_v[due] - whole_v[due - 1]), rtol=0, atol=1e-15
    )


@pytest.mark.parametrize("rectifier", [VoltageDoubler(), Bridge(), Bridge(coupling_farad=0.22e-6)])
def test_a_settled_tone_comes_again(rectifier):
    """The cycle that Newton's method finds is the one that many cycles come to."""
    chain = Chain(rectifier=rectifier, detector=DETECTOR)
    peak_v = chain.tone_peak_v
    signal = peak_v * np.sin(2 * np.pi * 1000 * np.arange(1_200_000) / RATE_HZ)
    held_v, _ = hold_signal(signal, chain.rectifier_as_built, DETECTOR, sample_rate_hz=RATE_HZ)
    settled_v = chain.tone_response().settled_ratio * peak_v
    assert held_v[-384:].mean() == pytest.approx(settled_v, rel=2e-3)


def test_what_cannot_be():
    with pytest.raises(
        ParameterError, match=r"^detector is 'average'; it must be a peak detector behind vol"
    ):
        Chain(rectifier=VoltageDoubler(), detector=AverageDetector(1e3, 1e-6))
    with pytest.raises(ParameterError, match=r"^supply_v is 3.3; it must be above 3.45 V for bridge"):
        Chain(rectifier=Bridge(output_high_v=1.8))
    with pytest.raises(ParameterError, match=r"^diode is 'none'; it must be one of silicon, "):
        VoltageDoubler(diode="none")


@pytest.mark.parametrize("coupling_farad", [0.1e-9, 1e-9, 0.1e-6])
@pytest.mark.parametrize("kind", [VoltageDoubler, Bridge])
def test_in_silence_no_capacitor_is_too_small_to_come_to_rest(kind, coupling_farad):
    """Where nothing flows each coupling capacitor has what its end rests at, the hold capacitor nothing."""
    chain = Chain(rectifier=kind(coupling_farad=coupling_farad))
    # The amplifier's own offset; what gives its gain lies behind a capacitor, and hands steady volts on as 1.
    rest, resting_v = chain.quiescent_state, chain.preamp.input_offset_v
    assert resting_v != 0
    assert rest.held_v == pytest.approx(0, abs=1e-9)
    assert rest.across_v == pytest.approx(resting_v, rel=1e-6)
    assert rest.other_across_v == pytest.approx([-resting_v] * len(rest.other_across_v), rel=1e-6)


@pytest.mark.parametrize(
    ("rectifier", "line"),
    [
        (VoltageDoubler(coupling_farad=1e-12), r"^coupling_farad is 1e-12; it must be at least 1\.\d+e-11 F"),
        (Bridge(other_coupling_farad=1e-12), r"^other_coupling_farad is 1e-12; it must be at least "),
        (Bridge(diode="germanium"), r"^hold_farad is 1e-11; it must be at least 2\.6e-11 F beside diodes"),
        (
            Bridge(leakage_ohm=1e3),
            r"^attack_ohm is 4700\.0; it must be under 9\d\d\.?\d* ohm behind two ends",
        ),
        (Bridge(saturation_a=1e-3), r"^attack_ohm is 4700\.0; it must be under 2\d\.\d+ ohm"),
    ],
)
def test_what_no_step_can_follow_is_one_line(rectifier, line):
    detector = PeakDetector(4.7e3, 1e-11 if rectifier.diode == "germanium" else 1e-6, 100e3)
    with pytest.raises(ParameterError, match=line):
        hold_signal(np.zeros(4), rectifier.as_built(1.65, 3.3), detector, sample_rate_hz=RATE_HZ)

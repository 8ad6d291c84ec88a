"""Detectors on a steady tone: large-signal detector theory, textbook ripple, and plain long simulations."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from envlab.analog.detector import AverageDetector, PeakDetector, detect
from envlab.analog.rectifiers.ideal import Rectifier, rectify
from envlab.analog.tones.steady_state import tone_response
from envlab.errors import ParameterError

HALF, FULL = Rectifier("half"), Rectifier("full")


def conduction_cosine(rs_over_rl: float, rectifier: Rectifier) -> float:
    """Vdc/Vp of the large-signal diode detector: cos θ with tan θ − θ = π·Rs/RL, half of it at full wave."""
    right = math.pi * rs_over_rl / (1 if rectifier == HALF else 2)
    return math.cos(brentq(lambda t: math.tan(t) - t - right, 1e-9, math.pi / 2 - 1e-12, xtol=1e-14))


def with_large_capacitor(rs_over_rl: float) -> PeakDetector:
    """At 1 kHz: ω·C·RL = 20 000, so that the theory's "large capacitor" holds to about 1e-4."""
    release_ohm = 1e5 if rs_over_rl <= 1 else 1e5 / rs_over_rl
    return PeakDetector(rs_over_rl * release_ohm, 20_000 / (2 * math.pi * 1000 * release_ohm), release_ohm)


# Large-signal diode detector of RF textbooks, tan θ − θ = π·Rs/RL; derived and simulated independently.
KNOWN_RATIOS = [
    (HALF, 0.001, 0.97803),
    (HALF, 0.01, 0.90354),
    (HALF, 0.1, 0.64546),
    (HALF, 1.0, 0.21723),
    (FULL, 0.001, 0.98608),
    (FULL, 0.01, 0.93764),
    (FULL, 0.1, 0.75180),
    (FULL, 1.0, 0.33651),
]


@pytest.mark.parametrize(("rectifier", "rs_over_rl", "known"), KNOWN_RATIOS)
def test_settles_where_large_signal_theory_says(rectifier, rs_over_rl, known):
    assert conduction_cosine(rs_over_rl, rectifier) == pytest.approx(known, abs=6e-6)
    settled = tone_response(with_large_capacitor(rs_over_rl), rectifier, 1000.0).settled_ratio
    assert settled == pytest.approx(known, abs=2e-4)


@pytest.mark.parametrize("rectifier", [HALF, FULL], ids=["half", "full"])
@pytest.mark.parametrize("rs_over_rl", [2e-4, 0.0022, 0.0047, 0.0213, 0.047, 0.22, 0.47, 2.2, 5.0])
def test_settles_there_at_other_ratios_too(rectifier, rs_over_rl):
    settled = tone_response(with_large_capacitor(rs_over_rl), rectifier, 1000.0).settled_ratio
    assert settled == pytest.approx(conduction_cosine(rs_over_rl, rectifier), abs=2e-4)


def ideal_diode_ripple(period_per_rc: float, crests_per_period: int) -> float:
    """Ripple over Vp with no source resistance, exactly: follow the crest, leave it where the discharge is
    slower, meet the next one. Independent of any time step."""
    w = 2 * math.pi / period_per_rc  # ω·R·C
    leave = math.atan(1 / w)  # after the crest, cos falls at the rate of the discharge
    level = math.cos(leave)
    turn = 2 * math.pi / crests_per_period
    meet = brentq(lambda a: level * math.exp(-(a - leave) / w) - math.cos(a - turn), turn - math.pi / 2, turn)
    return 1 - math.cos(meet - turn)


@pytest.mark.parametrize(("rectifier", "crests"), [(HALF, 1), (FULL, 2)], ids=["half", "full"])
@pytest.mark.parametrize("period_per_rc", [0.002, 0.02, 0.1])
def test_ripple_without_source_resistance(rectifier, crests, period_per_rc):
    # First order: Vp/(f·R·C) half wave, Vp/(2·f·R·C) full wave; the exact ideal diode lies below it by about
    # √(2·ripple)/(2π) and is met closely.
    detector = PeakDetector(0.01, 1e-6, 1e-3 / period_per_rc / 1e-6)
    response = tone_response(detector, rectifier, 1000.0)
    ripple = response.high_ratio - response.low_ratio
    first_order = period_per_rc / crests
    assert ripple == pytest.approx(ideal_diode_ripple(period_per_rc, crests), rel=3e-3)
    assert ripple == pytest.approx(first_order, rel=math.sqrt(2 * first_order) / math.pi + first_order)
    assert ripple < first_order


def test_peak_rectifier_example_of_the_textbooks():
    # 60 Hz, Vp = 100 V, R = 10 kΩ, aim 2 V ripple: C = 83.3 µF (textbook values from memory). Exact ideal
    # diode: ripple 1.918 V, peak 622.2 mA, 0.1962 rad from the start of conduction to the crest, mean while
    # conducting 312.1 mA (it conducts on past the crest until atan(1/ωRC)). Here every impedance is a
    # thousand times larger, so that the least attack resistor is as good as none.
    detector = PeakDetector(0.01, 83.3e-9, 10e6)
    response = tone_response(detector, HALF, 60.0)
    assert 100 * (response.high_ratio - response.low_ratio) == pytest.approx(1.918, abs=0.002)
    steps = 40_000
    cycle = 100 * np.maximum(np.sin(2 * np.pi * np.arange(steps) / steps), 0)
    start = 100 * response.end_ratio
    for _ in range(3):
        held, start = detect(cycle, detector, sample_rate_hz=60.0 * steps, start_v=start)
    rise = np.diff(held)
    current = 1e3 * (83.3e-9 * rise * 60 * steps + held[1:] / 10e6)
    conducting = current > 1e-4
    assert (rise > 0).mean() * 2 * math.pi == pytest.approx(0.1962, rel=2e-3)
    assert current.max() == pytest.approx(0.6222, rel=2e-3)
    assert current[conducting].mean() == pytest.approx(0.3121, rel=2e-3)


PARTS = [
    (PeakDetector(470.0, 1e-7, 33e3), FULL, 1000.0),
    (PeakDetector(4.7e3, 1e-6, 47e3), FULL, 60.0),
    (PeakDetector(10e3, 2.2e-7, 100e3), HALF, 60.0),
    (PeakDetector(33e3, 1e-6, 33e3), HALF, 440.0),
    (AverageDetector(10e3, 1e-6), FULL, 60.0),
    (AverageDetector(1e3, 1e-6), HALF, 1000.0),
]


@pytest.mark.parametrize(("detector", "rectifier", "frequency_hz"), PARTS)
def test_equals_a_long_simulation(detector, rectifier, frequency_hz):
    # The same definitions by waiting: mean, least and largest over a late cycle, first crossing of 90 %,
    # time to 10 % after the end. 3000 steps a cycle instead of the stage's own number; midpoints err by
    # (2π/3000)²/24 = 2e-7 of the peak, and by up to 1e-5 where a quick detector lets go within a step.
    response = tone_response(detector, rectifier, frequency_hz)
    steps = 3000
    rate_hz = steps * frequency_hz
    slowest = detector.smoothing_s if isinstance(detector, AverageDetector) else detector.release_s
    cycles = math.ceil(18 * slowest * frequency_hz) + 12
    cycle = rectify(np.sin(2 * np.pi * np.arange(steps) / steps), rectifier)
    held, end = detect(np.tile(cycle, cycles), detector, sample_rate_hz=rate_hz)
    last = held[-10 * steps :]
    settled = last.mean()
    assert response.settled_ratio == pytest.approx(settled, abs=1e-5)
    assert response.low_ratio == pytest.approx(last.min(), abs=1e-5)
    assert response.high_ratio == pytest.approx(last.max(), abs=1e-5)
    assert response.end_ratio == pytest.approx(end, abs=2e-4)  # half a step of a steep end
    assert response.ripple_db == pytest.approx(20 * math.log10(last.max() / last.min()), abs=1e-4)

    first = int(np.argmax(held >= 0.9 * settled))
    before = held[first - 1] if first else 0.0
    stamp = first - 0.5 + (0.9 * settled - before) / (held[first] - before)
    assert response.attack_s == pytest.approx(stamp / rate_hz, abs=0.02 / rate_hz)

    tail, _ = detect(
        np.zeros(math.ceil(4 * slowest * rate_hz)), detector, sample_rate_hz=rate_hz, start_v=end
    )
    below = int(np.argmax(tail <= 0.1 * settled))
    assert response.release_s == pytest.approx((below + 1) / rate_hz, rel=2e-3, abs=1.5 / rate_hz)


def test_a_detector_that_follows_at_once_attacks_with_the_sine():
    # It holds the crest; 90 % of what it holds is first reached at asin(0.9·settled)/2πf. One step is
    # 1/4096 of a cycle.
    response = tone_response(PeakDetector(0.01, 1e-9, 1e7), FULL, 1000.0)
    assert response.settled_ratio == pytest.approx(0.98, abs=0.03)
    by_hand = math.asin(0.9 * response.settled_ratio) / (2 * math.pi * 1000)
    assert response.attack_s == pytest.approx(by_hand, abs=1e-3 / 4096)


def test_release_counts_from_the_voltage_at_the_end():
    # Without ripple, 90 % of the way down takes ln 10 = 2.302585 time constants (closed form).
    detector = PeakDetector(1e3, 1e-5, 1e5)
    assert tone_response(detector, FULL, 1000.0).release_s == pytest.approx(2.302585, rel=1e-3)


def test_attack_is_far_from_the_step_of_the_resistor_and_capacitor():
    # A diode conducts for a part of each cycle only: 2.303·R·C, the step's answer, is not the attack time.
    detector = PeakDetector(4.7e3, 1e-6, 470e3)
    assert tone_response(detector, HALF, 1000.0).attack_s > 3 * math.log(10) * 4.7e-3


@pytest.mark.parametrize(
    "detector",
    [
        PeakDetector(1e6, 1e-3, 1e9),
        PeakDetector(1e8, 1.0, 1e9),
        PeakDetector(1e8, 1.0, 1.0),
        AverageDetector(1e8, 1.0),
    ],
    ids=repr,
)
def test_even_absurdly_slow_parts_have_an_answer(detector):
    # Not waited for: an average of τ reaches 90 % after τ·ln 10, which may be years.
    response = tone_response(detector, FULL, 1000.0)
    assert 0 < response.settled_ratio <= 1
    assert math.isfinite(response.attack_s)
    assert math.isfinite(response.release_s)


def test_a_slow_average_is_right_without_waiting():
    # τ = 1000 s: 90 % after τ·ln 10 = 2302.585 s (closed form, ripple 1e-7).
    assert tone_response(AverageDetector(1e6, 1e-3), FULL, 1000.0).attack_s == pytest.approx(
        2302.585, rel=1e-4
    )


def test_a_slow_peak_agrees_with_waiting():
    # 40 s of charging by plain simulation with 64 steps a cycle against the stage's answer.
    detector = PeakDetector(2.2e5, 1e-4, 1e7)
    response = tone_response(detector, FULL, 1000.0)
    steps = 64
    cycle = np.abs(np.sin(2 * np.pi * np.arange(steps) / steps))
    v, cycles = 0.0, 0
    while v < 0.9 * response.settled_ratio:
        _, v = detect(np.tile(cycle, 1000), detector, sample_rate_hz=1000.0 * steps, start_v=v)
        cycles += 1000
    assert response.attack_s == pytest.approx(cycles / 1000 - 0.5, abs=0.6 + 2e-3 * cycles / 1000)


@pytest.mark.parametrize("frequency_hz", [0.0, 30e3, math.nan])
def test_tones_that_no_one_hears(frequency_hz):
    with pytest.raises(ParameterError, match=r"^frequency_hz is "):
        tone_response(PeakDetector(1e3, 1e-6, 1e6), FULL, frequency_hz)


def test_more_cycles_than_are_counted_come_out_to_a_third_of_one():
    # 22,131 cycles, and the stage counts 20,000 of them at most: by plain simulation with its own 4096 steps.
    detector, steps = PeakDetector(1e5, 5.4e-5, 2e6), 4096
    found = tone_response(detector, FULL, 1000.0)
    cycles = np.tile(np.abs(np.sin(2 * np.pi * np.arange(steps) / steps)), 100)
    v, done = 0.0, 0
    while True:
        held_v, end_v = detect(cycles, detector, sample_rate_hz=1000.0 * steps, start_v=v)
        if held_v.max() >= 0.9 * found.settled_ratio:
            break
        v, done = end_v, done + 100
    crossing = done + np.argmax(held_v >= 0.9 * found.settled_ratio) / steps
    assert crossing > 20_000
    assert 1000 * found.attack_s == pytest.approx(crossing, abs=1 / 3)

"""Thirty small questions whose impossible target was made impossible on purpose, so that its cause is known.

Ten ways to go wrong, three seeds each, which move levels, parts and limits. Clips are made here: strokes of a
decaying tone, a held tone that breathes, steps of noise. causes: keys of
envlab.study.sweep.obstacles.changes that may be named, with the reason beside each way; the first must be.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from envlab.analog.adc import Adc
from envlab.chain import Chain
from envlab.light.curve import BrightnessMap
from envlab.light.pixels import Supply
from envlab.sound.clip import Clip
from envlab.sound.recording import Recording
from envlab.study.specification.specification import Judging, Specification
from envlab.study.specification.targets import Target, Targets
from envlab.study.tolerance.tolerances import Tolerances

RATE_HZ, LENGTH_S = 8000.0, 2.0
TIME_S = np.arange(int(RATE_HZ * LENGTH_S)) / RATE_HZ
SEEDS = (1, 2, 3)


@dataclass(frozen=True)
class Known:
    """A question, the metric of its impossible target, and the causes that may be named."""

    asked: Specification
    metric: str
    causes: tuple[str, ...]


def strokes(rng: np.random.Generator, level_db_spl: float) -> Clip:
    """Two strokes a second."""
    pitch_hz, tail_s = rng.uniform(150, 250), rng.uniform(0.08, 0.14)
    wave = np.sin(2 * np.pi * pitch_hz * TIME_S) * np.exp(-(TIME_S % 0.5) / tail_s)
    wave += 0.003 * rng.standard_normal(TIME_S.size)
    return Clip(Recording(wave, RATE_HZ, "strokes"), level_db_spl, ("beat",))


def singing(rng: np.random.Generator, level_db_spl: float) -> Clip:
    """A held tone that breathes."""
    wave = np.sin(2 * np.pi * rng.uniform(280, 380) * TIME_S) * (0.9 + 0.1 * np.sin(2 * np.pi * 1.5 * TIME_S))
    return Clip(Recording(wave, RATE_HZ, "singing"), level_db_spl, ("quiet",))


def steps(rng: np.random.Generator, level_db_spl: float) -> Clip:
    """Footfall: bursts of noise."""
    wave = rng.standard_normal(TIME_S.size) * np.exp(-(TIME_S % 0.6) / 0.1)
    return Clip(Recording(wave, RATE_HZ, "steps"), level_db_spl, ("walking",))


def question(
    rng: np.random.Generator,
    chain: Chain,
    targets: tuple[Target, ...],
    *clips: Clip,
    loud_db_spl: float = 92.0,
) -> Specification:
    """Return a question about gain and release, of strokes and other clips."""
    gains = sorted(rng.choice([10e3, 15e3, 22e3, 33e3], 2, replace=False).tolist())
    releases = sorted(rng.choice([220e3, 330e3, 470e3, 680e3], 3, replace=False).tolist())
    return Specification(
        chain,
        (strokes(rng, loud_db_spl), *clips),
        {"preamp.feedback_ohm": tuple(gains), "detector.release_ohm": tuple(releases)},
        Targets(targets),
        Judging(seed=int(rng.integers(1000))),
        tolerance=Tolerances(seed=int(rng.integers(1000))),
    )


def coarse_pixels(rng: np.random.Generator) -> Known:
    """8 bit and a supply for full light: one code is 3.5 L*, whatever the analog part does."""
    chain = replace(
        Chain(brightness=BrightnessMap(74.0, 100.0)),
        pixel_bits=8,
        adc=Adc(bits=14),
        supply=Supply(limit_a=12.0),
    )
    target = Target("table_step_lstar", "at_most", float(rng.uniform(2.2, 3.0)), 1.0)
    return Known(question(rng, chain, (target,)), target.metric, ("pixel depth",))


def coarse_converter(rng: np.random.Generator) -> Known:
    """7 or 8 bit between floor and ceiling: a count is many L*. Loud strokes leave no room for more gain."""
    chain = Chain(adc=Adc(bits=int(rng.integers(7, 9))))
    step = Target("table_step_lstar", "at_most", float(rng.uniform(6.0, 8.0)), 2.0)
    clipped = Target("clipped_share", "at_most", 0.001, 0.01)
    asked = question(rng, chain, (step, clipped), loud_db_spl=98.0)
    gains = {"preamp.feedback_ohm": (10e3, 15e3)}
    return Known(replace(asked, ranges=dict(asked.ranges) | gains), step.metric, ("converter",))


def small_supply(rng: np.random.Generator) -> Known:
    """What is left beyond the dark pixels' 24 mA is a few dozen codes of 16 bit; no pixel has more."""
    chain = Chain(
        brightness=BrightnessMap(74.0, 100.0),
        adc=Adc(bits=14),
        supply=Supply(limit_a=float(rng.uniform(0.028, 0.032))),
    )
    target = Target("table_step_lstar", "at_most", float(rng.uniform(6.0, 8.0)), 1.0)
    return Known(question(rng, chain, (target,)), target.metric, ("supply",))


def too_much_light(rng: np.random.Generator) -> Known:
    """Loud strokes drive the light to full; less current asks for a lower limit, or a higher ceiling."""
    chain = Chain(supply=Supply(limit_a=float(rng.uniform(2.5, 3.5))))
    target = Target("supply_99_a", "at_most", float(rng.uniform(0.4, 0.6)), 0.5)
    return Known(
        question(rng, chain, (target,), loud_db_spl=104.0), target.metric,
        ("full light", "ceiling too low", "floor too low"),
    )  # fmt: skip


def floor_under_the_steps(rng: np.random.Generator) -> Known:
    """Steps lie above the floor, and nothing else asks for a low one. A low ceiling's curve is steeper."""
    target = Target("false_light_lstar", "at_most", float(rng.uniform(10.0, 20.0)), 5.0)
    chain = Chain(brightness=BrightnessMap(float(rng.uniform(58.0, 62.0)), 98.0))
    asked = question(rng, chain, (target,), steps(rng, float(rng.uniform(70.0, 74.0))))
    return Known(asked, target.metric, ("floor too low",))


def floor_over_the_singing(rng: np.random.Generator) -> Known:
    """Singing lies under the floor; the floor is in dB SPL, so that no gain helps."""
    level = float(rng.uniform(62.0, 66.0))
    target = Target("quiet_lit_share", "at_least", float(rng.uniform(0.85, 0.95)), 0.1)
    chain = Chain(brightness=BrightnessMap(level + float(rng.uniform(5.0, 8.0)), 98.0))
    return Known(question(rng, chain, (target,), singing(rng, level)), target.metric, ("floor too high",))


def slow_frames(rng: np.random.Generator) -> Known:
    """A frame can be a whole period late: less than that asks for more frames."""
    rate_hz = float(rng.choice([25.0, 30.0, 40.0]))
    target = Target("onset_lag_worst_ms", "at_most", 0.75 * 1e3 / rate_hz, 5.0)
    asked = question(rng, replace(Chain(), frame_rate_hz=rate_hz), (target,))
    return Known(asked, target.metric, ("frame rate",))


def levels_too_near(rng: np.random.Generator) -> Known:
    """Counts cannot lie further apart than the clips' levels do, whatever the board."""
    soft = float(rng.uniform(74.0, 78.0))
    target = Target("range_used_db", "at_least", float(rng.uniform(34.0, 38.0)), 10.0)
    asked = question(rng, Chain(), (target,), singing(rng, soft))
    quiet = ("level of the quiet clips too high", "level of the softest clip too high")
    loud = ("level of the beat clips too low", "level of the loudest clip too low")
    return Known(asked, target.metric, (*quiet, *loud))


def steps_over_the_singing(rng: np.random.Generator) -> Known:
    """Singing under the steps is to be lit, and they are not: no floor parts them, only other levels do."""
    soft = float(rng.uniform(67.0, 69.0))
    dark = Target("false_light_lstar", "at_most", float(rng.uniform(10.0, 15.0)), 5.0)
    lit = Target("quiet_lit_share", "at_least", 0.9, 0.1)
    chain = Chain(brightness=BrightnessMap(60.0, 98.0))
    asked = question(rng, chain, (dark, lit), singing(rng, soft), steps(rng, soft + float(rng.uniform(7, 8))))
    return Known(asked, dark.metric, ("level of the walking clips too high",))


def slow_release(rng: np.random.Generator) -> Known:
    """All releases of the range, with the capacitor that is fixed, keep the light up between the strokes."""
    target = Target("beat_contrast_lstar", "at_least", float(rng.uniform(55.0, 60.0)), 10.0)
    asked = question(rng, Chain(), (target,))
    either = ("detector.release_ohm too high", "detector.hold_farad too high")
    # Light that begins or ends at other levels moves further, too.
    return Known(asked, target.metric, (*either, "floor too low", "ceiling too high", "ceiling too low"))


WAYS: tuple[Callable[[np.random.Generator], Known], ...] = (
    coarse_pixels,
    coarse_converter,
    small_supply,
    too_much_light,
    floor_under_the_steps,
    floor_over_the_singing,
    slow_frames,
    levels_too_near,
    steps_over_the_singing,
    slow_release,
)


def known(way: Callable[[np.random.Generator], Known], seed: int) -> Known:
    """Return one of the thirty."""
    return way(np.random.default_rng([seed, WAYS.index(way)]))

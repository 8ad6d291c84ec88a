"""Struck drums: membrane modes with a pitch that falls, a stick's noise, a rattle under the head; players.

A round membrane rings at the zeros of the Bessel functions, j_mn / j_01 times its lowest pitch, and a stroke
at radius r excites mode (m, n) by J_m(j_mn r) (the textbook solution of the ideal membrane). How much the
losses grow with frequency, the air draws the modes together, and how strongly each one radiates, is set so
that the envelopes look like those of real drums: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import signal, special
from shaping import FloatArray, clock_s, high_pass, lay_out, low_pass, samples, shaped_noise

MODES = [(m, n, float(special.jn_zeros(m, n)[-1])) for m in range(9) for n in (1, 2, 3, 4)]
LOWEST_ZERO = MODES[0][2]
SPEED_OF_SOUND_M_S = 331.0  # dry air near 0 degrees Celsius
SOFT, MIDDLE, HARD = 0.25, 0.55, 1.0

Notes = list[tuple[float, float]]
"""(position, strength 0..1) of each stroke; the position in beats of the march, or in s once timed."""


@dataclass(frozen=True)
class Drum:
    """One drum: lowest pitch, ring (time constant of the lowest mode), stick contact time and noise parts."""

    pitch_hz: float
    ring_s: float
    contact_s: float
    strike_radius: float
    brightness: float
    glide: float
    stick: float
    rattle: float = 0.0
    rattle_s: float = 0.07


DEEP_DRUM = Drum(61.0, 0.16, 0.0045, 0.30, 0.30, 0.07, 0.11)
MIDDLE_DRUM = Drum(138.0, 0.085, 0.0022, 0.42, 0.45, 0.045, 0.26)
RATTLE_DRUM = Drum(205.0, 0.040, 0.0011, 0.35, 0.50, 0.03, 0.55, rattle=0.9)


def stroke(drum: Drum, strength: float, rng: np.random.Generator) -> FloatArray:
    """One stroke of `strength` 0..1 at unit peak: harder is brighter and glides further in pitch."""
    t_s = clock_s(samples(8.5 * max(drum.ring_s, drum.rattle_s)))
    settle_s = 0.045
    glide = drum.glide * strength**1.5
    warped_s = t_s + glide * settle_s * -np.expm1(-t_s / settle_s)
    skin = _ringing(drum, t_s, warped_s, rng)
    contact_s = drum.contact_s * (1.25 - 0.45 * strength)
    push = np.hanning(samples(contact_s) + 2)
    skin = signal.oaconvolve(skin, push / push.sum())[: len(t_s)]
    skin /= np.max(np.abs(skin))
    sound = skin + _stick_noise(drum, strength, t_s, rng)
    if drum.rattle > 0:
        sound = sound + _rattle_noise(drum, strength, t_s, warped_s, rng)
    end = np.clip((t_s[-1] - t_s) / 0.03, 0, 1)
    return sound * end / np.max(np.abs(sound))


def _ringing(drum: Drum, t_s: FloatArray, warped_s: FloatArray, rng: np.random.Generator) -> FloatArray:
    radius = np.clip(drum.strike_radius + 0.06 * rng.standard_normal(), 0.05, 0.85)
    total = np.zeros(len(t_s))
    for m, _, zero in MODES:
        ratio = (zero / LOWEST_ZERO) ** 0.95
        pitch_hz = drum.pitch_hz * ratio * (1 + 0.004 * rng.standard_normal())
        excited = special.jv(m, zero * radius) / abs(special.jv(m + 1, zero))
        gain = excited * ratio**drum.brightness / (1 + 0.45 * m) * (1 + 0.15 * rng.standard_normal())
        ring_s = drum.ring_s * (0.75 if m == 0 else 1.0) / (1 + 0.38 * (ratio - 1))
        heard = np.searchsorted(t_s, 9 * ring_s)
        ringing = np.exp(-t_s[:heard] / ring_s) * np.sin(2 * np.pi * pitch_hz * warped_s[:heard])
        total[:heard] += gain * ringing
    return total


def _stick_noise(drum: Drum, strength: float, t_s: FloatArray, rng: np.random.Generator) -> FloatArray:
    top_hz = min(9000.0, 4.0 / drum.contact_s)
    envelope = -np.expm1(-t_s / 0.0004) * np.exp(-t_s / 0.0035)
    return drum.stick * (0.4 + 0.6 * strength) * shaped_noise(len(t_s), rng, 400.0, top_hz, -2.0) * envelope


def _rattle_noise(
    drum: Drum, strength: float, t_s: FloatArray, warped_s: FloatArray, rng: np.random.Generator
) -> FloatArray:
    buzz = 0.45 + 0.55 * np.abs(np.sin(np.pi * drum.pitch_hz * warped_s))
    envelope = -np.expm1(-t_s / 0.0012) * np.exp(-t_s / (drum.rattle_s * (0.7 + 0.3 * strength)))
    return drum.rattle * 0.5 * shaped_noise(len(t_s), rng, 1100.0, 6500.0, -3.0) * buzz * envelope


@dataclass(frozen=True)
class Player:
    """One drummer: the drum, how loudly and how far away they play, how far they stray in time."""

    drum: Drum
    gain: float
    distance_m: float
    stray_s: float
    takes: tuple[tuple[FloatArray, ...], ...]
    late_s: float


def player(
    drum: Drum, *, gain: float, distance_m: float, stray_s: float, tune: float, rng: np.random.Generator
) -> Player:
    """A drummer with five recorded-like takes of each of three strengths on a drum tuned by `tune`."""
    own = replace(drum, pitch_hz=drum.pitch_hz * tune)
    takes = tuple(tuple(stroke(own, strength, rng) for _ in range(5)) for strength in (SOFT, MIDDLE, HARD))
    return Player(own, gain, distance_m, stray_s, takes, late_s=0.004 * rng.standard_normal())


def play(one: Player, score: Notes, count: int, rng: np.random.Generator) -> FloatArray:
    """The strokes (time in s, strength 0..1) of one drummer as heard at the listener, `count` samples."""
    travel_s = one.distance_m / SPEED_OF_SOUND_M_S
    events, last = [], -1
    for at_s, strength in score:
        layer = int(np.searchsorted([0.5 * (SOFT + MIDDLE), 0.5 * (MIDDLE + HARD)], strength))
        take = int((last + 1 + rng.integers(0, 4)) % 5)
        last = take
        stray_s = one.stray_s * float(np.clip(rng.standard_normal(), -2.2, 2.2))
        moment_s = at_s + travel_s + one.late_s + stray_s
        force = strength * 10 ** (1.0 * rng.standard_normal() / 20)
        events.append((moment_s, one.gain * force / one.distance_m, one.takes[layer][take]))
    air_corner_hz = 14_000.0 / (1 + one.distance_m / 12.0)
    return low_pass(high_pass(lay_out(count, events), 30.0), air_corner_hz)


def beat_times(
    count: int, strokes_per_minute: float, rng: np.random.Generator, start_s: float = 0.0
) -> FloatArray:
    """Times in s of `count` beats of a march that breathes by about one per cent."""
    breathing = 0.006 * np.sin(np.arange(count) / 5.0) + 0.005 * rng.standard_normal(count)
    pace = 60.0 / strokes_per_minute * (1 + breathing)
    return start_s + np.concatenate([[0.0], np.cumsum(pace)[:-1]])


def score_from(beats_s: FloatArray, notes: Notes) -> Notes:
    """(position in beats, strength) to (time in s, strength) along the beats of the march."""
    index = np.arange(len(beats_s))
    return [(float(np.interp(at, index, beats_s)), strength) for at, strength in notes if at <= index[-1]]


def roll(start: float, end: float, strokes_per_beat: float, soft: float, loud: float) -> Notes:
    """A roll from beat `start` to `end` that grows from strength `soft` to `loud`, hands a little unequal."""
    number = round((end - start) * strokes_per_beat)
    return [
        (start + i / strokes_per_beat, (soft + (loud - soft) * i / number) * (1.0 if i % 2 else 0.85))
        for i in range(number)
    ]


def troupe(rng: np.random.Generator) -> dict[str, list[Player]]:
    """The seven drummers of the line: two deep, three middle, two rattle drums, 1.6 to 5 m away."""
    return {
        "deep": [
            player(DEEP_DRUM, gain=2.6, distance_m=2.0, stray_s=0.005, tune=1.0, rng=rng),
            player(DEEP_DRUM, gain=2.6, distance_m=3.4, stray_s=0.007, tune=1.06, rng=rng),
        ],
        "middle": [
            player(MIDDLE_DRUM, gain=1.0, distance_m=1.6, stray_s=0.006, tune=1.0, rng=rng),
            player(MIDDLE_DRUM, gain=1.0, distance_m=2.9, stray_s=0.008, tune=0.92, rng=rng),
            player(MIDDLE_DRUM, gain=1.0, distance_m=4.1, stray_s=0.008, tune=1.13, rng=rng),
        ],
        "rattle": [
            player(RATTLE_DRUM, gain=1.4, distance_m=2.4, stray_s=0.004, tune=1.0, rng=rng),
            player(RATTLE_DRUM, gain=1.6, distance_m=5.0, stray_s=0.006, tune=0.95, rng=rng),
        ],
    }


def march(bars: int, rolls_at: Sequence[float], rests: Sequence[int] = ()) -> dict[str, Notes]:
    """Four beats a bar: deep drums on the beat, middle drums light off the beat, rattle drums fill in.

    `rolls_at` are the beats on which a two-beat roll begins; bars in `rests` keep only their first stroke.
    """
    deep: Notes = []
    middle: Notes = []
    rattle: Notes = []
    for bar in range(bars):
        first = 4.0 * bar
        deep += [(first, 0.95)]
        middle += [(first, 0.6)]
        if bar in rests:
            continue
        deep += [(first + 1, 0.72), (first + 2, 0.9), (first + 3, 0.72)]
        middle += [(first + 1, 0.5), (first + 2, 0.6), (first + 3, 0.5)]
        middle += [(first + 0.5, 0.34), (first + 1.5, 0.42), (first + 2.5, 0.34), (first + 3.5, 0.46)]
        if bar % 2:
            middle += [(first + 3.25, 0.2), (first + 3.75, 0.3)]
        rattle += [(first + beat, 0.5 if beat % 2 else 0.32) for beat in range(4)]
        rattle += [(first + 1.75, 0.14), (first + 2.5, 0.2), (first + 2.75, 0.14)]
    for start in rolls_at:
        rattle = [note for note in rattle if not start - 0.05 <= note[0] < start + 2]
        rattle += [*roll(start, start + 2, 9.0, 0.18, 0.85), (start + 2, 0.9)]
    return {"deep": deep, "middle": middle, "rattle": sorted(rattle)}


def drum_line(
    players: dict[str, list[Player]],
    parts: dict[str, Notes],
    beats_s: FloatArray,
    count: int,
    rng: np.random.Generator,
) -> FloatArray:
    """All drummers on their parts, `count` samples, dry."""
    total = np.zeros(count)
    for name, group in players.items():
        score = score_from(beats_s, parts[name])
        for one in group:
            total += play(one, score, count, rng)
    return total

"""What the pictures show: the chosen chain on the clips of its specification, with the noise of the sweep."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from envlab.analog.adc import instant_count
from envlab.chain import Chain
from envlab.engine.chain_result import ChainResult
from envlab.engine.followed_envelopes import envelope_of_readings
from envlab.light.flashes.flash import FlashReport, find_flashes
from envlab.light.lightness import lightness_cie1976
from envlab.light.pixels import drawn_current_a
from envlab.light.table import LookupTable
from envlab.metrics.metrics_of_clip import clip_seed, frame_envelopes
from envlab.sound.clip import Clip
from envlab.sound.feed import regrouped, stretch, telling
from envlab.sound.recording import Recording
from envlab.sound.stream import Sound
from envlab.study.specification.heard_sounds import sounds_of
from envlab.study.specification.specification import Specification
from envlab.units import FloatArray

STROKE_S = 0.12
_BEFORE_STROKE_S = 0.02
_LEVEL_STEP_S = 0.04


@dataclass(frozen=True, eq=False)
class ClipLight:
    """One clip through one chain, frame by frame; arrays of shape (frames,), frame n at n/frame_rate_hz.

    envelope_counts: counts above quiescent that the frame shows. duty: 0 to full_duty. current_a: A, of all
    pixels alike and the controller. flashes: of the whole clip.
    """

    clip: Clip
    envelope_counts: FloatArray
    duty: FloatArray
    full_duty: float
    frame_rate_hz: float
    current_a: FloatArray
    flashes: FlashReport

    @property
    def relative_luminance(self) -> FloatArray:
        """Luminance over the brightest state of the limited costume, 0 to 1."""
        return self.duty / self.full_duty if self.full_duty > 0 else np.zeros_like(self.duty)

    @property
    def lightness(self) -> FloatArray:
        """CIE L*, 0 to 100, relative to the brightest state."""
        return lightness_cie1976(self.relative_luminance)

    @property
    def duration_s(self) -> float:
        """Length of the clip in seconds, to the frame."""
        return self.duty.size / self.frame_rate_hz


def light_on_clips(
    specification: Specification,
    chain: Chain,
    *,
    readings: Mapping[Clip, NDArray[Any]] | None = None,
    workers: int = 2,
    progress: Callable[[float], None] | None = None,
) -> tuple[ClipLight, ...]:
    """Return the light of a chain on every clip of a specification.

    The metrics are those of the sweep's row.

    Parameters
    ----------
    specification : Specification
        What is asked.
    chain : Chain
        The board.
    readings : mapping or None
        Of clips that the board has been heard on: what its converter reads, shape (readings,), whole counts.
        The other clips are played.
    workers : int
        Processor threads, 1 or more.
    progress : callable
        Called with the share that is done, 0 to 1, from several threads, one at a time.

    Returns
    -------
    tuple of ClipLight
    """
    table, known = chain.brightness_table(), readings or {}
    sounds = sounds_of(specification, chain)
    lengths_s, shares = np.array([sound.duration_s for sound in sounds]), np.zeros(len(sounds))
    in_turn = Lock()

    def one(number: int) -> ClipLight:
        clip = specification.clips[number]
        seed = clip_seed(specification.judging.seed, number)

        def tell(share: float) -> None:
            with in_turn:
                shares[number] = share
                if progress is not None:
                    progress(float(shares @ lengths_s / lengths_s.sum()))

        if clip in known:
            frames = instant_count(sounds[number].duration_s, chain.frame_rate_hz)
            envelope = envelope_of_readings(chain, known[clip], chain.reading_of_frame(frames))
            tell(1.0)
        else:
            envelope = frame_envelopes(sounds[number], [chain], seed=seed, workers=1, progress=tell)[0][0]
        return _shown(clip, envelope, chain, table)

    # The longest first, so that none is left to one thread alone at the end.
    longest_first = sorted(range(len(sounds)), key=lambda number: -lengths_s[number])
    with ThreadPoolExecutor(workers) as pool:
        light = dict(zip(longest_first, pool.map(one, longest_first), strict=True))
    return tuple(light[number] for number in range(len(sounds)))


def relit(lights: Sequence[ClipLight], chain: Chain) -> tuple[ClipLight, ...]:
    """Return the same envelopes as the chain shows them: another table or supply on the same board."""
    table = chain.brightness_table()
    return tuple(_shown(light.clip, light.envelope_counts, chain, table) for light in lights)


def _shown(clip: Clip, envelope_counts: FloatArray, chain: Chain, table: LookupTable) -> ClipLight:
    full_duty = table.brightest_code / table.full_code
    duty = table.look_up(envelope_counts) / table.full_code
    return ClipLight(
        clip=clip,
        envelope_counts=envelope_counts,
        duty=duty,
        full_duty=full_duty,
        frame_rate_hz=chain.frame_rate_hz,
        current_a=drawn_current_a(duty, chain.pixels, chain.supply),
        flashes=find_flashes(duty, chain.frame_rate_hz, full_duty=full_duty or 1.0),
    )


def most_flashing(lights: tuple[ClipLight, ...]) -> ClipLight:
    """Return the clip with most flashes in a second; among equals the one with the most such seconds.

    Parameters
    ----------
    lights : tuple of ClipLight
        Light of a board on its clips, as envlab.judge.light_on_clips gives it.

    Returns
    -------
    ClipLight
    """
    return max(
        lights,
        key=lambda light: (
            light.flashes.worst_per_s,
            float(np.mean(light.flashes.per_second == light.flashes.worst_per_s)),
        ),
    )


def most_current(lights: tuple[ClipLight, ...]) -> ClipLight:
    """Return the clip with the largest mean current.

    Parameters
    ----------
    lights : tuple of ClipLight
        Light of a board on its clips, as envlab.judge.light_on_clips gives it.

    Returns
    -------
    ClipLight
    """
    return max(lights, key=lambda light: float(light.current_a.mean()))


@dataclass(frozen=True, eq=False)
class MusicScene:
    """A few seconds of one clip through the whole chain.

    result: of a piece of the clip; span_s: the part of it to show (what comes before lets the voltages
    settle); stroke_s: a short span round its sharpest rise. from_s: where the span begins in the clip.
    """

    clip: Clip
    result: ChainResult
    span_s: tuple[float, float]
    stroke_s: tuple[float, float]
    from_s: float


def music_scene(
    specification: Specification,
    chain: Chain,
    *,
    length_s: float = 4.0,
    lead_s: float = 1.0,
    progress: Callable[[float], None] | None = None,
) -> MusicScene:
    """Return the liveliest few seconds of the specification's beat clip that is nearest to street level.

    Liveliest: the span, begun on a whole second, in which the level rises most in sum. Without a beat clip it
    is the first clip.

    Parameters
    ----------
    specification : Specification
        What is asked.
    chain : Chain
        The board.
    length_s : float
        How long, s.
    lead_s : float
        How much before it, s.
    progress : callable
        Called with the share of the clip that was searched, 0 to 1.

    Returns
    -------
    MusicScene
    """
    number = _clip_to_show(specification)
    clip = specification.clips[number]
    whole = clip.sound()
    start_s = _liveliest_s(whole, length_s, progress or _nobody)
    lead_s = min(lead_s, start_s)
    first = round((start_s - lead_s) * whole.sample_rate_hz)
    last = round((start_s + length_s) * whole.sample_rate_hz)
    pressure_pa = stretch(whole.pieces(), first, last)
    piece = Recording(pressure_pa, whole.sample_rate_hz, whole.name, whole.notes)
    result = chain.run(piece, np.random.default_rng(clip_seed(specification.judging.seed, number)))
    span_s = (lead_s, piece.duration_s)
    return MusicScene(clip, result, span_s, _stroke(result, span_s), start_s)


def _clip_to_show(specification: Specification) -> int:
    beats = [i for i, clip in enumerate(specification.clips) if "beat" in clip.tags]
    return min(
        beats or [0],
        key=lambda i: (
            abs(specification.clips[i].unweighted_db_spl - specification.judging.street_db_spl),
            i,
        ),
    )


def _nobody(share: float) -> None:
    del share


def _liveliest_s(recording: Sound, length_s: float, tell: Callable[[float], None]) -> float:
    """Whole second at which the span begins whose level, in steps of 40 ms, rises most in sum.

    What lies more than 30 dB under the loudest step counts as silence.
    """
    step = max(1, round(_LEVEL_STEP_S * recording.sample_rate_hz))
    pieces = telling(recording.pieces(), recording.samples, tell)
    whole_steps = (part for part in regrouped(pieces, step) if part.size == step)
    power = np.array([np.square(part).mean() for part in whole_steps])
    level_db = 10 * np.log10(np.maximum(power, max(float(power.max(initial=0.0)), 1e-30) * 1e-3))
    rises_db = np.concatenate(([0.0], np.cumsum(np.maximum(np.diff(level_db), 0.0))))
    starts_s = np.arange(int(max(0.0, recording.duration_s - length_s)) + 1)
    if rises_db.size < 2:
        return 0.0
    first = np.minimum(np.round(starts_s / _LEVEL_STEP_S).astype(int), rises_db.size - 1)
    last = np.minimum(first + round(length_s / _LEVEL_STEP_S) - 1, rises_db.size - 1)
    return float(starts_s[int(np.argmax(np.round(rises_db[last] - rises_db[first], 6)))])


def _stroke(result: ChainResult, span_s: tuple[float, float]) -> tuple[float, float]:
    """A span of STROKE_S that starts shortly before the detector's steepest rise over 20 ms."""
    rate = result.internal_rate_hz
    first = round(span_s[0] * rate)
    held = result.detector_v[first : round(span_s[1] * rate)]
    reach = round(0.02 * rate)
    if held.size <= reach:
        return span_s
    steepest = int(np.argmax(held[reach:] - held[:-reach]))
    start_s = max(span_s[0], span_s[0] + steepest / rate - _BEFORE_STROKE_S)
    start_s = max(span_s[0], min(start_s, span_s[1] - STROKE_S))
    return (start_s, min(span_s[1], start_s + STROKE_S))

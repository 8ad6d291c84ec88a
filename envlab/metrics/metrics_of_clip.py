"""One clip through all candidates: the metrics of each, in bounded memory, on several threads."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import fields

import numpy as np

from envlab.analog.adc import instant_count
from envlab.chain import Chain
from envlab.digital.followers import PassThrough
from envlab.engine.followed_envelopes import read_envelopes
from envlab.engine.hold_stage import steps_far
from envlab.engine.play import Reader, play
from envlab.light.table import LookupTable
from envlab.metrics.catalogue import FLASH_METRIC
from envlab.metrics.clip_metrics import ClipColumns, ClipMetrics, envelope_columns
from envlab.metrics.percentiles import RankedEnvelopes
from envlab.metrics.streaming_metrics import (
    CountedFrames,
    SecondLook,
    counted_bytes,
    most_flashes,
    ranked_of,
    readings_for,
    steps_of,
)
from envlab.sound.internal_rate import INTERNAL_RATES_MIN_HZ
from envlab.sound.recording import Recording
from envlab.sound.stream import Sound
from envlab.units import FloatArray, IntArray

IDLE_S = 4.0
METRICS_OF_A_CLIP = tuple(field.name for field in fields(ClipMetrics))
# Candidates whose frames are judged at once: small enough that the memory allocator hands out what it has.
AT_ONCE = 256
MEMORY_BYTES = 96e6
# Behind followers frames are kept as long as those of so many candidates fit.
_KEPT_TOGETHER = 256
_IDLE_RATE_HZ = 48_000.0
_IDLE_STREAM, _CLIP_STREAM = 0, 1
_Judge = Callable[..., tuple[ClipColumns | None, FloatArray]]


def idle_clip(chains: Sequence[Chain]) -> Recording:
    """Return IDLE_S of silence, in which noise and offset of boards are alone; nothing in it bends."""
    silence, rates = np.zeros(int(IDLE_S * _IDLE_RATE_HZ)), INTERNAL_RATES_MIN_HZ
    coarsely = all(steps_far(chain.rectifier_as_built) for chain in chains)
    least_hz = rates[0] if coarsely else rates[-1]
    return Recording(silence, _IDLE_RATE_HZ, "noise alone", internal_rate_min_hz=least_hz)


def idle_seed(seed: int) -> tuple[int, ...]:
    """Return the seed of the noise that goes with idle_clip."""
    return (seed, _IDLE_STREAM)


def clip_seed(seed: int, number: int) -> tuple[int, ...]:
    """Return the seed of the noise that goes with clip number (0 is the first) of a sweep."""
    return (seed, _CLIP_STREAM, number)


def frame_envelopes(
    recording: Sound,
    chains: list[Chain],
    *,
    seed: tuple[int, ...] | None,
    workers: int = 2,
    progress: Callable[[float], None] | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Return (envelope counts at the frames, shape (chains, frames); clipped share, shape (chains,)).

    chains: as read_chains, and all with the same frame rate.
    """
    frames = instant_count(recording.duration_s, chains[0].frame_rate_hz)
    of_frame = chains[0].reading_of_frame(frames)
    return read_envelopes(recording, chains, of_frame, seed=seed, workers=workers, progress=progress)


def idle_lightness(chains: list[Chain], tables: list[LookupTable], seed: int, workers: int) -> FloatArray:
    """Return idle_lstar of every chain: the 95 % point of L* on noise and offset alone, over IDLE_S."""
    idle = clip_columns(idle_clip(chains), chains, tables, seed=idle_seed(seed), workers=workers)
    return idle["lightness_95_lstar"]


def clip_columns(
    recording: Sound,
    chains: list[Chain],
    tables: list[LookupTable],
    *,
    seed: tuple[int, ...],
    workers: int = 2,
    progress: Callable[[float], None] | None = None,
    enough: Callable[[IntArray], bool] | None = None,
) -> dict[str, FloatArray]:
    """Return the metrics of one clip, shape (chains,) each: ClipMetrics' and three of the counts.

    clipped_share: the larger of the share of internal samples with microphone or preamp at a limit and the
    share of frames that read the highest code. counts_median, counts_99: of the frames' counts above
    quiescent. The memory that it takes grows with the clip by a few bytes a second and chain; more chains
    than fit are taken in turns, a portion at a time.

    enough: called as the clip goes by with the most flashes in any second of it so far, shape (chains,);
    where it says so the rest is not heard, and flashes_per_s so far is the only column. Not asked where
    chains are taken in turns or twice.
    """
    frames = instant_count(recording.duration_s, chains[0].frame_rate_hz)
    judge: _Judge
    if enough is not None and len(chains) <= together(chains, frames) and all(map(steps_of, chains)):
        judge, portion = functools.partial(_judge_running, enough=enough), len(chains)
    else:
        kept = better_kept(chains, frames) or _kept_as_ever(chains, frames)
        kept = kept or two_turns(chains, frames)
        judge = _judge_kept if kept else _judge_running
        portion = kept_together(chains[0], frames) if kept else together(chains, frames)
    starts = range(0, len(chains), portion)
    columns: dict[str, list[FloatArray]] = {}
    for turn, start in enumerate(starts):

        def report(share: float, turn: int = turn) -> None:
            if progress is not None:
                progress((turn + share) / len(starts))

        some = slice(start, start + portion)
        judged, share = judge(recording, chains[some], tables[some], frames, seed, workers, report)
        if judged is None:
            return {FLASH_METRIC: share}
        for name, values in _named(judged, share).items():
            columns.setdefault(name, []).append(values)
    return {name: np.concatenate(values) for name, values in columns.items()}


def _named(judged: ClipColumns, clipped_share: FloatArray) -> dict[str, FloatArray]:
    metrics = judged.metrics
    columns: dict[str, FloatArray] = {name: getattr(metrics, name) for name in METRICS_OF_A_CLIP}
    columns["clipped_share"] = np.maximum(clipped_share, metrics.top_code_share)
    return columns | {"counts_median": judged.counts_median, "counts_99": judged.counts_99}


def kept_bytes(chain: Chain, frames: int) -> float:
    """Memory of a chain's frames: envelope, codes, envelope in rising order; of each second one number."""
    return (8 + 4 + 8) * frames + 4 * frames / chain.frame_rate_hz


def better_kept(chains: Sequence[Chain], frames: int, tables: int = 1) -> bool:
    """Whether frames are to be kept and not counted; tables: of each chain's own.

    A fine converter's short clip is less than its counts.
    """
    different = _different(chains)
    return kept_bytes(chains[0], frames) < max(counted_bytes(one, frames, tables) for one in different)


def two_turns(chains: Sequence[Chain], frames: int) -> bool:
    """Whether some chain would need two looks at a clip, and two turns with kept frames do for all."""
    fit = len(chains) * kept_bytes(chains[0], frames) <= 2 * MEMORY_BYTES
    return fit and not all(map(steps_of, _different(chains)))


def kept_together(chain: Chain, frames: int) -> int:
    """Return of how many chains like this one the frames may be kept at once, within MEMORY_BYTES."""
    return max(1, int(MEMORY_BYTES / kept_bytes(chain, frames)))


def together(chains: Sequence[Chain], frames: int, tables: int = 1) -> int:
    """Return how many chains that are like these may be judged at once, within MEMORY_BYTES."""
    if better_kept(chains, frames, tables):
        return kept_together(chains[0], frames)
    return max(1, int(MEMORY_BYTES / max(counted_bytes(one, frames, tables) for one in _different(chains))))


def _kept_as_ever(chains: Sequence[Chain], frames: int) -> bool:
    """Behind followers a clip's frames are kept as long as those of enough candidates fit.

    Fewer would mean many turns, and counting is then the quicker way; to the same result.
    """
    followed = any(not isinstance(chain.follower, PassThrough) for chain in chains)
    return followed and _KEPT_TOGETHER * kept_bytes(chains[0], frames) <= MEMORY_BYTES


def _different(chains: Sequence[Chain]) -> list[Chain]:
    """One chain of each follower."""
    return list({chain.follower: chain for chain in chains}.values())


def _judge_running(
    recording: Sound,
    chains: list[Chain],
    tables: list[LookupTable],
    frames: int,
    seed: tuple[int, ...],
    workers: int,
    report: Callable[[float], None],
    enough: Callable[[IntArray], bool] | None = None,
) -> tuple[ClipColumns | None, FloatArray]:
    """Columns and clipped share, each frame forgotten as soon as it is counted.

    enough: as clip_columns, of chains of which one look is enough; where it says so, None and the flashes.
    """
    readers: list[CountedFrames] = []
    ranked, left = ranked_of(chains, frames), False

    def reader_of(places: IntArray) -> CountedFrames:
        readers.append(CountedFrames(places, chains, tables, frames, ranked))
        return readers[-1]

    def first_look(done: float) -> None:
        report(done if ranked is None else done / 2)

    def is_enough(done: float) -> bool:
        nonlocal left
        del done
        left = enough is not None and enough(most_flashes(readers))
        return left

    def hear(reader_of: Callable[[IntArray], Reader], tell: Callable[[float], None]) -> FloatArray:
        return play(
            recording, chains, readings_for(recording, chains, frames), reader_of,
            seed=seed, workers=workers, progress=tell, enough=None if enough is None else is_enough,
        )  # fmt: skip

    share = hear(reader_of, first_look)
    if left:
        return None, most_flashes(readers).astype(np.float64)
    if ranked is not None:
        look_again(ranked, chains, frames, hear, report)
    order = np.argsort(np.concatenate([reader.places for reader in readers]))
    return _joined([part for reader in readers for part in reader.columns()], order), share


def look_again(
    ranked: RankedEnvelopes,
    chains: Sequence[Chain],
    frames: int,
    hear: Callable[[Callable[[IntArray], Reader], Callable[[float], None]], object],
    report: Callable[[float], None],
) -> None:
    """Take the second look, at as many chains at a time as fit.

    hear: plays all of the chains to readers, as at the first look: in other company a voltage may move by its
    last digits. report: called with the share that is done of both looks.
    """
    for lot, tell in ranked.lots(MEMORY_BYTES, lambda done: report((1 + done) / 2)):
        hear(functools.partial(SecondLook, lot=lot, chains=chains, frames=frames, ranked=ranked), tell)
        ranked.settle(lot)


def _judge_kept(
    recording: Sound,
    chains: list[Chain],
    tables: list[LookupTable],
    frames: int,
    seed: tuple[int, ...],
    workers: int,
    report: Callable[[float], None],
) -> tuple[ClipColumns, FloatArray]:
    """Columns and clipped share, from the frames of all the clip."""
    of_frame = chains[0].reading_of_frame(frames)
    envelope, share = read_envelopes(recording, chains, of_frame, seed=seed, workers=workers, progress=report)
    parts = [slice(start, start + AT_ONCE) for start in range(0, len(chains), AT_ONCE)]

    def one(part: slice) -> ClipColumns:
        return envelope_columns(envelope[part], chains[part], tables[part])

    with ThreadPoolExecutor(workers) as pool:
        some = list(pool.map(one, parts))
    return _joined(some, np.arange(len(chains))), share


def _joined(parts: list[ClipColumns], order: IntArray) -> ClipColumns:
    """One after the other, then in another order."""

    def joined(rows: list[FloatArray]) -> FloatArray:
        return np.concatenate(rows)[order]

    metrics = [joined([getattr(part.metrics, name) for part in parts]) for name in METRICS_OF_A_CLIP]
    return ClipColumns(
        ClipMetrics(*metrics),
        joined([part.counts_median for part in parts]),
        joined([part.counts_99 for part in parts]),
    )

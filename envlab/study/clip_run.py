"""One clip through all candidates: the figures of each, in blocks of candidates on several threads."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from envlab.analog.adc import instants_s
from envlab.chain import Chain
from envlab.light.table import LookupTable
from envlab.sound.recording import Recording
from envlab.study.envelopes import read_envelopes
from envlab.study.figures import ClipFigures, clip_figures
from envlab.units import FloatArray

IDLE_S = 4.0
# Candidates whose frames are judged at once: small enough that the memory allocator hands out what it has.
AT_ONCE = 256
_IDLE_RATE_HZ = 48_000.0
_IDLE_STREAM, _CLIP_STREAM = 0, 1


def clip_seed(seed: int, number: int) -> tuple[int, ...]:
    """Return the seed of the noise that goes with clip number (0 is the first) of a sweep."""
    return (seed, _CLIP_STREAM, number)


def frame_envelopes(
    recording: Recording,
    chains: list[Chain],
    *,
    seed: tuple[int, ...] | None,
    workers: int = 2,
    progress: Callable[[float], None] | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Return (envelope counts at the frames, shape (chains, frames); clipped share, shape (chains,)).

    chains: as read_chains, and all with the same frame rate.
    """
    frames = instants_s(recording.duration_s, chains[0].frame_rate_hz).size
    of_frame = chains[0].reading_of_frame(frames)
    return read_envelopes(recording, chains, of_frame, seed=seed, workers=workers, progress=progress)


def idle_lightness(chains: list[Chain], tables: list[LookupTable], seed: int, workers: int) -> FloatArray:
    """Return idle_lstar of every chain: the 95 % point of L* on noise and offset alone, over IDLE_S."""
    silence = Recording(np.zeros(int(IDLE_S * _IDLE_RATE_HZ)), _IDLE_RATE_HZ, "noise alone")
    envelope, _ = frame_envelopes(silence, chains, seed=(seed, _IDLE_STREAM), workers=workers)
    return clip_figures(envelope, chains, tables).lightness_95_lstar


def clip_columns(
    recording: Recording,
    chains: list[Chain],
    tables: list[LookupTable],
    *,
    seed: tuple[int, ...],
    workers: int = 2,
    progress: Callable[[float], None] | None = None,
) -> dict[str, FloatArray]:
    """Return the figures of one clip, shape (chains,) each: ClipFigures' and three of the counts.

    clipped_share: the larger of the share of internal samples with microphone or preamp at a limit and the
    share of frames that read the highest code. counts_median, counts_99: of the frames' counts above rest.
    """
    envelope, share = frame_envelopes(recording, chains, seed=seed, workers=workers, progress=progress)
    figures = _in_parts(envelope, chains, tables, workers)
    columns = {name: getattr(figures, name) for name in ClipFigures.__dataclass_fields__}
    columns["clipped_share"] = np.maximum(share, figures.top_code_share)
    columns["counts_median"], columns["counts_99"] = np.percentile(envelope, (50, 99), axis=1)
    return columns


def _in_parts(
    envelope: FloatArray, chains: list[Chain], tables: list[LookupTable], workers: int
) -> ClipFigures:
    parts = [slice(start, start + AT_ONCE) for start in range(0, len(chains), AT_ONCE)]

    def one(part: slice) -> ClipFigures:
        return clip_figures(envelope[part], chains[part], tables[part])

    with ThreadPoolExecutor(workers) as pool:
        some = list(pool.map(one, parts))
    names = ClipFigures.__dataclass_fields__
    return ClipFigures(*(np.concatenate([getattr(part, name) for part in some]) for name in names))

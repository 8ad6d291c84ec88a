"""Every candidate on every clip: parts in, one row of figures out."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from envlab.analog.adc import instants_s
from envlab.analog.parts import PartRange
from envlab.chain import Chain
from envlab.digital.followers import PassThrough, follow
from envlab.errors import EnvlabError, ParameterError
from envlab.light.pixels import supply_current_a
from envlab.light.table import LookupTable
from envlab.sound.recording import Recording
from envlab.study.brief import Choices, Clip, Judging
from envlab.study.figures import ClipFigures, clip_figures, range_used_db
from envlab.study.onset import onset_lag
from envlab.study.readings import read_chains
from envlab.units import FloatArray

if TYPE_CHECKING:
    import pandas as pd

Progress = Callable[[str, float], None]

MOST_CANDIDATES = 200_000
IDLE_S = 4.0
_IDLE_RATE_HZ = 48_000.0
_IDLE_STREAM, _CLIP_STREAM = 0, 1


@dataclass(frozen=True, eq=False)
class Candidates:
    """parts: one column of values per swept key, shape (candidates,). chains: the Chain of each."""

    parts: dict[str, list[float | str]]
    chains: list[Chain]

    def __len__(self) -> int:
        return len(self.chains)


def candidates_of(chain: Chain, ranges: Mapping[str, Choices]) -> Candidates:
    """Return every combination of the ranges' values put into the chain; the last range varies fastest.

    ranges: "stage.key" → PartRange or tuple of values. Raises ParameterError for more than MOST_CANDIDATES.
    """
    values = [choices.values if isinstance(choices, PartRange) else choices for choices in ranges.values()]
    count = int(np.prod([len(some) for some in values])) if values else 1
    if count > MOST_CANDIDATES:
        raise ParameterError("candidates", count, f"at most {MOST_CANDIDATES}; narrow a range or its series")
    rows = list(itertools.product(*values))
    chains = [_with_values(chain, tuple(ranges), row) for row in rows]
    parts = {key: [row[i] for row in rows] for i, key in enumerate(ranges)}
    return Candidates(parts, chains)


def _with_values(chain: Chain, keys: Sequence[str], row: Sequence[float | str]) -> Chain:
    stages: dict[str, dict[str, float | str]] = {}
    for key, value in zip(keys, row, strict=True):
        stage, _, name = key.partition(".")
        stages.setdefault(stage, {})[name] = value
    changed = {stage: replace(getattr(chain, stage), **values) for stage, values in stages.items()}
    return replace(chain, **changed)


def sweep(
    chain: Chain,
    ranges: Mapping[str, Choices],
    clips: Sequence[Clip],
    *,
    judging: Judging | None = None,
    progress: Progress | None = None,
    workers: int = 2,
) -> pd.DataFrame:
    """Return one row per candidate: its parts, its figures, and figures per clip.

    chain: what is not swept. ranges: "stage.key" → PartRange or tuple of values. clips: at least one.
    judging: level of the onset test and seed of all noise. progress: called with what is being done and the
    share that is done, 0 to 1. Columns carry their unit; definitions stand in figures.py and targets.py. A
    figure that needs a tag which no clip has is NaN. The same input gives the same table.
    """
    import pandas as pd

    if not clips:
        raise ParameterError("clips", 0, "at least one clip")
    judging = judging or Judging()
    report = progress or _ignore
    candidates = candidates_of(chain, ranges)
    tables = [one.brightness_table() for one in candidates.chains]
    columns: dict[str, FloatArray | list[float | str]] = dict(candidates.parts)
    if "preamp.feedback_ohm" in columns or "preamp.ground_ohm" in columns:
        columns["preamp.gain"] = np.array([one.preamp.gain for one in candidates.chains])
    columns |= _tone_figures(candidates.chains)
    lag = onset_lag(candidates.chains, judging.street_db_spl, tables)
    columns["onset_lag_mean_ms"], columns["onset_lag_worst_ms"] = lag.mean_ms, lag.worst_ms
    columns["idle_lstar"] = _idle_lightness(candidates.chains, tables, judging.seed, workers)
    columns |= _clip_columns(candidates.chains, tables, clips, judging.seed, report, workers)
    return pd.DataFrame(columns).rename_axis("candidate")


def _ignore(what: str, share: float) -> None:
    del what, share


def _tone_figures(chains: list[Chain]) -> dict[str, FloatArray]:
    known: dict[tuple[object, object], tuple[float, ...]] = {}
    rows = []
    for chain in chains:
        key = (chain.detector, chain.rectifier.kind)
        if key not in known:
            low, middle = chain.tone_response(60.0), chain.tone_response()
            known[key] = (
                1e3 * middle.attack_s,
                1e3 * low.attack_s,
                1e3 * middle.release_s,
                low.ripple_db,
                middle.settled_ratio,
            )
        rows.append(known[key])
    names = ("attack_ms", "attack_60hz_ms", "release_ms", "ripple_db", "settled_ratio")
    return dict(zip(names, np.array(rows).T, strict=True))


def frame_envelopes(
    recording: Recording,
    chains: list[Chain],
    *,
    seed: tuple[int, ...] | None,
    workers: int = 2,
    progress: Callable[[float], None] | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Return (envelope counts at the frames, shape (chains, frames); clipped share, shape (chains,)).

    chains: as read_chains, and all with the same follower and frame rate.
    """
    first = chains[0]
    frames = instants_s(recording.duration_s, first.frame_rate_hz).size
    of_frame = first.reading_of_frame(frames)
    if isinstance(first.follower, PassThrough):
        read = read_chains(recording, chains, of_frame, seed=seed, workers=workers, progress=progress)
        return read.counts.astype(np.float64), read.clipped_share
    every = np.arange(instants_s(recording.duration_s, first.adc.rate_hz).size)
    read = read_chains(recording, chains, every, seed=seed, workers=workers, progress=progress)
    followed, _ = follow(read.counts.astype(np.float64), first.follower, rate_hz=first.adc.rate_hz)
    return followed[:, of_frame], read.clipped_share


def _idle_lightness(chains: list[Chain], tables: list[LookupTable], seed: int, workers: int) -> FloatArray:
    silence = Recording(np.zeros(int(IDLE_S * _IDLE_RATE_HZ)), _IDLE_RATE_HZ, "noise alone")
    envelope, _ = frame_envelopes(silence, chains, seed=(seed, _IDLE_STREAM), workers=workers)
    return clip_figures(envelope, chains, tables).lightness_95_lstar


def clip_seed(seed: int, number: int) -> tuple[int, ...]:
    """Return the seed of the noise that goes with clip number (0 is the first) of a sweep."""
    return (seed, _CLIP_STREAM, number)


def _clip_columns(
    chains: list[Chain],
    tables: list[LookupTable],
    clips: Sequence[Clip],
    seed: int,
    report: Progress,
    workers: int,
) -> dict[str, FloatArray]:
    recordings = [_named(clip) for clip in clips]
    lengths = np.array([recording.duration_s for recording in recordings])
    done = np.concatenate(([0.0], np.cumsum(lengths))) / lengths.sum()
    loudest = max(range(len(clips)), key=lambda i: clips[i].level_db_spl)
    quietest = min(range(len(clips)), key=lambda i: clips[i].level_db_spl)
    figures: list[ClipFigures] = []
    clipped: list[FloatArray] = []
    extremes: dict[int, FloatArray] = {}
    for number, (clip, recording) in enumerate(zip(clips, recordings, strict=True)):

        def step(share: float, number: int = number, label: str = clip.label) -> None:
            report(label, done[number] + share * (done[number + 1] - done[number]))

        envelope, share = frame_envelopes(
            recording, chains, seed=clip_seed(seed, number), workers=workers, progress=step
        )
        figures.append(_in_parts(envelope, chains, tables, workers))
        clipped.append(np.maximum(share, figures[-1].top_code_share))
        if number in (loudest, quietest):
            extremes[number] = envelope
    columns = _gathered(clips, figures, clipped, chains)
    columns["range_used_db"] = np.array(
        [range_used_db(*pair) for pair in zip(extremes[loudest], extremes[quietest], strict=True)]
    )
    for clip, figure, share in zip(clips, figures, clipped, strict=True):
        columns[f"contrast_lstar [{clip.label}]"] = figure.contrast_lstar
        columns[f"flashes_per_s [{clip.label}]"] = figure.flashes_per_s
        columns[f"clipped_share [{clip.label}]"] = share
        columns[f"lit_share [{clip.label}]"] = figure.lit_share
    return columns


def _named(clip: Clip) -> Recording:
    try:
        return clip.recording()
    except ParameterError as problem:
        raise EnvlabError(f"{clip.path.name}: {problem}") from None


def _in_parts(
    envelope: FloatArray, chains: list[Chain], tables: list[LookupTable], workers: int
) -> ClipFigures:
    from concurrent.futures import ThreadPoolExecutor

    edges = np.linspace(0, len(chains), workers + 1).astype(int)
    parts = [slice(a, b) for a, b in itertools.pairwise(edges) if b > a]

    def one(part: slice) -> ClipFigures:
        return clip_figures(envelope[part], chains[part], tables[part])

    with ThreadPoolExecutor(workers) as pool:
        some = list(pool.map(one, parts))
    names = ClipFigures.__dataclass_fields__
    return ClipFigures(*(np.concatenate([getattr(part, name) for part in some]) for name in names))


def _gathered(
    clips: Sequence[Clip], figures: list[ClipFigures], clipped: list[FloatArray], chains: list[Chain]
) -> dict[str, FloatArray]:
    """The worst of each figure over the clips that it speaks of."""
    nothing = np.full(len(chains), np.nan)

    def least(name: str, tag: str) -> FloatArray:
        rows = [getattr(f, name) for f, clip in zip(figures, clips, strict=True) if tag in clip.tags]
        return np.min(rows, axis=0) if rows else nothing

    def most(name: str, tag: str | None = None) -> FloatArray:
        rows = [
            getattr(f, name)
            for f, clip in zip(figures, clips, strict=True)
            if tag is None or tag in clip.tags
        ]
        return np.max(rows, axis=0) if rows else nothing

    pixels, volts = chains[0].pixels, chains[0].supply.volts
    return {
        "beat_contrast_lstar": least("contrast_lstar", "beat"),
        "quiet_lit_share": least("lit_share", "quiet"),
        "false_light_lstar": most("lightness_95_lstar", "walking"),
        "clipped_share": np.max(clipped, axis=0),
        "supply_mean_a": supply_current_a(most("duty_mean"), pixels, volts=volts),
        "supply_99_a": supply_current_a(most("duty_99"), pixels, volts=volts),
        "supply_peak_a": supply_current_a(most("duty_peak"), pixels, volts=volts),
        "flashes_per_s": most("flashes_per_s"),
    }

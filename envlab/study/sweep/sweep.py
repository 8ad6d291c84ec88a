"""Every candidate on every clip: parts in, one row of metrics out."""

from __future__ import annotations

import functools
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from envlab import __version__
from envlab.chain import Chain
from envlab.engine.hold_stage import alike_behind_stiff_source
from envlab.errors import ParameterError
from envlab.light.table import LookupTable
from envlab.metrics.across_clips import worst_over_clips
from envlab.metrics.clip_metrics import table_steps
from envlab.metrics.judgeable import judged_columns
from envlab.metrics.metrics_of_clip import clip_columns, clip_seed, idle_lightness
from envlab.metrics.onset_latency import onset_latency
from envlab.metrics.ripple_aliasing import frame_ripple_aliasing
from envlab.metrics.tone_metrics import learn_bench_tones, tone_metrics
from envlab.sound.clip import Clip
from envlab.sound.stream import Sound
from envlab.study.specification.heard_sounds import hearing_of
from envlab.study.specification.ranges import MOST_CANDIDATES, Choices, candidates_of
from envlab.study.specification.specification import Judging, Specification, as_specification
from envlab.study.sweep.checkpoint import Checkpoint, Columns
from envlab.units import FloatArray, IntArray

if TYPE_CHECKING:
    import pandas as pd

Progress = Callable[[str, float], None]
# What is known after some clips, and how many of them: as sweep gives it, without columns per clip.
SoFar = Callable[["pd.DataFrame", int], None]
# Metrics of single clips that stand in the table beside the worst over all.
PER_CLIP = ("contrast_lstar", "flashes_per_s", "clipped_share", "lit_share")


def sweep(
    specification: Specification | str | os.PathLike[str],
    *,
    chain: Chain | None = None,
    ranges: Mapping[str, Choices] | None = None,
    clips: Sequence[Clip] | None = None,
    judging: Judging | None = None,
    progress: Progress | None = None,
    workers: int = 2,
    checkpoint: Path | None = None,
    most: int = MOST_CANDIDATES,
    so_far: SoFar | None = None,
) -> pd.DataFrame:
    """Play every clip to every candidate, and judge it.

    Clips longer than a minute are read from their files piece by piece, again and again, and never held.
    The same input gives the same table.

    Parameters
    ----------
    specification : Specification or path
        What is asked; a path is that of a design file.
    chain, ranges, clips, judging
        Each in place of the specification's own, as in Specification.
    progress : callable
        Called with what is being done and the share that is done, 0 to 1.
    workers : int
        Processor threads, 1 or more.
    checkpoint : Path
        Folder in which finished clips are kept, and found again when the same question is asked after an
        interruption.
    most : int
        More candidates than this are refused.
    so_far : callable
        Called after each clip but the last with the table as it stands then, metrics being the worst of the
        clips so far, and with how many these are. Not called where candidates cannot hear the clips together,
        as with several ADCs.

    Returns
    -------
    pandas DataFrame
        One row a candidate: its parts (SI), its metrics, then metrics per clip; units stand in the column
        names, definitions in the modules of envlab.metrics. NaN: not judged, for want of a clip that can show
        it (envlab.metrics.judgeable).

    Raises
    ------
    FileError
        For a design file, a clip or a checkpoint that cannot be read.
    ParameterError
        For no clips, a range that cannot be swept, too many candidates.

    Examples
    --------
    >>> import envlab
    >>> from envlab.sound.signals import tone
    >>> hum = envlab.Recording(tone(60.0, 1.0, 2.0, 8000.0), 8000.0, name="hum")
    >>> asked = envlab.Specification(
    ...     envlab.Chain(),
    ...     clips=[envlab.Clip(hum, 92.0)],
    ...     ranges={"detector.release_ohm": (47e3, 100e3)},
    ... )
    >>> table = envlab.sweep(asked)
    >>> table["ripple_db"].round(2).tolist()
    [0.89, 0.47]
    """
    import pandas as pd

    specification = as_specification(specification, most=most)
    chain = specification.chain if chain is None else chain
    ranges = specification.ranges if ranges is None else ranges
    clips = specification.clips if clips is None else clips
    judging = specification.judging if judging is None else judging
    if not clips:
        raise ParameterError("clips", 0, "at least one clip")
    candidates = candidates_of(chain, ranges, most)
    as_heard = hearing_of(chain, ranges)
    same = tuple(clips) == specification.clips
    asked = specification if same else replace(specification, clips=tuple(clips))
    sounds = [as_heard.of(one) for one in asked.sounds_told(progress)]
    kept = None if checkpoint is None else _kept(checkpoint, chain, ranges, clips, judging)
    distinct, row_of = _distinct(candidates.chains)
    columns: dict[str, FloatArray | list[float | str]] = dict(candidates.parts)
    if "preamp.feedback_ohm" in columns or "preamp.ground_ohm" in columns:
        columns["preamp.gain"] = np.array([one.preamp.gain for one in candidates.chains])
    metrics: Columns = {}
    done, together = 0, _alike(distinct)

    def frame(found: Columns) -> pd.DataFrame:
        return pd.DataFrame(columns | {name: values[row_of] for name, values in found.items()}).rename_axis(
            "candidate"
        )

    for number, places in enumerate(together):
        share = (done / len(distinct), len(places) / len(distinct))
        run = _Run([distinct[i] for i in places], judging, workers, progress or _ignore, share, kept, number)
        bench = run.bench_metrics()

        def heard(found: Columns, count: int, bench: Columns = bench) -> None:
            if so_far is not None and len(together) == 1 and count < len(clips):
                so_far(frame(bench | found), count)

        some = bench | run.gathered(clips, sounds, heard)
        for name, values in some.items():
            metrics.setdefault(name, np.empty(len(distinct)))[places] = values
        done += len(places)
    return frame(metrics)


def _distinct(chains: list[Chain]) -> tuple[list[Chain], IntArray]:
    """Return the chains that behave differently, and for each chain the one that stands for it.

    They are told apart by every field but the detector, and by that as far as it behaves differently.
    """
    keys: dict[object, int] = {}
    distinct: list[Chain] = []
    row_of = np.empty(len(chains), dtype=np.int64)
    for place, chain in enumerate(chains):
        rest = tuple(getattr(chain, field.name) for field in fields(chain) if field.name != "detector")
        row_of[place] = keys.setdefault((rest, alike_behind_stiff_source(chain)), len(distinct))
        if row_of[place] == len(distinct):
            distinct.append(chain)
    return distinct, row_of


def _alike(chains: list[Chain]) -> list[list[int]]:
    """Places of chains that hear the same noise and are read by the same ADC, at the same frame rate."""
    groups: dict[object, list[int]] = {}
    for place, chain in enumerate(chains):
        key = (chain.microphone, chain.preamp.noise_density_v_per_rthz, chain.adc, chain.frame_rate_hz)
        groups.setdefault(key, []).append(place)
    return list(groups.values())


@dataclass(frozen=True, eq=False)
class _Run:
    """Chains that share microphone, noise and ADC, on their way through all clips.

    share: where this run begins in the whole sweep, and how much of it it is. number: of the run.
    """

    chains: list[Chain]
    judging: Judging
    workers: int
    report: Progress
    share: tuple[float, float]
    kept: Checkpoint | None
    number: int

    @functools.cached_property
    def tables(self) -> list[LookupTable]:
        learn_bench_tones(self.chains)
        return [chain.brightness_table() for chain in self.chains]

    def step(self, name: str, compute: Callable[[], Columns]) -> Columns:
        return compute() if self.kept is None else self.kept.step(f"{self.number}-{name}", compute)

    def bench_metrics(self) -> Columns:
        """Metrics on test signals."""

        def compute() -> Columns:
            latency = onset_latency(self.chains, self.judging.street_db_spl, self.tables)
            idle = idle_lightness(self.chains, self.tables, self.judging.seed, self.workers)
            ripple_aliasing = frame_ripple_aliasing(
                self.chains, self.tables, workers=self.workers
            ).worst_lstar
            late = {"onset_lag_mean_ms": latency.mean_ms, "onset_lag_worst_ms": latency.worst_ms}
            rest = {"frame_shimmer_lstar": ripple_aliasing, "idle_lstar": idle}
            rest |= {"table_step_lstar": table_steps(self.chains, self.tables)}
            return tone_metrics(self.chains) | late | rest

        return self.step("bench", compute)

    def clip_metrics(self, clips: Sequence[Clip], sounds: list[Sound]) -> Iterator[Columns]:
        """Metrics on each clip, one after the other."""
        lengths = np.array([sound.duration_s for sound in sounds])
        done = np.concatenate(([0.0], np.cumsum(lengths))) / lengths.sum()
        for number, (clip, sound) in enumerate(zip(clips, sounds, strict=True)):
            compute = functools.partial(
                clip_columns,
                sound,
                self.chains,
                self.tables,
                seed=clip_seed(self.judging.seed, number),
                workers=self.workers,
                progress=functools.partial(self._advance, clip.label, done[number], done[number + 1]),
            )
            metrics = self.step(f"clip-{number}", compute)
            self._advance(clip.label, done[number], done[number + 1], 1.0)
            yield metrics

    def gathered(
        self, clips: Sequence[Clip], sounds: list[Sound], heard: Callable[[Columns, int], None]
    ) -> Columns:
        """The worst of each metric over the clips that it speaks of, then metrics per clip.

        heard: called after each clip with the worst of all so far, and how many these are.
        """
        metrics: list[Columns] = []
        columns: Columns = {}
        for columns_of_clip in self.clip_metrics(clips, sounds):
            place = len(metrics)
            metrics.append(judged_columns(clips[place], sounds[place], columns_of_clip, self.chains))
            some, first = clips[: place + 1], self.chains[0]
            columns = worst_over_clips(some, metrics, first.pixels, first.supply)
            heard(columns, len(metrics))
        for clip, metric in zip(clips, metrics, strict=True):
            for name in PER_CLIP:
                columns[f"{name} [{clip.label}]"] = metric[name]
        return columns

    def _advance(self, label: str, start: float, end: float, share: float) -> None:
        first, whole = self.share
        self.report(label, float(first + whole * (start + share * (end - start))))


def _kept(
    folder: Path,
    chain: Chain,
    ranges: Mapping[str, Choices],
    clips: Sequence[Clip],
    judging: Judging,
) -> Checkpoint:
    asked = [(clip.label, clip.level_db_spl, clip.weighting, clip.digest()) for clip in clips]
    kept = Checkpoint(folder, repr((__version__, chain, dict(ranges), asked, judging)))
    kept.prepare()
    return kept


def _ignore(what: str, share: float) -> None:
    del what, share

"""What a candidate's lights do on a clip, as numbers that two people compute alike.

On frames of one clip (frame rate r, L* and luminance relative to the brightest state of the limited costume):

- contrast_lstar: for each whole second of frames, the 95 % point of L* minus the 5 % point; then the median
  of these over the clip. (A clip under a second is one window.) Percentiles are linear between samples.
- lightness_95_lstar: the 95 % point of L* over the clip. On noise and offset alone it is idle_lstar, on the
  walking clip false_light_lstar.
- lit_share: share of frames with L* above 5.
- top_code_share: share of frames whose ADC reading is the highest code.
- flashes_per_s: worst sliding second (envlab.light.flashes.flash); of a design with a colour the larger of
  its general and its red flashes (worst_flashes.py).
- duty_mean, duty_99, duty_peak: mean, 99 % point and largest duty; current follows from it linearly.

On the table alone:

- table_step_lstar: the largest difference of L* between two neighbouring whole counts above quiescent. A
  small gain leaves few counts between floor and ceiling, and the light then moves in steps. Behind a moving
  mean of N readings the neighbour is nearer (finest_change_counts).

Across clips:

- range_used_db: 20 lg of the 99 % point of the loudest clip's counts over the quietest clip's median, counts
  above quiescent, the latter at least 1 count. Loudest and quietest by the level stated for the clip; with
  clips of one level only it is not judged.
- onset_lag_ms: see onset.py. attack_ms, release_ms, ripple_db, settled_ratio: see
  analog/tones/steady_state.py.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from envlab.chain import Chain
from envlab.digital.followers import MovingMean, readings_of_window
from envlab.light.lightness import lightness_cie1976
from envlab.light.table import LookupTable
from envlab.metrics.contrast import RunningContrast
from envlab.metrics.percentiles import percentile
from envlab.metrics.worst_flashes import running_flashes
from envlab.units import FloatArray, IntArray

LIT_LSTAR = 5.0
# Places at which the table is looked at: so many to a change, and no nearer to each other than that, counts.
_PLACES_A_CHANGE, _NEAREST_PLACES = 4, 1 / 32
Codes = NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class ClipMetrics:
    """Metrics of one clip for each candidate, arrays of shape (candidates,); definitions above."""

    contrast_lstar: FloatArray
    lightness_95_lstar: FloatArray
    lit_share: FloatArray
    top_code_share: FloatArray
    flashes_per_s: FloatArray
    duty_mean: FloatArray
    duty_99: FloatArray
    duty_peak: FloatArray


@dataclass(frozen=True, eq=False)
class ClipColumns:
    """metrics, and the median and the 99 % point of the envelope's counts above quiescent.

    Shape (candidates,).
    """

    metrics: ClipMetrics
    counts_median: FloatArray
    counts_99: FloatArray


@dataclass(frozen=True, eq=False)
class Tallied:
    """What is left of a clip's frames, once they are counted; arrays of shape (candidates,).

    at_95, at_99: duty codes of the frames between which the 95 % and 99 % points lie. most_code, code_sum:
    of all frames. lit_frames: frames with L* above 5. top_frames: frames that read the highest ADC code.
    """

    frames: int
    at_95: tuple[IntArray | Codes, IntArray | Codes]
    at_99: tuple[IntArray | Codes, IntArray | Codes]
    most_code: IntArray | Codes
    code_sum: IntArray
    lit_frames: IntArray
    top_frames: IntArray | Codes

    def metrics(self, contrast_lstar: FloatArray, flashes_per_s: IntArray, table: LookupTable) -> ClipMetrics:
        """Return the metrics. table: any of the candidates' tables, which share depth and duty limit."""
        brightest, full = table.brightest_code, table.full_code
        low, high = (lightness_cie1976(codes / brightest) for codes in self.at_95)
        return ClipMetrics(
            contrast_lstar=contrast_lstar,
            lightness_95_lstar=percentile(95, self.frames).of(low, high),
            lit_share=self.lit_frames / self.frames,
            top_code_share=self.top_frames / self.frames,
            flashes_per_s=flashes_per_s.astype(np.float64),
            duty_mean=self.code_sum / (self.frames * full),
            duty_99=percentile(99, self.frames).of(self.at_99[0] / full, self.at_99[1] / full),
            duty_peak=self.most_code / full,
        )


@lru_cache(maxsize=16)
def _lightness_of_code(brightest_code: int) -> FloatArray:
    return lightness_cie1976(np.arange(brightest_code + 1) / brightest_code)


@lru_cache(maxsize=16)
def lit_code(brightest_code: int) -> int:
    """Return the smallest duty code whose L* is above LIT_LSTAR."""
    return int(np.argmax(_lightness_of_code(brightest_code) > LIT_LSTAR))


def lightness_of_counts(chain: Chain, table: LookupTable) -> FloatArray:
    """Return L* of 0, 1, 2 … whole counts above quiescent, all that the chain's ADC can read.

    Shape (counts,).

    table: an even one, as Chain.brightness_table makes it.
    """
    from envlab.metrics import metric_kernels

    codes = metric_kernels.codes_of_steps(
        chain.adc.top_code - chain.quiescent_counts + 1,
        1,
        table.duty_codes[np.newaxis].copy(),
        float(table.full_scale_counts),
    )[0]
    lightness: FloatArray = _lightness_of_code(table.brightest_code)[codes]
    return lightness


def lightness_of_envelope(envelope_counts: FloatArray, table: LookupTable) -> FloatArray:
    """Return L* of envelope counts above quiescent, shape (n,), fractions included.

    table: an even one, as Chain.brightness_table makes it.
    """
    from envlab.metrics import metric_kernels

    codes = metric_kernels.codes_of(
        np.ascontiguousarray(envelope_counts)[np.newaxis],
        table.duty_codes[np.newaxis].copy(),
        float(table.full_scale_counts),
    )[0]
    lightness: FloatArray = _lightness_of_code(table.brightest_code)[codes]
    return lightness


def clip_metrics(
    envelope_counts: ArrayLike, chains: list[Chain], tables: list[LookupTable] | None = None
) -> ClipMetrics:
    """Return the metrics of envelopes (candidates, frames), counts above quiescent, one chain each.

    All chains share ADC, frame rate, depth and supply.

    Parameters
    ----------
    envelope_counts : array_like
        Shape (candidates, frames), counts above quiescent; with fractions, as behind a follower.
    chains : list of Chain
        The boards.
    tables : list of LookupTable or None
        Each chain's brightness table, if already made.

    Returns
    -------
    ClipMetrics
    """
    return envelope_columns(envelope_counts, chains, tables).metrics


def envelope_columns(
    envelope_counts: ArrayLike, chains: list[Chain], tables: list[LookupTable] | None = None
) -> ClipColumns:
    """Return what clip_metrics returns and the percentiles of the counts; the same arguments."""
    from envlab.metrics import metric_kernels

    tables = tables or [chain.brightness_table() for chain in chains]
    envelope = np.ascontiguousarray(np.atleast_2d(np.asarray(envelope_counts, dtype=np.float64)))
    first, table = chains[0], tables[0]
    rows, frames = envelope.shape
    stacked = np.stack([one.duty_codes for one in tables])
    codes: Codes = metric_kernels.codes_of(envelope, stacked, float(table.full_scale_counts))
    contrast = RunningContrast(rows, frames, table.brightest_code, first.frame_rate_hz)
    flashes = running_flashes(first, rows, table.brightest_code)
    contrast.take(codes)
    flashes.take(codes)
    top_counts = np.array([[chain.adc.top_code - chain.quiescent_counts] for chain in chains])
    lit_frames = np.count_nonzero(codes >= lit_code(table.brightest_code), axis=1)
    code_sum = codes.sum(axis=1, dtype=np.int64)
    codes.sort(axis=1)
    half, most, nearly = (percentile(percent, frames) for percent in (50, 95, 99))
    tallied = Tallied(
        frames=frames,
        at_95=(codes[:, most.low], codes[:, most.high]),
        at_99=(codes[:, nearly.low], codes[:, nearly.high]),
        most_code=codes[:, -1],
        code_sum=code_sum,
        lit_frames=lit_frames,
        top_frames=np.count_nonzero(envelope >= top_counts, axis=1),
    )
    counts = np.sort(envelope, axis=1)
    return ClipColumns(
        tallied.metrics(contrast.contrast_lstar(), flashes.most_per_s, table),
        counts_median=half.of(counts[:, half.low], counts[:, half.high]),
        counts_99=nearly.of(counts[:, nearly.low], counts[:, nearly.high]),
    )


def range_used_db(loudest_99_counts: FloatArray, quietest_median_counts: FloatArray) -> FloatArray:
    """Return 20 lg(99 % of the loudest clip's counts / max(median of the quietest clip's counts, 1 count)).

    Counts above quiescent, any shape; −inf where the loudest clip stays at 0.

    Parameters
    ----------
    loudest_99_counts : ndarray of float
        99 % point of the loudest clip's counts, any shape.
    quietest_median_counts : ndarray of float
        Median of the quietest clip's counts, the same shape.

    Returns
    -------
    ndarray of float
    """
    ratio = np.asarray(loudest_99_counts) / np.maximum(quietest_median_counts, 1.0)
    with np.errstate(divide="ignore"):
        return np.asarray(20 * np.log10(ratio))


def finest_change_counts(chain: Chain) -> float:
    """Return by how many counts the envelope moves at most when the sound moves by the least, counts.

    One, where a frame shows a reading as it is. A moving mean of N readings whose noise is normal with a
    standard deviation of s counts has an expected value that moves by at most erf(1/(√8·N·s)) while the input
    moves by 1/N count (the normal distribution over the widest such step, round an edge between two counts),
    and no finer than 1/N. Without noise all N readings are alike and it is one count again.

    Parameters
    ----------
    chain : Chain
        The board.

    Returns
    -------
    float

    Examples
    --------
    >>> import envlab
    >>> from envlab.metrics.clip_metrics import finest_change_counts
    >>> from envlab.stages import MovingMean, PassThrough
    >>> shown = (PassThrough(), MovingMean(0.01))
    >>> [round(finest_change_counts(envlab.Chain(follower=one)), 3) for one in shown]
    [1.0, 0.132]
    """
    if not isinstance(chain.follower, MovingMean):
        return 1.0
    readings = readings_of_window(chain.follower, chain.adc.rate_hz)
    if chain.adc.noise_lsb == 0:
        return 1.0
    return max(1 / readings, math.erf(1 / (math.sqrt(8) * readings * chain.adc.noise_lsb)))


def table_steps(chains: list[Chain], tables: list[LookupTable]) -> FloatArray:
    """Return table_step_lstar of each chain, shape (chains,), L*.

    Parameters
    ----------
    chains : list of Chain
        The boards.
    tables : list of LookupTable
        Each board's brightness table.

    Returns
    -------
    ndarray of float
    """
    steps = np.zeros(len(chains))
    for i, (chain, table) in enumerate(zip(chains, tables, strict=True)):
        apart = finest_change_counts(chain)
        lightness = lightness_of_counts(chain, table)
        if apart < 1:
            # One row of places over all counts, so that no change of the duty code falls between two pairs.
            spacing = max(apart / _PLACES_A_CHANGE, _NEAREST_PLACES)
            ahead = math.ceil(apart / spacing - 1e-9)
            lightness = lightness_of_envelope(np.arange(0, lightness.size - 1 + apart, spacing), table)
            steps[i] = (lightness[ahead:] - lightness[:-ahead]).max()
        else:
            steps[i] = (lightness[1:] - lightness[:-1]).max()
    return steps

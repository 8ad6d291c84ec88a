"""What a candidate's lights do on a clip, as numbers that two people compute alike.

On frames of one clip (frame rate r, L* and luminance relative to the brightest state of the capped costume):

- contrast_lstar: for each whole second of frames, the 95 % point of L* minus the 5 % point; then the median
  of these over the clip. (A clip under a second is one window.) Percentiles are linear between samples.
- lightness_95_lstar: the 95 % point of L* over the clip. On noise and offset alone it is idle_lstar, on the
  walking clip false_light_lstar.
- lit_share: share of frames with L* above 5.
- top_code_share: share of frames whose ADC reading is the highest code.
- flashes_per_s: worst sliding second (envlab.light.flash).
- duty_mean, duty_99, duty_peak: mean, 99 % point and largest duty; current follows from it linearly.

On the table alone:

- table_step_lstar: the largest difference of L* between two neighbouring whole counts above rest. A small
  gain leaves few counts between floor and ceiling, and the light then moves in steps.

Across clips:

- range_used_db: 20 lg of the 99 % point of the loudest clip's counts over the quietest clip's median, counts
  above rest, the latter at least 1 count. Loudest and quietest by the level stated for the clip; with clips
  of one level only it is not judged.
- onset_lag_ms: see onset.py. attack_ms, release_ms, ripple_db, settled_ratio: see analog/steady.py.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from envlab.chain import Chain
from envlab.light.flash import window_reach
from envlab.light.lightness import lightness_cie1976
from envlab.light.table import LookupTable
from envlab.units import FloatArray

LIT_LSTAR = 5.0


@dataclass(frozen=True, eq=False)
class ClipFigures:
    """Figures of one clip for each candidate, arrays of shape (candidates,); definitions above."""

    contrast_lstar: FloatArray
    lightness_95_lstar: FloatArray
    lit_share: FloatArray
    top_code_share: FloatArray
    flashes_per_s: FloatArray
    duty_mean: FloatArray
    duty_99: FloatArray
    duty_peak: FloatArray


def clip_figures(
    envelope_counts: ArrayLike, chains: list[Chain], tables: list[LookupTable] | None = None
) -> ClipFigures:
    """Return the figures of envelopes (candidates, frames), counts above rest, one chain each.

    All chains share ADC, frame rate and depth. tables: each chain's brightness table, if already made.
    """
    from envlab.light.flash_kernels import most_flashes_rows
    from envlab.study import figure_kernels

    tables = tables or [chain.brightness_table() for chain in chains]
    envelope = np.ascontiguousarray(np.atleast_2d(np.asarray(envelope_counts, dtype=np.float64)))
    first = chains[0]
    codes = np.stack([table.duty_codes for table in tables])
    code, lightness = np.empty(envelope.shape), np.empty(envelope.shape, dtype=np.float32)
    brightest = np.array([table.brightest_code for table in tables])
    tops, row = np.unique(brightest, return_inverse=True)
    of_code = lightness_cie1976(np.minimum(np.arange(tops[-1] + 1) / tops[:, None], 1.0))
    full_scale = float(tables[0].full_scale_counts)
    figure_kernels.light_of(envelope, codes, full_scale, of_code, row, code, lightness)
    luminance = code / brightest[:, None]
    duty = code / tables[0].full_code
    return ClipFigures(
        contrast_lstar=_median_spread(lightness, max(1, round(first.frame_rate_hz))),
        lightness_95_lstar=np.percentile(lightness, 95, axis=1).astype(np.float64),
        lit_share=(lightness > LIT_LSTAR).mean(axis=1),
        top_code_share=(envelope >= first.adc.top_code - first.rest_counts).mean(axis=1),
        flashes_per_s=most_flashes_rows(luminance, window_reach(first.frame_rate_hz)).astype(np.float64),
        duty_mean=duty.mean(axis=1),
        duty_99=np.percentile(duty, 99, axis=1),
        duty_peak=duty.max(axis=1),
    )


def _median_spread(lightness: NDArray[np.float32], window: int) -> FloatArray:
    """Median over whole windows (the whole, if it is shorter than one) of the 5-95 % spread."""
    candidates, frames = lightness.shape
    window = min(window, frames)
    whole = lightness[:, : frames // window * window].reshape(candidates, -1, window)
    low, high = np.percentile(whole, (5, 95), axis=2)
    return np.asarray(np.median(high - low, axis=1), dtype=np.float64)


def range_used_db(loudest_99_counts: FloatArray, quietest_median_counts: FloatArray) -> FloatArray:
    """Return 20 lg(99 % of the loudest clip's counts / max(median of the quietest clip's counts, 1 count)).

    Counts above rest, any shape; −inf where the loudest clip stays at 0.
    """
    ratio = np.asarray(loudest_99_counts) / np.maximum(quietest_median_counts, 1.0)
    with np.errstate(divide="ignore"):
        return np.asarray(20 * np.log10(ratio))


def table_steps(chains: list[Chain], tables: list[LookupTable]) -> FloatArray:
    """Return table_step_lstar of each chain, shape (chains,), L*."""
    steps = np.zeros(len(chains))
    for i, (chain, table) in enumerate(zip(chains, tables, strict=True)):
        codes = table.look_up(np.arange(chain.adc.top_code - chain.rest_counts + 1))
        lightness = lightness_cie1976(codes / table.brightest_code)
        steps[i] = np.diff(lightness).max()
    return steps

"""Whole pictures of the notebooks that explain: axes laid out and drawn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from matplotlib.figure import Figure
from numpy.typing import ArrayLike

from envlab.chain import Chain, ChainResult
from envlab.light.flashes.flash import FlashReport
from envlab.metrics.ripple_aliasing import Breathing
from envlab.plot.explanations.detector import (
    attack_over_formula,
    between_samples,
    climb,
    errors_by_rate,
    one_cycle,
)
from envlab.plot.explanations.light import (
    frames_of_note,
    ramp_lightness,
    ramp_strip,
    read_cycle,
    shimmer_by_note,
)
from envlab.plot.explanations.metrics import (
    burst_figures,
    clipped_wave,
    lag_by_phase,
    lightness_figures,
    range_between,
    violation_line,
)
from envlab.plot.strips import current_strip, flash_strip
from envlab.plot.style import sheet
from envlab.study.lessons import BurstLesson, KnownLight, SamplesLesson
from envlab.study.specification.targets import Target
from envlab.units import FloatArray


def climb_sheet(lesson: BurstLesson, formula_s: float) -> Figure:
    """Return the climb on a tone against 2.2·R·C, formula_s in s, and one settled cycle beside it."""
    figure = sheet(72)
    left, right = figure.subplots(1, 2, sharey=True, width_ratios=(2, 1))
    climb(lesson, left, formula_s=formula_s)
    one_cycle(lesson, right)
    return figure


def formula_sheet(ratios: Sequence[float], factors: Mapping[str, Sequence[float]]) -> Figure:
    """Return by how much the attack outlasts the formula; ratios, factors as in attack_over_formula."""
    figure = sheet(64, 130)
    attack_over_formula(ratios, factors, figure.subplots())
    return figure


def samples_sheet(lesson: SamplesLesson, span_s: tuple[float, float]) -> Figure:
    """Return samples, wave and both held voltages over span_s, s."""
    figure = sheet(88)
    axes = figure.subplots(2, 1, sharex=True)
    between_samples(lesson, list(axes), span_s)
    figure.align_ylabels(list(axes))
    return figure


def errors_sheet(errors: Mapping[float, float]) -> Figure:
    """Return the errors (a share) by rate (Hz)."""
    figure = sheet(62, 130)
    errors_by_rate(errors, figure.subplots())
    return figure


def ramps_sheet(ramps: Mapping[str, ArrayLike]) -> Figure:
    """Return ramps of relative luminance, 0..1 by name, as light and as lightness."""
    figure = sheet(34 + 58)
    *strips, lower = figure.subplots(len(ramps) + 1, 1, height_ratios=(*[1] * len(ramps), 5))
    for ax, (name, luminance) in zip(strips, ramps.items(), strict=True):
        ramp_strip(luminance, ax, name)
    ramp_lightness(ramps, lower)
    return figure


def breathing_sheet(notes: Sequence[Breathing], frame_rate_hz: float) -> Figure:
    """Return a row for each steady note: what the frames read, and the light that comes of it."""
    figure = sheet(46 * len(notes))
    axes = figure.subplots(len(notes), 2, squeeze=False, sharex="col")
    for (left, right), one in zip(axes, notes, strict=True):
        read_cycle(one, left, frame_rate_hz)
        frames_of_note(one, right, frame_rate_hz)
    for ax in axes[:-1].ravel():
        ax.set_xlabel("")
    return figure


def shimmer_sheet(frequencies_hz: Sequence[float], shimmer_lstar: Mapping[str, Sequence[float]]) -> Figure:
    """Return shimmer, L*, over the note's frequency, Hz, one line for each name."""
    figure = sheet(64)
    shimmer_by_note(frequencies_hz, shimmer_lstar, figure.subplots())
    return figure


def burst_sheet(lesson: BurstLesson) -> Figure:
    """Return a burst with attack, release and settled ratio marked."""
    figure = sheet(74)
    burst_figures(lesson, figure.subplots())
    return figure


def lightness_sheet(light: KnownLight) -> Figure:
    """Return lightness with the spread in each second."""
    figure = sheet(56)
    lightness_figures(light, figure.subplots())
    return figure


def phases_sheet(lag_ms: FloatArray) -> Figure:
    """Return the lag, ms, of each frame phase."""
    figure = sheet(54)
    lag_by_phase(lag_ms, figure.subplots())
    return figure


def range_sheet(clips: Mapping[str, tuple[FloatArray, float]]) -> Figure:
    """Return how the counts of clips lie; clips as in range_between."""
    figure = sheet(16 * len(clips) + 22)
    range_between(clips, figure.subplots())
    return figure


def clipped_sheet(result: ChainResult, chain: Chain, span_s: float) -> Figure:
    """Return the first span_s, s, of the preamp's output with its limits."""
    figure = sheet(52)
    clipped_wave(
        result.preamp_v[: round(span_s * result.internal_rate_hz)],
        result.internal_rate_hz,
        (-chain.preamp.swing_down_v, chain.preamp.swing_up_v),
        figure.subplots(),
        clipped_share=result.clipped_share,
    )
    return figure


def flashing_sheet(light: KnownLight, flashes: FlashReport, limit_per_s: float) -> Figure:
    """Return luminance and the flashes that are counted in each second; limit_per_s: dashed."""
    figure = sheet(78)
    flash_strip(light, flashes, list(figure.subplots(2, 1, sharex=True)), limit_per_s=limit_per_s)
    return figure


def current_over_time_sheet(current_a: FloatArray, chain: Chain) -> Figure:
    """Return the supply current, A, of frames (frames,) with its mean and the converter's limit."""
    figure = sheet(52)
    current_strip(current_a, chain.frame_rate_hz, chain.pixels, chain.supply, figure.subplots())
    return figure


def violation_sheet(target: Target, values: Sequence[float]) -> Figure:
    """Return the violation of a target over values of its figure, in the figure's unit."""
    figure = sheet(50, 120)
    violation_line(target, values, figure.subplots())
    return figure

"""Whole pictures of the notebooks that explain: axes laid out and drawn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from matplotlib.figure import Figure
from numpy.typing import ArrayLike

from envlab.chain import Chain
from envlab.engine.chain_result import ChainResult
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
    ripple_aliasing_by_note,
)
from envlab.plot.explanations.metrics import (
    burst_metrics,
    clipped_wave,
    latency_by_phase,
    lightness_metrics,
    range_between,
    violation_line,
)
from envlab.plot.strips import current_strip, flash_strip
from envlab.plot.style import sheet
from envlab.study.lessons import BurstLesson, KnownLight, SamplesLesson
from envlab.study.specification.targets import Target
from envlab.units import FloatArray


def climb_sheet(lesson: BurstLesson, formula_s: float) -> Figure:
    """Return the climb on a tone against 2.2·R·C, formula_s in s, and one settled cycle beside it.

    Parameters
    ----------
    lesson : BurstLesson
        What envlab.study.lessons computed.
    formula_s : float
        What a formula gives for the attack, s.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(72)
    left, right = fig.subplots(1, 2, sharey=True, width_ratios=(2, 1))
    climb(lesson, left, formula_s=formula_s)
    one_cycle(lesson, right)
    return fig


def formula_sheet(ratios: Sequence[float], factors: Mapping[str, Sequence[float]]) -> Figure:
    """Return by how much the attack outlasts the formula; ratios, factors as in attack_over_formula.

    Parameters
    ----------
    ratios : sequence of float
        Release over attack.
    factors : mapping
        Attack over the formula's, by name.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(64, 130)
    attack_over_formula(ratios, factors, fig.subplots())
    return fig


def samples_sheet(lesson: SamplesLesson, span_s: tuple[float, float]) -> Figure:
    """Return samples, wave and both held voltages over span_s, s.

    Parameters
    ----------
    lesson : SamplesLesson
        What envlab.study.lessons computed.
    span_s : tuple
        Seconds to show.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(88)
    axes = fig.subplots(2, 1, sharex=True)
    between_samples(lesson, list(axes), span_s)
    fig.align_ylabels(list(axes))
    return fig


def errors_sheet(errors: Mapping[float, float]) -> Figure:
    """Return the errors (a share) by rate (Hz).

    Parameters
    ----------
    errors : mapping
        Worst error by rate, as envlab.study.lessons.sampling_errors gives it.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(62, 130)
    errors_by_rate(errors, fig.subplots())
    return fig


def ramps_sheet(ramps: Mapping[str, ArrayLike]) -> Figure:
    """Return ramps of relative luminance, 0..1 by name, as light and as lightness.

    Parameters
    ----------
    ramps : mapping
        Relative luminance, 0 to 1, by name.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(34 + 58)
    *strips, lower = fig.subplots(len(ramps) + 1, 1, height_ratios=(*[1] * len(ramps), 5))
    for ax, (name, luminance) in zip(strips, ramps.items(), strict=True):
        ramp_strip(luminance, ax, name)
    ramp_lightness(ramps, lower)
    return fig


def breathing_sheet(notes: Sequence[Breathing], frame_rate_hz: float) -> Figure:
    """Return a row for each steady note: what the frames read, and the light that comes of it.

    Parameters
    ----------
    notes : sequence of Breathing
        What envlab.judge.breathing gave for each note.
    frame_rate_hz : float
        Frames a second, 1 to 10 000 Hz.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(46 * len(notes))
    axes = fig.subplots(len(notes), 2, squeeze=False, sharex="col")
    for (left, right), one in zip(axes, notes, strict=True):
        read_cycle(one, left, frame_rate_hz)
        frames_of_note(one, right, frame_rate_hz)
    for ax in axes[:-1].ravel():
        ax.set_xlabel("")
    return fig


def ripple_aliasing_sheet(
    frequencies_hz: Sequence[float], ripple_aliasing_lstar: Mapping[str, Sequence[float]]
) -> Figure:
    """Return ripple aliasing, L*, over the note's frequency, Hz, one line for each name.

    Parameters
    ----------
    frequencies_hz : sequence of float
        Of the notes, Hz.
    ripple_aliasing_lstar : mapping
        L* at each note, by name.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(64)
    ripple_aliasing_by_note(frequencies_hz, ripple_aliasing_lstar, fig.subplots())
    return fig


def burst_sheet(lesson: BurstLesson) -> Figure:
    """Return a burst with attack, release and settled ratio marked.

    Parameters
    ----------
    lesson : BurstLesson
        What envlab.study.lessons computed.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(74)
    burst_metrics(lesson, fig.subplots())
    return fig


def lightness_sheet(light: KnownLight) -> Figure:
    """Return lightness with the spread in each second.

    Parameters
    ----------
    light : KnownLight
        Light of a board on one clip.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(56)
    lightness_metrics(light, fig.subplots())
    return fig


def phases_sheet(latency_ms: FloatArray) -> Figure:
    """Return the latency, ms, of each frame phase.

    Parameters
    ----------
    latency_ms : ndarray of float
        Of each frame phase, ms.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(54)
    latency_by_phase(latency_ms, fig.subplots())
    return fig


def range_sheet(clips: Mapping[str, tuple[FloatArray, float]]) -> Figure:
    """Return how the counts of clips lie; clips as in range_between.

    Parameters
    ----------
    clips : mapping
        Counts, and the percentile that is marked, by name.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(16 * len(clips) + 22)
    range_between(clips, fig.subplots())
    return fig


def clipped_sheet(result: ChainResult, chain: Chain, span_s: float) -> Figure:
    """Return the first span_s, s, of the preamp's output with its limits.

    Parameters
    ----------
    result : ChainResult
        What a run or a study gave.
    chain : Chain
        The board.
    span_s : float
        Seconds to show.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(52)
    clipped_wave(
        result.preamp_v[: round(span_s * result.internal_rate_hz)],
        result.internal_rate_hz,
        (-chain.preamp.swing_down_v, chain.preamp.swing_up_v),
        fig.subplots(),
        clipped_share=result.clipped_share,
    )
    return fig


def flashing_sheet(light: KnownLight, flashes: FlashReport, limit_per_s: float) -> Figure:
    """Return luminance and the flashes that are counted in each second.

    Parameters
    ----------
    light : KnownLight
        Light of a board on one clip.
    flashes : FlashReport
        As envlab.lights.find_flashes gives them.
    limit_per_s : float
        Dashed.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(78)
    flash_strip(light, flashes, list(fig.subplots(2, 1, sharex=True)), limit_per_s=limit_per_s)
    return fig


def current_over_time_sheet(current_a: FloatArray, chain: Chain) -> Figure:
    """Return the supply current, A, of frames (frames,) with its mean and the converter's limit.

    Parameters
    ----------
    current_a : ndarray of float
        Of each frame, A.
    chain : Chain
        The board.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(52)
    current_strip(current_a, chain.frame_rate_hz, chain.pixels, chain.supply, fig.subplots())
    return fig


def violation_sheet(target: Target, values: Sequence[float]) -> Figure:
    """Return the violation of a target over values of its metric, in the metric's unit.

    Parameters
    ----------
    target : Target
        What is asked.
    values : sequence of float
        In the metric's unit.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(50, 120)
    violation_line(target, values, fig.subplots())
    return fig

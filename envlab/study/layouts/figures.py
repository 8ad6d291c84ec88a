"""What each layout makes of the same music, as numbers.

All of them light the same envelope on the same board. Over all clips together:

- mean_a, peak_a: supply current, A, the idle current of the pixels counted.
- lit_lstar: lightness near by of what is lit. L* of every pixel over that of a pixel at full, averaged over
  all lit pixels of all frames, each with the same weight, as every pixel has the same area; lit is what has
  more than LIT_LSTAR. lit_pixels: how many are lit in a frame that has any, mean.
- intensity_cd, peak_cd: luminous intensity of the whole, mean and largest (viewing.py).
- At equal current: every layout is dimmed until its mean current over the clips is that of the one that takes
  least. equal_lit_lstar, equal_cd and equal_lux are lightness, intensity, and illuminance at the spectators'
  eyes then. Light goes with current, so that equal_cd is one number for all: from afar the same current gives
  the same light, whichever pixels it lights. Dimming changes no number below, as those are over the
  layout's own brightest state.
- steps: how evenly the light grows (steps.py).
- contrast_near_lstar, contrast_far_lstar: contrast on the beat, defined as beat_contrast_lstar
  (metrics/clip_metrics.py), of the lightness of the lit area and of the L* of the whole (play.Played); the
  least over the clips tagged as beat, NaN where none can be judged. With all pixels alike both are
  beat_contrast_lstar.
- flashes_per_s: of the whole in its worst second, without the flash guard; this count is strict and hard.
  flashes_guarded: with it. regions: of each region, without the guard; it informs.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from envlab.chain import Chain
from envlab.errors import ParameterError
from envlab.light.flashes.flash import count_flashes
from envlab.light.lightness import lightness_cie1976
from envlab.light.pixels import idle_current_a
from envlab.light.viewing import Viewing, intensity_cd
from envlab.metrics.clip_metrics import LIT_LSTAR
from envlab.metrics.contrast import contrast_of_frames
from envlab.study.layouts.play import Brightest, PixelPlay, Played, Words, brightest_of, played
from envlab.study.layouts.regions import RegionCounter, RegionFlashes, regions_of
from envlab.study.layouts.steps import Steps, steps_of
from envlab.units import FloatArray, IntArray


@dataclass(frozen=True, eq=False)
class ClipDuties:
    """The envelope of one clip as the firmware hands it to the layout, words of 16 bit (frames,).

    free: without the flash guard. guarded: with that of each layout, by its name. no_beat: why its contrast
    does not count; "" if it does.
    """

    label: str
    free: Words
    guarded: Mapping[str, Words]
    no_beat: str = ""


@dataclass(frozen=True, eq=False)
class LayoutFigures:
    """The numbers of one layout; defined at the module's top.

    most_codes: largest sum of the codes of a frame, over all channels, of all clips. limit_codes: the most
    that the supply bears.
    """

    name: str
    pixels: int
    mean_a: float
    peak_a: float
    most_codes: int
    limit_codes: int
    lit_pixels: float
    lit_lstar: float
    equal_lit_lstar: float
    intensity_cd: float
    peak_cd: float
    equal_cd: float
    equal_lux: float
    steps: Steps
    contrast_near_lstar: float
    contrast_far_lstar: float
    flashes_per_s: int
    flashes_guarded: int
    regions: RegionFlashes

    @property
    def keeps_current(self) -> bool:
        """Whether no frame takes more than the supply bears."""
        return self.most_codes <= self.limit_codes


@dataclass(frozen=True, eq=False)
class _OnClips:
    """Of one layout on all clips, without the guard; codes are those of one channel.

    lit: pixels that are lit, over all frames. frames_lit: frames with any. most: largest sum of a frame, with
    the guard and without.
    """

    play: PixelPlay
    brightest: Brightest
    pixels_of_code: IntArray
    frames: int
    lit: int
    frames_lit: int
    code_sum: int
    most: int
    contrasts: tuple[tuple[float, float], ...]
    flashes_guarded: int
    regions: RegionFlashes


def figures_of(
    plays: dict[str, PixelPlay],
    clips: Sequence[ClipDuties],
    chain: Chain,
    viewing: Viewing,
    *,
    limit_codes: int,
    progress: Callable[[float], None] | None = None,
) -> tuple[LayoutFigures, ...]:
    """Return the numbers of layouts, by name, on clips; at least one of each.

    chain: the board, for pixels, supply and frame rate. limit_codes: largest sum of all codes of a frame, all
    channels, that the supply bears. progress: called with the share that is done, 0 to 1.
    """
    if not plays or not clips:
        raise ParameterError("layouts" if not plays else "clips", 0, "at least 1")
    heard: dict[str, _OnClips] = {}
    for name, play in plays.items():
        heard[name] = _on_clips(name, play, clips, chain.frame_rate_hz)
        if progress is not None:
            progress(len(heard) / len(plays))
    means = [one.code_sum / one.frames / one.play.full_code for one in heard.values() if one.code_sum]
    least = min(means, default=0.0)
    return tuple(_figures(name, one, least, chain, viewing, limit_codes) for name, one in heard.items())


def _on_clips(name: str, play: PixelPlay, clips: Sequence[ClipDuties], frame_rate_hz: float) -> _OnClips:
    regions = regions_of(play.pixels)
    brightest = brightest_of(play, regions)
    counter = RegionCounter(regions, brightest.regions, frame_rate_hz)
    free, held = [], []
    for clip in clips:
        counter.begin()
        free.append(played(play, clip.free, brightest, regions, counter.take))
        guarded = clip.guarded[name]
        unchanged = np.array_equal(clip.free, guarded)
        held.append(free[-1] if unchanged else played(play, guarded, brightest))
    return _OnClips(
        play=play,
        brightest=brightest,
        pixels_of_code=np.sum([one.pixels_of_code for one in free], axis=0),
        frames=sum(one.code_sum.size for one in free),
        lit=sum(int(one.lit.sum()) for one in free),
        frames_lit=sum(int(np.count_nonzero(one.lit)) for one in free),
        code_sum=sum(int(one.code_sum.sum()) for one in free),
        most=max(int(one.code_sum.max(initial=0)) for one in (*free, *held)),
        contrasts=tuple(
            _contrasts(one, brightest, frame_rate_hz)
            for one, clip in zip(free, clips, strict=True)
            if not clip.no_beat
        ),
        flashes_guarded=max(count_flashes(one.far_luminance(brightest), frame_rate_hz) for one in held),
        regions=counter.flashes,
    )


def _contrasts(light: Played, brightest: Brightest, frame_rate_hz: float) -> tuple[float, float]:
    near, far = (
        contrast_of_frames(lightness, frame_rate_hz)
        for lightness in (light.near_lstar(brightest), light.far_lstar(brightest))
    )
    return near, far


def _figures(
    name: str, one: _OnClips, least: float, chain: Chain, viewing: Viewing, limit_codes: int
) -> LayoutFigures:
    """least: mean sum of the codes of a frame of the layout that takes least, as a share of full_code."""
    pixels, volts = chain.pixels, chain.supply.volts
    unit_a = pixels.channels * pixels.channel_supply_a(volts) / one.play.full_code
    mean = one.code_sum / one.frames
    dimmed = least * one.play.full_code / mean if mean else math.nan
    mean_cd, peak_cd = (
        intensity_cd(codes * unit_a, pixels, viewing, volts=volts) for codes in (mean, one.most)
    )
    near, far = zip(*one.contrasts, strict=True) if one.contrasts else ((math.nan,), (math.nan,))
    return LayoutFigures(
        name=name,
        pixels=one.play.pixels,
        mean_a=idle_current_a(pixels) + mean * unit_a,
        peak_a=idle_current_a(pixels) + one.most * unit_a,
        most_codes=one.most * pixels.channels,
        limit_codes=limit_codes,
        lit_pixels=one.lit / one.frames_lit if one.frames_lit else 0.0,
        lit_lstar=_lit_lstar(one, 1.0),
        equal_lit_lstar=_lit_lstar(one, dimmed),
        intensity_cd=mean_cd,
        peak_cd=peak_cd,
        equal_cd=mean_cd * dimmed,
        equal_lux=math.nan if math.isnan(dimmed) else viewing.illuminance_lx(mean_cd * dimmed),
        steps=steps_of(one.play, one.brightest),
        contrast_near_lstar=min(near),
        contrast_far_lstar=min(far),
        flashes_per_s=int(one.regions.per_s[-1]),
        flashes_guarded=one.flashes_guarded,
        regions=one.regions,
    )


def _lit_lstar(one: _OnClips, dimmed: float) -> float:
    """Mean L* of lit pixels, dimmed by a factor of at most 1; NaN where nothing is lit."""
    if math.isnan(dimmed):
        return math.nan
    lightness: FloatArray = lightness_cie1976(dimmed * np.arange(one.play.full_code + 1) / one.play.full_code)
    lit = np.where(lightness > LIT_LSTAR, one.pixels_of_code, 0)
    return float((lit * lightness).sum() / lit.sum()) if lit.any() else math.nan

"""From a detector's voltage at the ADC's instants to the light of the frames, whole or in part.

The light is what the exported firmware makes of the readings (study.exported.light.worn_light), on a board
that has been on for long: no mute and no fade-in, neither at a clip's beginning nor in its middle.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from envlab.chain import Chain
from envlab.digital.pixel_layout import picture_places
from envlab.engine.quantiser import Quantiser
from envlab.light.lightness import lightness_cie1976
from envlab.light.table import LookupTable
from envlab.study.exported.light import ExportedLight, GuardSetting, worn_guard, worn_light
from envlab.study.layouts.worn_pixels import WornPixels
from envlab.units import FloatArray, IntArray

# Of a past that is only likely, a few milliseconds' work.
_PAST_READINGS = 150_000


@dataclass(frozen=True, eq=False)
class BoardLight:
    """The light of one board on a clip, or on the seconds round a playhead.

    relative_luminance: Y over the brightest state of the limited costume, 0 to 1, shape (frames,); its first
    one is frame first_frame of the clip's total_frames. full_duty: that state's share of full current.
    detector_v (V at the pin's ground), adc_counts: shape (readings,), at chain.adc.rate_hz, the first one is
    the clip's first_reading. exact: readings are what Chain.run gives without noise, bit for bit, and the
    firmware has heard them all; else they may be a fraction of a count off, and what the firmware learnt from
    those before them is a guess. guard: whether the flash guard is in this light; "none" where only
    the brightness table makes it. clipped_share: share of the clip with microphone or preamp at a limit; 0
    where only a part is known. pixels: of a layout of light, as the whole says too little; None: all alike.
    """

    chain: Chain
    relative_luminance: FloatArray
    full_duty: float
    first_frame: int
    total_frames: int
    detector_v: FloatArray
    adc_counts: IntArray
    first_reading: int
    exact: bool
    guard: GuardSetting
    clipped_share: float = 0.0
    pixels: WornPixels | None = None

    @property
    def frame_rate_hz(self) -> float:
        """Frames a second."""
        return self.chain.frame_rate_hz

    @property
    def duty(self) -> FloatArray:
        """Share of full pixel current, 0 to full_duty, shape (frames,)."""
        return self.relative_luminance * self.full_duty

    @property
    def lightness(self) -> FloatArray:
        """CIE L*, 0 to 100, relative to the brightest state, shape (frames,)."""
        return lightness_cie1976(self.relative_luminance)


@functools.lru_cache(maxsize=64)  # behind a diode floor and ceiling are simulated, and asked for again
def table_of(chain: Chain) -> LookupTable:
    """Return the chain's brightness table."""
    return chain.brightness_table()


def _likely_past(adc_counts: IntArray, first_reading: int, shown: IntArray) -> tuple[IntArray, IntArray]:
    """Return (readings, frame ends) of the clip up to first_reading: the later half of what is known, again.

    The earlier half begins at rest, which the clip did not. shown: the reading of each of its frames.
    """
    length = min(first_reading, _PAST_READINGS)
    skipped = first_reading - length
    later = adc_counts[adc_counts.size // 2 :]
    return np.resize(later, length), shown[shown >= skipped] - skipped + 1


def prepare_light(chain: Chain) -> None:
    """Make what a board's light needs beside its readings, so that light_from_readings finds it there."""
    worn_guard(chain)


def light_from_readings(
    chain: Chain,
    held_v: FloatArray,
    *,
    first_reading: int,
    frames: range,
    total_frames: int,
    exact: bool,
    clipped_share: float = 0.0,
) -> BoardLight:
    """Return the light of some frames of a clip.

    held_v: V above the reference node at the readings, shape (readings,), from first_reading on; it reaches
    to what the last of the frames shows. The firmware shows every frame from there on, so that guard and
    follower know their past in those returned. What it learns slowly, zero and window, it has learnt from a
    past as long as the clip's, in which what is known went on and on.
    """
    quantiser = Quantiser([chain], [chain]).without_zero()
    adc_counts = quantiser.counts(held_v[np.newaxis], np.zeros(held_v.size))[0].astype(np.int64)
    readings = chain.reading_of_frame(frames.stop)
    first_known = min(int(np.searchsorted(readings, first_reading)), frames.start)
    worn = worn_light(
        chain,
        adc_counts,
        readings[first_known:] - first_reading + 1,
        before=_likely_past(adc_counts, first_reading, readings[:first_known]) if first_reading else None,
    )
    shown = slice(frames.start - first_known, None)
    return BoardLight(
        chain=chain,
        relative_luminance=worn.luminance[shown],
        full_duty=worn.full_duty,
        first_frame=frames.start,
        total_frames=total_frames,
        detector_v=chain.rectifier.reference_node_v + held_v,
        adc_counts=adc_counts,
        first_reading=first_reading,
        exact=exact,
        guard=worn_guard(chain),
        clipped_share=clipped_share,
        pixels=_pixels(chain, worn, frames.start - first_known),
    )


def _pixels(chain: Chain, worn: ExportedLight, first: int) -> WornPixels | None:
    """Return the pixels of a light from a frame on; None where all are alike."""
    if worn.layout is None:
        return None
    _, stands = picture_places(worn.layout, first, worn.stands)
    return WornPixels(chain, worn.duty[first:], stands)

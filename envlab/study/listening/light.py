"""From a detector's voltage at the ADC's instants to the light of the frames, whole or in part."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from envlab.chain import Chain
from envlab.engine.light_path import light_of_counts
from envlab.engine.quantiser import Quantiser
from envlab.light.lightness import lightness_cie1976
from envlab.light.table import LookupTable
from envlab.units import FloatArray, IntArray


@dataclass(frozen=True, eq=False)
class BoardLight:
    """The light of one board on a clip, or on the seconds round a playhead.

    duty: shape (frames,), 0 to full_duty; its first one is frame first_frame of the clip's total_frames.
    frame_counts: envelope above quiescent that each of these frames shows, counts. detector_v (V at the pin's
    ground), adc_counts: shape (readings,), at chain.adc.rate_hz, the first one is the clip's first_reading.
    exact: what Chain.run gives without noise, bit for bit; else it may be a fraction of a count off.
    clipped_share: share of the clip with microphone or preamp at a limit; 0 where only a part is known.
    """

    chain: Chain
    duty: FloatArray
    full_duty: float
    first_frame: int
    total_frames: int
    frame_counts: FloatArray
    detector_v: FloatArray
    adc_counts: IntArray
    first_reading: int
    exact: bool
    clipped_share: float = 0.0

    @property
    def frame_rate_hz(self) -> float:
        """Frames a second."""
        return self.chain.frame_rate_hz

    @property
    def relative_luminance(self) -> FloatArray:
        """Luminance over the brightest state of the limited costume, 0 to 1, shape (frames,)."""
        return self.duty / self.full_duty if self.full_duty > 0 else np.zeros_like(self.duty)

    @property
    def lightness(self) -> FloatArray:
        """CIE L*, 0 to 100, relative to the brightest state, shape (frames,)."""
        return lightness_cie1976(self.relative_luminance)


@functools.lru_cache(maxsize=64)  # behind a diode floor and ceiling are simulated, and asked for again
def table_of(chain: Chain) -> LookupTable:
    """Return the chain's brightness table."""
    return chain.brightness_table()


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
    to what the last of the frames shows. The follower begins at rest with the first of them.
    """
    quantiser = Quantiser([chain], [chain]).without_zero()
    adc_counts = quantiser.counts(held_v[np.newaxis], np.zeros(held_v.size))[0].astype(np.int64)
    above_zero = np.maximum(adc_counts - chain.quiescent_counts, 0)
    light = light_of_counts(chain, above_zero, table_of(chain), frames, first_reading)
    return BoardLight(
        chain=chain,
        duty=light.duty,
        full_duty=light.full_duty,
        first_frame=frames.start,
        total_frames=total_frames,
        frame_counts=light.frame_counts,
        detector_v=chain.rectifier.reference_node_v + held_v,
        adc_counts=adc_counts,
        first_reading=first_reading,
        exact=exact,
        clipped_share=clipped_share,
    )

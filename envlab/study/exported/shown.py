"""What a recording looks like on the yoke: the codes that the exported firmware writes to the pixels."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from envlab.analog.adc import instant_count
from envlab.analog.noise import noise_streams
from envlab.chain import Chain
from envlab.engine.nodes import read_blocks
from envlab.errors import ParameterError
from envlab.seeds import Seed, generator_of
from envlab.sound.recording import Recording
from envlab.sound.stream import Sound
from envlab.study.exported.light import ExportedFirmware, worn_light
from envlab.units import FloatArray, IntArray

ShortCounts = NDArray[np.uint16]


def shown_codes(
    chain: Chain,
    recording: Recording,
    sensitivity: str = "none",
    guard: bool = True,
    *,
    rng: Seed | None = None,
) -> IntArray:
    """Return what the exported firmware shows of a recording, bit for bit, from the moment it is switched on.

    It begins as the firmware does, dark and with a fade-in; study.exported.light.ExportedFirmware can start
    from a board that has been on.

    Parameters
    ----------
    chain
        The board.
    recording
        What sounds at its microphone.
    sensitivity
        What moves floor and ceiling: "none", "steps" (a button, untouched), "automatic".
    guard
        Whether the flash guard is on.
    rng
        Seed or Generator of the noise of microphone, preamp and ADC; None: no noise.

    Returns
    -------
    numpy.ndarray
        Codes of the pixel's depth, 0 to 2^pixel_bits - 1, of a channel that is asked for white: shape
        (frames,), frame n at n/frame_rate_hz; where the design dithers (frames, refreshes), first pixel.
        Where the limiter scales a frame down, the other channels may lie one code beside. With a layout of
        light the codes of all pixels, (frames, pixels) or (frames, refreshes, pixels).

    Raises
    ------
    ParameterError
        For a sensitivity that there is not, and for a board whose firmware cannot be exported.

    Examples
    --------
    >>> import numpy as np
    >>> import envlab
    >>> from envlab.shipped import demo_design
    >>> tone = envlab.Recording(10 * np.sin(np.arange(4 * 48_000) * 0.13), 48_000.0)
    >>> codes = envlab.shown_codes(envlab.read_design(demo_design()), tone)
    >>> codes.shape, int(codes[:200].max()), bool(codes.max() > 0)
    ((400,), 0, True)
    """
    if not isinstance(guard, bool):
        raise ParameterError("guard", guard, "True or False")
    firmware = ExportedFirmware(chain, sensitivity)
    light = firmware.light(adc_readings(chain, recording, rng), guard=guard)
    return light.codes if light.layout is None else firmware.of_pixels(light)


def adc_readings(
    chain: Chain,
    sound: Sound,
    rng: Seed | None = None,
    progress: Callable[[float], None] | None = None,
) -> IntArray:
    """Return what the ADC reads (readings,), whole counts, nothing taken off.

    sound: also one that is streamed from its file. rng: of the noise of microphone, preamp and ADC; None: no
    noise. progress: called with 0 to 1.
    """
    return short_readings(chain, sound, rng, progress).astype(np.int64)


def short_readings(
    chain: Chain,
    sound: Sound,
    rng: Seed | None = None,
    progress: Callable[[float], None] | None = None,
) -> ShortCounts:
    """Return the same in 16 bit each, the finest converter's: of two hours a quarter of the memory."""
    noise = None if rng is None else noise_streams(generator_of(rng))
    counts, done = np.empty(instant_count(sound.duration_s, chain.adc.rate_hz), dtype=np.uint16), 0
    for read in read_blocks(chain, sound, noise):
        counts[done : done + read.adc_counts.size] = read.adc_counts
        done += read.adc_counts.size
        if progress is not None:
            progress(done / counts.size)
    return counts


def light_as_worn(chain: Chain) -> Callable[[ArrayLike], tuple[FloatArray, FloatArray]]:
    """Return what turns an ADC's counts (readings,) into duty and lightness L* (frames,), by worn_light."""

    def light_of(counts: ArrayLike) -> tuple[FloatArray, FloatArray]:
        light = worn_light(chain, counts)
        return light.luminance * light.full_duty, light.lightness

    return light_of

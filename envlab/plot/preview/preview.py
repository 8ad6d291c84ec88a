"""A short video of the lights, with the sound, to send to those who will wear them."""

from __future__ import annotations

import itertools
import math
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from envlab.chain import Chain
from envlab.errors import EnvlabError, ParameterError, check_choice, check_range
from envlab.light.flashes.flash import FLASHES_ALLOWED_PER_S, FlashReport, find_flashes
from envlab.light.flashes.red_flash import count_red_flashes
from envlab.light.lightness import check_whole
from envlab.plot.preview.layout import LAYOUTS, MOST_DOTS, Layout
from envlab.plot.preview.scene import Picture, PreviewScene, caution_picture
from envlab.plot.preview.video_file import SOUND_RATE_HZ, check_path, write_video
from envlab.plot.strips import LANTERN
from envlab.plot.sweep.part_effects import PART_WORDS
from envlab.sound.clip import Clip
from envlab.sound.level import leq_db_spl
from envlab.sound.recording import Recording
from envlab.sound.stream import Sound, beginning
from envlab.study.exported.light import ExportedLight, worn_light
from envlab.study.exported.shown import adc_readings
from envlab.study.layouts.regions import RegionFlashes, region_words
from envlab.study.layouts.worn_pixels import WornPixels
from envlab.study.specification.parts_list import design_parts
from envlab.units import FloatArray

CAUTION_S = 6
_PEAK = 0.7
# The share of the time that the circuit takes; the rest is drawing and encoding.
_CIRCUIT_SHARE = 0.1


@dataclass(frozen=True, eq=False)
class Preview:
    """What render_preview has written.

    duration_s: of the whole file, s; opening_s of it are the still caution, 0 if none was needed.
    frames_per_s: of the video. flashes: of the seconds shown, at the chain's own frame rate. red_flashes: in
    their worst second.
    """

    path: Path
    duration_s: float
    opening_s: float
    frames_per_s: int
    flashes: FlashReport
    red_flashes: int


def render_preview(
    chain: Chain,
    recording: Recording | Clip,
    path: str | os.PathLike[str],
    *,
    accept_flashing: bool = False,
    longest_s: float = 30.0,
    layout: Layout = "line",
    frames_per_s: int | None = None,
    colour_linear: tuple[float, float, float] = LANTERN,
    progress: Callable[[float], None] | None = None,
) -> Preview:
    """Write a video with sound of a chain's lights on a recording; path ends in .mp4 or .webm.

    The drawn pixels have in each frame the sRGB code of the relative luminance that the exported firmware
    shows at that instant (study.exported.light.worn_light, without noise) times colour_linear, linear light,
    0 to 1 each; with a layout of light each pixel its own, over the brightest of full light. The sound's peak
    is scaled to 0.7 of full scale.

    Where the seconds shown have more than three flashes in any second ([WCAG2.2]; general flashes, or red
    ones, or of a run of pixels that are not all alike, as a screen is near by), EnvlabError is raised; with
    accept_flashing the video is made, and opens with CAUTION_S seconds of a still, silent caution. Passing
    the count is no medical clearance.

    Parameters
    ----------
    chain : Chain
        The board.
    recording : Recording or Clip
        What is played: a Recording, or a Clip.
    path : path
        The video, ends in .mp4 or .webm.
    accept_flashing : bool
        Make the video although it flashes; it then opens with a still caution.
    longest_s : float
        Only so much of the recording, from its start, 0.1 to 600 s.
    layout : Layout
        "line", or "shoulders" as worn.
    frames_per_s : int or None
        Of the video, 30 to 60; None: the highest that divides the chain's frame_rate_hz, or is a multiple of
        it.
    colour_linear : tuple
        Colour of full light, linear, 0 to 1 each.
    progress : callable or None
        Called with 0 to 1.

    Returns
    -------
    Preview

    Raises
    ------
    EnvlabError
        If the seconds shown flash, and that is not accepted.
    ParameterError
        For a name, a length or a colour that cannot be.
    FileError
        If the file cannot be written; it is written whole or not at all.

    References
    ----------
    [WCAG2.2] W3C, Web content accessibility guidelines (WCAG) 2.2, 2023, “general flash and red flash
        thresholds” and success criteria 1.4.11, 2.3.1.
    """
    target = Path(path)
    check_path(target)
    if not isinstance(chain, Chain):
        raise ParameterError("chain", chain, "a Chain; envlab.read_design reads one from a design file")
    check_range("longest_s", longest_s, 0.1, 600.0, unit="s")
    check_choice("layout", layout, LAYOUTS)
    if len(colour_linear) != 3:
        raise ParameterError("colour_linear", colour_linear, "three shares of red, green and blue")
    for place, share in zip(("red", "green", "blue"), colour_linear, strict=True):
        check_range(f"colour_linear, {place}", share, 0.0, 1.0)
    rate = _video_rate(chain.frame_rate_hz) if frames_per_s is None else frames_per_s
    check_whole("frames_per_s", rate, 30, 60)
    tell = progress or _nobody
    label, whole = _labelled(recording)
    shown = beginning(whole, longest_s)

    light = _light(chain, shown, lambda share: tell(_CIRCUIT_SHARE * share))
    luminance = light.luminance
    pixels = None if light.layout is None else WornPixels(chain, light.duty, light.stands)
    regions = None if pixels is None else pixels.region_flashes()
    flashes = find_flashes(luminance, chain.frame_rate_hz)
    red = count_red_flashes(luminance[:, None] * np.array(colour_linear), chain.frame_rate_hz)
    flashing = _flashing(flashes, red, regions)
    if flashing and not accept_flashing:
        raise EnvlabError(
            f"{label}: {flashing}; no video is made of it unless accept_flashing is True "
            f"(then it opens with a still caution)"
        )

    scene = PreviewScene(
        luminance,
        chain.frame_rate_hz,
        colour_linear,
        pixels=chain.pixels.count,
        layout=layout,
        heading=(label, _about(chain, layout)),
        lines=_lines(chain, flashing or _calm(flashes)),
        of_pixels=None if pixels is None else pixels.luminance(MOST_DOTS),
    )
    opening_s = CAUTION_S if flashing else 0
    frames = opening_s * rate + math.ceil(shown.duration_s * rate - 1e-9)
    pictures = _pictures(scene, rate, opening_s, frames, _caution_lines(flashing), tell)
    write_video(target, pictures, rate, _sound(shown, opening_s), title=f"{label}, preview of the lights")
    tell(1.0)
    return Preview(target, opening_s + shown.duration_s, float(opening_s), rate, flashes, red)


def _nobody(share: float) -> None:
    """Nobody wants to know how far it is."""
    del share


def _video_rate(frame_rate_hz: float) -> int:
    """Return the highest rate from 30 to 60 that shows every nth frame, or each frame n times; else 60."""
    rates = range(60, 29, -1)
    thinned = (rate for rate in rates if (frame_rate_hz / rate).is_integer())
    repeated = (rate for rate in rates if (rate / frame_rate_hz).is_integer())
    return next(itertools.chain(thinned, repeated, (60,)))


def _labelled(recording: Recording | Clip) -> tuple[str, Sound]:
    if isinstance(recording, Clip):
        return recording.label, recording.sound()
    if not isinstance(recording, Recording):
        raise ParameterError("recording", recording, "a Recording or a Clip")
    level = leq_db_spl(recording.pressure_pa, recording.sample_rate_hz)
    name = Path(recording.name).stem or "recording"
    return (f"{name} {level:.0f} dB" if math.isfinite(level) else f"{name}, silent"), recording


def _light(chain: Chain, recording: Recording, progress: Callable[[float], None]) -> ExportedLight:
    """Frames' light as it is worn, without noise."""
    return worn_light(chain, adc_readings(chain, recording, progress=progress))


def _flashing(flashes: FlashReport, red: int, regions: RegionFlashes | None) -> str:
    """What is over the limit, in words; "" if nothing is."""
    limit = f"the limit is {FLASHES_ALLOWED_PER_S}"
    if not flashes.passes:
        return f"{flashes.worst_per_s} flashes in the second from {flashes.worst_start_s:.1f} s on, {limit}"
    if red > FLASHES_ALLOWED_PER_S:
        return f"{red} red flashes in the worst second, {limit}"
    if regions is not None and regions.worst_per_s > FLASHES_ALLOWED_PER_S:
        return f"{regions.worst_per_s} flashes in the worst second of {region_words(regions)}, {limit}"
    return ""


def _calm(flashes: FlashReport) -> str:
    count = flashes.worst_per_s
    plural = "" if count == 1 else "es"
    return f"{count} flash{plural} in the worst second, at most {FLASHES_ALLOWED_PER_S} is the limit"


def _about(chain: Chain, layout: Layout) -> str:
    count = chain.pixels.count
    drawn = f"{MOST_DOTS} of {count}" if count > MOST_DOTS else f"{count}"
    how = "as worn" if layout == "shoulders" else "in one line"
    lit = "" if chain.layout.is_all_alike else f", {chain.layout.kind.replace('_', ' ')}"
    return f"{drawn} pixel{'s' * (count != 1)}, {how}{lit}"


def _lines(chain: Chain, flashing: str) -> tuple[str, ...]:
    parts = design_parts(chain)
    named = [f"{PART_WORDS[p.key].rpartition(',')[0]} {p.value_text}" for p in parts if p.key in PART_WORDS]
    others = [f"{part.reference} {part.value_text}" for part in parts if part.key not in PART_WORDS]
    asked = chain.brightness
    return (
        "   ".join(named),
        "   ".join(others),
        f"dark under {asked.floor_db_spl:g} dB SPL, full from {asked.ceiling_db_spl:g} dB SPL, "
        f"{chain.frame_rate_hz:g} frames a second; {flashing}",
    )


def _caution_lines(flashing: str) -> tuple[str, ...]:
    return (
        f"{flashing[:1].upper()}{flashing[1:]}.",
        "Flashing light can bring on seizures in photosensitive people, also in some who never had one.",
        "Stop the video now if that may be you, or somebody who looks on.",
    )


def _pictures(
    scene: PreviewScene,
    rate: int,
    opening_s: int,
    frames: int,
    caution: tuple[str, ...],
    tell: Callable[[float], None],
) -> Iterator[Picture]:
    still = opening_s * rate
    if still:
        picture = caution_picture("This video flashes", caution)
        yield from (picture for _ in range(still))
    for number in range(still, frames):
        tell(_CIRCUIT_SHARE + (1 - _CIRCUIT_SHARE) * number / frames)
        yield scene.draw((number - still) / rate)


def _sound(recording: Recording, opening_s: int) -> FloatArray:
    from scipy.signal import resample_poly

    ratio = Fraction(SOUND_RATE_HZ / recording.sample_rate_hz).limit_denominator(1000)
    samples = recording.pressure_pa
    if ratio != 1:
        samples = resample_poly(samples, ratio.numerator, ratio.denominator)
    peak = float(np.abs(samples).max())
    scaled = samples * (_PEAK / peak) if peak > 0 else samples
    return np.concatenate((np.zeros(opening_s * SOUND_RATE_HZ), scaled))

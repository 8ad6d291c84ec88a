"""What the widget says in sentences: flashes, and what neither a screen nor a loudspeaker can show."""

from __future__ import annotations

from typing import Any

from envlab.light.flashes.flash import FLASHES_ALLOWED_PER_S, FlashReport
from envlab.study.layouts.regions import RegionFlashes, region_words

NOTES = (
    "The dots have the light of the pixels, coded for the screen (linear light, then sRGB). Brightest on the "
    "screen is the brightest state under the supply's duty_limit, whatever your screen gives. So a layout of "
    "light is as bright here as all pixels alike, though on the yoke each of its lit pixels is brighter.",
    "A screen cannot show how bright a pixel is at night, its glare, its glow on cloth and snow, or PWM; it "
    "shows 60 or so pictures a second, whatever the frame rate.",
    "The level (dB SPL) is what the board hears. The loudspeaker plays each clip at its own full scale: set "
    "it low first, and raise it with care. Loud sound harms hearing.",
    "Flashing light can harm photosensitive people, here on the screen as well as in the street. Flashes "
    "are counted after WCAG 2.2; passing is no medical clearance. Follow local codes.",
    "The light is what the exported firmware shows on a board that has been on for a while: no mute and no "
    "fade-in here. Until the whole clip is computed after a move, what it learnt from the past is a guess.",
    "Noise of microphone, preamp and ADC is left out here, so that a turn shows the part and nothing else.",
)


def flash_told(
    report: FlashReport,
    judged_with: str,
    number: int,
    clip: int,
    passage_s: tuple[float, float] | None = None,
    regions: RegionFlashes | None = None,
) -> dict[str, Any]:
    """Return what the page must know of a light's flashes before it plays.

    judged_with: a sentence on what is in that light. passage_s: (from, to) of what is played again and again,
    if it is not the whole clip. regions: of pixels that are not all alike; near by a run of them flashes too.
    """
    worst, limit = report.worst_per_s, FLASHES_ALLOWED_PER_S
    of_region = 0 if regions is None else regions.worst_per_s
    over = max(worst, of_region) > limit
    what = "This light" if passage_s is None else "The marked passage, looped,"
    if regions is not None and of_region > max(worst, limit):
        sentence = (
            f"{what} flashes {of_region} times in one second in {region_words(regions)}, the whole {worst} "
            f"times; more than {limit} can harm photosensitive people."
        )
    elif over:
        sentence = (
            f"{what} flashes {worst} times in the second from {report.worst_start_s:.1f} s on; more than "
            f"{limit} can harm photosensitive people."
        )
    else:
        times = "1 flash" if worst == 1 else f"{worst} flashes"
        where = "" if passage_s is None else " of the marked passage, looped"
        sentence = f"At most {times} in any second{where}; the limit is {limit}."
    return {
        "known": True,
        "worst": max(worst, of_region),
        "limit": limit,
        "at_s": report.worst_start_s,
        "over": over,
        "sentence": f"{sentence} {judged_with}",
        "number": number,
        "clip": clip,
        "passage_s": None if passage_s is None else list(passage_s),
    }


def flash_unknown(number: int, clip: int, passage_s: tuple[float, float] | None = None) -> dict[str, Any]:
    """Return what the page must know while the whole clip is still being computed."""
    return {
        "known": False,
        "worst": 0,
        "limit": FLASHES_ALLOWED_PER_S,
        "at_s": 0.0,
        "over": False,
        "sentence": "Flashes are being counted.",
        "number": number,
        "clip": clip,
        "passage_s": None if passage_s is None else list(passage_s),
    }

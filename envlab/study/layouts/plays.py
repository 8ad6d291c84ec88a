"""Every layout that a board can show, ready to be played.

Where a kind has settings and the design is of another kind, its usual ones are taken, with the design's rest
light. Where the design states no weights, such as fall evenly from the middle to both ends stand in.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from envlab.chain import Chain
from envlab.digital.fixed_frame import FrameWords, full_code, most_word
from envlab.digital.pixel_layout import LayoutTable, pixel_codes, turned
from envlab.errors import ParameterError
from envlab.light.layout.layout import KINDS, Layout
from envlab.light.layout.table import layout_table
from envlab.light.pixels import idle_current_a
from envlab.study.layouts.play import PixelPlay
from envlab.units import IntArray

MOST_PLACES = 256


@dataclass(frozen=True, eq=False)
class LayoutPlays:
    """plays: layout by name → what shows it. not_shown: name → why this board cannot.

    made_up_weights: whether the weights are none of the design's.
    """

    plays: dict[str, PixelPlay]
    not_shown: dict[str, str]
    made_up_weights: bool


def plays_of(chain: Chain, own: Layout) -> LayoutPlays:
    """Return what shows each kind of layout on a board.

    own: the design's, played as it is; ParameterError where it asks for what the board cannot show.
    """
    frame, most = frame_words_of(chain), table_duty(chain)
    plays, not_shown = {}, {}
    for kind in KINDS:
        try:
            layout = own if own.kind == kind else usual_layout(kind, chain.pixels.count, own)
            plays[name_of(kind)] = play_of(layout, frame, chain.frame_rate_hz, most)
        except ParameterError as problem:
            if own.kind == kind and not own.is_all_alike:
                raise
            not_shown[name_of(kind)] = str(problem)
    return LayoutPlays(plays, not_shown, own.kind != "weights" and name_of("weights") in plays)


def name_of(kind: str) -> str:
    """As in "from middle"."""
    return kind.replace("_", " ")


def usual_layout(kind: str, pixels: int, beside: Layout) -> Layout:
    """Return a layout of a kind with its usual settings, and the rest light of another."""
    if kind == "all_alike":
        return Layout(kind)
    if kind == "weights":
        return Layout(kind, weights=falling_weights(pixels), rest_light=beside.rest_light)
    return Layout(kind, rest_light=beside.rest_light)


def falling_weights(pixels: int) -> tuple[float, ...]:
    """Return weights that fall evenly from the middle to both ends, the ends' above 0.

    >>> falling_weights(4)
    (0.5, 1.0, 1.0, 0.5)
    """
    half = math.ceil(pixels / 2)
    return tuple((min(place, pixels - 1 - place) + 1) / half for place in range(pixels))


def frame_words_of(chain: Chain) -> FrameWords:
    """Return the pixels, the depth of a whole dither pattern, and the most codes that the supply bears."""
    table, pixels = chain.brightness_table(), chain.pixels
    spare_a = chain.supply.limit_a - idle_current_a(pixels)
    full = full_code(table.bits)
    # 1e-9: a limit of exactly so many codes must not lose one of them to binary division.
    limit = math.floor(spare_a / pixels.channel_supply_a(chain.supply.volts) * full + 1e-9)
    channels = pixels.count * pixels.channels
    return FrameWords(
        pixels.count,
        pixels.channels,
        table.bits,
        min(limit, channels * full),
        0,
        math.ceil(chain.frame_rate_hz),
    )


def table_duty(chain: Chain) -> int:
    """Return the largest duty word that shows no more than the brightness table's brightest code."""
    table = chain.brightness_table()
    return most_word(table.brightest_code, table.bits)


def play_of(layout: Layout, frame: FrameWords, frame_rate_hz: float, largest_duty: int) -> PixelPlay:
    """Return what shows a layout. frame: pixels, depth and limit. largest_duty: word, 1 to 65535."""
    table = layout_table(layout, frame, brightest_duty=largest_duty, frame_rate_hz=frame_rate_hz)
    standing = replace(table, step=0)
    at_full = _shown(standing, np.array([largest_duty]), None)[0]
    if table.travels:
        places = np.linspace(0, frame.pixels - 1, min(frame.pixels, MOST_PLACES)).round().astype(np.int64)
        at_full = turned(np.repeat(at_full, places.size, axis=0), places)
    still = functools.partial(_shown, standing) if table.travels else None
    return PixelPlay(functools.partial(_shown, table), full_code(frame.bits), largest_duty, at_full, still)


def _shown(table: LayoutTable, duties: IntArray, state: Any) -> tuple[IntArray, Any]:
    return pixel_codes(table, duties, state)

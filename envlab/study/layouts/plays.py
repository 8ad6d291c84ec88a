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
from envlab.digital.fixed_frame import full_code, most_word
from envlab.digital.pixel_layout import LayoutState, LayoutTable, picture_places, pixel_codes, turned
from envlab.errors import ParameterError
from envlab.light.layout.board import board_layout_table
from envlab.light.layout.layout import KINDS, Layout
from envlab.light.pixels import frame_words
from envlab.light.table import duty_words
from envlab.study.exported.light import RUNNING_S
from envlab.study.layouts.play import PixelPlay
from envlab.units import IntArray

MOST_PLACES = 256


@dataclass(frozen=True, eq=False)
class LayoutPlays:
    """plays: layout by name → what shows it. boards: name → the board with it. not_shown: name → why not.

    made_up_weights: whether the weights are none of the design's.
    """

    plays: dict[str, PixelPlay]
    boards: dict[str, Chain]
    not_shown: dict[str, str]
    made_up_weights: bool


def plays_of(chain: Chain) -> LayoutPlays:
    """Return what shows each kind of layout on a board, its own as it is."""
    own, plays, boards, not_shown = chain.layout, {}, {}, {}
    for kind in KINDS:
        name = name_of(kind)
        try:
            layout = own if own.kind == kind else usual_layout(kind, chain.pixels.count, own)
            boards[name] = replace(chain, layout=layout)
            plays[name] = play_of(boards[name])
        except ParameterError as problem:
            boards.pop(name, None)
            not_shown[name] = str(problem)
    return LayoutPlays(plays, boards, not_shown, own.kind != "weights" and name_of("weights") in plays)


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
    """Return weights (pixels,), shares of the heaviest: from 1 in the middle evenly down to both ends.

    >>> falling_weights(4)
    (0.5, 1.0, 1.0, 0.5)
    """
    half = math.ceil(pixels / 2)
    return tuple((min(place, pixels - 1 - place) + 1) / half for place in range(pixels))


def seen_bits(chain: Chain) -> int:
    """Return the depth that pixels are seen to have: their own, and what a whole dither pattern adds."""
    return chain.pixel_bits + chain.dither_bits


def limit_codes(chain: Chain) -> int:
    """Return the largest sum of all codes of a frame that the supply bears, in codes of seen_bits."""
    return frame_words(chain.pixels, chain.supply, bits=seen_bits(chain)).limit


def largest_duty(chain: Chain) -> int:
    """Return the duty word of the brightest state that a board's costume can show.

    That of the brightness table's brightest entry; where it goes up to full, and all pixels are alike, the
    most that the limiter over the frame leaves as it is.
    """
    held = chain.current_limit == "table"
    bits, dither_bits = chain.pixel_bits, chain.dither_bits
    words = duty_words(
        np.array([1.0]),
        duty_limit=chain.duty_limit if held else 1.0,
        pixel_bits=bits,
        dither_bits=dither_bits,
    )
    if held or not chain.layout.is_all_alike:
        return int(words[0])
    limit = frame_words(chain.pixels, chain.supply, bits=bits).limit
    code = limit // (chain.pixels.count * chain.pixels.channels)
    return min(int(words[0]), most_word(code, bits, dither_bits))


def play_of(chain: Chain) -> PixelPlay:
    """Return what shows a board's layout; ParameterError for pixels that no layout can light."""
    table, most, bits = board_layout_table(chain), largest_duty(chain), seen_bits(chain)
    if chain.layout.is_all_alike:
        # Of a dither pattern the whole is seen, rounded once more; not up and past what the supply bears.
        most = min(most, most_word(limit_codes(chain) // (chain.pixels.count * chain.pixels.channels), bits))
    standing = replace(table, step=0)
    at_full = _shown(standing, most, bits, np.array([most]), None)[0]
    if not table.travels:
        return PixelPlay(functools.partial(_shown, table, most, bits), full_code(bits), most, at_full)
    places = np.linspace(0, table.pixels - 1, min(table.pixels, MOST_PLACES)).round().astype(np.int64)
    return PixelPlay(
        functools.partial(_shown, table, most, bits),
        full_code(bits),
        most,
        turned(np.repeat(at_full, places.size, axis=0), places),
        functools.partial(_shown, standing, most, bits),
        _begun(table, round(RUNNING_S * chain.frame_rate_hz)),
    )


def _begun(table: LayoutTable, frames: int) -> LayoutState:
    """Where a picture stands that has travelled for so many frames."""
    return picture_places(table, frames)[1]


def _shown(table: LayoutTable, most: int, bits: int, duties: IntArray, state: Any) -> tuple[IntArray, Any]:
    return pixel_codes(table, np.minimum(duties, most), state, bits=bits)

"""The layout of light on a board: what its supply and its brightness table leave to be shared out."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from envlab.digital.fixed_frame import LEAST_BITS
from envlab.digital.pixel_layout import LayoutTable
from envlab.errors import ParameterError
from envlab.light.layout.layout import Layout
from envlab.light.layout.table import layout_table
from envlab.light.pixels import Pixels, Supply, frame_words
from envlab.light.table import duty_words


class LitBoard(Protocol):
    """What a layout asks of a board; envlab.Chain is one."""

    @property
    def layout(self) -> Layout:
        """Which pixels light."""

    @property
    def pixels(self) -> Pixels:
        """What shines."""

    @property
    def supply(self) -> Supply:
        """The converter that feeds them."""

    @property
    def duty_limit(self) -> float:
        """Largest duty that all pixels may have at once, 0 to 1."""

    @property
    def current_limit(self) -> str:
        """Whether the brightness table keeps to it ("table") or goes up to full ("frame")."""

    @property
    def pixel_bits(self) -> int:
        """Depth of a code."""

    @property
    def dither_bits(self) -> int:
        """What dithering adds to it."""

    @property
    def frame_rate_hz(self) -> float:
        """Frames a second, Hz."""


def check_layout(board: LitBoard) -> None:
    """Raise ParameterError for a layout that a board's pixels or supply cannot show."""
    if not board.layout.is_all_alike:
        board_layout_table(board)


def board_layout_table(board: LitBoard) -> LayoutTable:
    """Return the table of a board's layout on its pixels and supply, as the firmware has it.

    Raises ParameterError for a layout that these pixels or this supply cannot show.

    >>> import envlab
    >>> board_layout_table(envlab.Chain(layout=Layout("from_end"))).ranks
    8
    """
    bits, dither_bits = board.pixel_bits, board.dither_bits
    if bits < LEAST_BITS:
        raise ParameterError("pixel_bits", bits, f"at least {LEAST_BITS} with a layout of light")
    frame = frame_words(board.pixels, board.supply, bits=bits, dither_bits=dither_bits)
    duty_limit = board.duty_limit if board.current_limit == "table" else 1.0
    full = duty_words(np.array([1.0]), duty_limit=duty_limit, pixel_bits=bits, dither_bits=dither_bits)
    return layout_table(board.layout, frame, brightest_duty=int(full[0]), frame_rate_hz=board.frame_rate_hz)

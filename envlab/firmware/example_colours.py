"""The colours that the example lantern shows, out of its C file: what the flash guard must allow for."""

from __future__ import annotations

import re
from functools import cache

import numpy as np

from envlab.firmware.marks import EXAMPLE_FOLDER
from envlab.units import IntArray


def lantern_colours(channels: int) -> IntArray:
    """Return the colour words (rows, channels) of lantern.c for pixels of so many channels, 65535 is full.

    >>> lantern_colours(3)[0].tolist()
    [65535, 38000, 14000]
    """
    return np.array(_rows(channels), np.int64)


@cache
def _rows(channels: int) -> tuple[tuple[int, ...], ...]:
    text = (EXAMPLE_FOLDER / "lantern.c").read_text("ascii")
    block = re.search(rf"ENVLAB_FRAME_CHANNELS == {channels}\n.*?\{{(.*?)\}};", text, re.DOTALL)
    if block is None:
        return ((0xFFFF,) * channels,)
    words = [int(word) for word in re.findall(r"\d+(?=u)", block[1])]
    return tuple(tuple(words[first : first + channels]) for first in range(0, len(words), channels))

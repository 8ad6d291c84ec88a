"""What the golden vectors of envlab_boot.c must come to: the same readings through the Python twin."""

from __future__ import annotations

import zlib

import numpy as np

from envlab.digital import fixed_kernels as kernels
from envlab.digital.fixed_frame import FrameWords, frame_codes, nearest_threshold, scale_words
from envlab.digital.fixed_point import follow_moving, run_twin
from envlab.digital.fixed_words import FixedWords
from envlab.digital.guard.flash_guard import run_guard
from envlab.digital.guard.guard_words import GuardWords
from envlab.digital.pixel_layout import LayoutTable, rank_duties
from envlab.units import IntArray

READINGS = 48


def golden_crc32(
    words: FixedWords,
    codes: IntArray,
    frame: FrameWords,
    guard: GuardWords | None = None,
    layout: LayoutTable | None = None,
) -> int:
    """Return the CRC-32 ([IEEE802.3]) of what the golden vectors give with a design's numbers.

    words, codes: of the runtime. frame: of the frame part. guard: of the flash guard, None without one.
    layout: which pixels light, None where all are alike. What envlab_boot.c does on the target, bit for bit:
    each of the 48 readings passes follower and brightness; beside them the table is read at a place, the
    moving mean or maximum is taken of the envelopes, and the guard is shown a light that flashes. Then each
    place of the layout is asked for its share of a duty, and one frame of all channels, each at a duty of its
    own, is limited and made into codes.
    """
    places = 0 if layout is None else frame.pixels
    every = np.array(_words_drawn(READINGS + places + frame.pixels * frame.channels), np.int64)
    drawn, shared, duties = np.split(every, (READINGS, READINGS + places))
    n = np.arange(READINGS)
    # What is due once in many readings is due in a few.
    summed = words.zero_start >> (16 - words.zero_block_bits) << 16
    soon = kernels.start(words)._replace(
        mute=0, zero_left=16, zero_low=255, zero_sum=summed, countdown=3, judge_left=1
    )
    trace = run_twin(words, codes, np.where(n & 3 == 0, drawn, drawn >> (n & 15)), state=soon)
    positions = [
        kernels.scale(word, words.range_level) if words.level_index else word for word in drawn.tolist()
    ]
    columns: list[IntArray] = [
        trace.envelope,
        trace.duty,
        np.array([kernels.between(codes, position) for position in positions]),
    ]
    columns.append(scale_words(drawn, 0xFFFF - n))
    if words.moving_readings > 1:
        columns.append(follow_moving(words, trace.envelope))
    if guard is not None:
        columns.append(run_guard(guard, np.where(n & 2 == 0, drawn, 0))[0])
    results = np.stack(columns, axis=1).ravel()
    shares = results[:0] if layout is None else _shares(layout, shared)
    shown = frame_codes(frame, duties, nearest_threshold(frame.bits))
    return zlib.crc32(np.concatenate((results, shares, shown)).astype("<u2").tobytes())


def _shares(layout: LayoutTable, words: IntArray) -> IntArray:
    """Return what each place has of a duty of its own and of the largest, and how far a picture has come."""
    place, rank = np.arange(layout.pixels), np.array(layout.rank_of_pixel)
    tops = rank_duties(layout, np.array([0xFFFF]))[0, rank]
    duties: IntArray = rank_duties(layout, words >> (place & 3))[place, rank]
    if not layout.travels:
        return np.stack((duties, tops), axis=1).ravel()
    moved = layout.step * (place + 1)
    stands = (moved >> 16) % layout.pixels ^ moved & 0xFFFF
    return np.stack((duties, tops, stands), axis=1).ravel()


def _words_drawn(count: int) -> list[int]:
    """Return the words of a shift register of 16 bit that passes through every word but 0."""
    word, drawn = 1, []
    for _ in range(count):
        word ^= word << 7 & 0xFFFF
        word ^= word >> 9
        word ^= word << 8 & 0xFFFF
        drawn.append(word)
    return drawn

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
from envlab.units import IntArray

READINGS = 48


def golden_crc32(
    words: FixedWords, codes: IntArray, frame: FrameWords, guard: GuardWords | None = None
) -> int:
    """Return the CRC-32 ([IEEE802.3]) of what the golden vectors give with a design's numbers.

    words, codes: of the runtime. frame: of the frame part. guard: of the flash guard, None without one. What
    envlab_boot.c does on the target, bit for bit: each of the 48 readings passes follower and brightness;
    beside them the table is read at a place, the moving mean or maximum is taken of the envelopes, and the
    guard is shown a light that flashes. Then one frame of
    all channels, each at a duty of its own, is limited and made into codes.
    """
    channels = frame.pixels * frame.channels
    every = np.array(_words_drawn(READINGS + channels), np.int64)
    drawn, duties = every[:READINGS], every[READINGS:]
    n = np.arange(READINGS)
    # What is due once in many readings is due in a few.
    summed = words.zero_start >> (16 - words.zero_block_bits) << 16
    soon = kernels.start(words)._replace(
        mute=0, zero_left=16, zero_low=255, zero_sum=summed, countdown=3, judge_left=1
    )
    trace = run_twin(words, codes, np.where(n & 3 == 0, drawn, drawn >> (n & 15)), state=soon)
    places = [
        kernels.scale(word, words.range_level) if words.level_index else word for word in drawn.tolist()
    ]
    columns: list[IntArray] = [
        trace.envelope,
        trace.duty,
        np.array([kernels.between(codes, place) for place in places]),
    ]
    columns.append(scale_words(drawn, 0xFFFF - n))
    if words.moving_readings > 1:
        columns.append(follow_moving(words, trace.envelope))
    if guard is not None:
        columns.append(run_guard(guard, np.where(n & 2 == 0, drawn, 0))[0])
    results = np.stack(columns, axis=1)
    shown = frame_codes(frame, duties, nearest_threshold(frame.bits))
    return zlib.crc32(np.append(results.ravel(), shown).astype("<u2").tobytes())


def _words_drawn(count: int) -> list[int]:
    """Return the words of a shift register of 16 bit that passes through every word but 0."""
    word, drawn = 1, []
    for _ in range(count):
        word ^= word << 7 & 0xFFFF
        word ^= word >> 9
        word ^= word << 8 & 0xFFFF
        drawn.append(word)
    return drawn

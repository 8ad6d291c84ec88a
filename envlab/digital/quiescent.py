"""How the firmware finds the reading at silence, stays dark until it has, and what that costs in decibels.

The quiescent level (the "zero" of the runtime) is learnt from blocks of a quarter to half a second. At start
the first still blocks set it. From then on it is a slow minimum of the blocks' means: a lower mean draws it
down by a quarter of the way, a higher one lets it creep up. A mean over hundreds of readings stands in
fractions of an LSB, and the quarter keeps the minimum of many of them from falling under what they scatter
about. The creep is slow and bounded, since a steady sound and a drifting amplifier look the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from envlab.errors import check_positive, check_range

LEAST_BLOCK_S = 0.25
SIGMAS = 4.0
STILL_LSB = 2.0
FALL_LSB_S = 1.0
MARGIN_LSB = 1.0
ZERO_FRACTION = 256
CLOCK_TOLERANCE = 1.03
LEARNING_BLOCKS = 3


@dataclass(frozen=True)
class LearntQuiescent:
    """How far and how fast the learnt quiescent level may leave the design's.

    offset_lsb: how far off the design it may stand at start, either way, LSB, 0 to 100; later it rises by as
    much at most above the lowest that it has been. 0: it is not learnt. rise_lsb_min: fastest rise, LSB a
    minute, 0.1 to 60. A steady sound is taken for a drift at this speed; drone_loss_db says what that costs.
    """

    offset_lsb: float = 10.0
    rise_lsb_min: float = 1.0

    def __post_init__(self) -> None:
        check_range("offset_lsb", self.offset_lsb, 0.0, 100.0, unit="LSB")
        check_range("rise_lsb_min", self.rise_lsb_min, 0.1, 60.0, unit="LSB/min")

    def least_counts(self, noise_lsb: float) -> float:
        """Return the reading, counts, above which the quiescent level must stand for nothing to be lost.

        noise_lsb: standard deviation of a reading, LSB. It is offset_lsb and four standard deviations above
        the bottom code: below that an offset downwards is cut off by the converter and cannot be learnt.
        """
        check_range("noise_lsb", noise_lsb, 0.0, unit="LSB")
        return self.offset_lsb + SIGMAS * noise_lsb


@dataclass(frozen=True)
class StartUp:
    """Dark, then a fade-in, after every start.

    So a processor that starts anew over and over is dark for most of the time, or always. A reset itself is a
    change to dark, which no firmware can prevent: amid music that flashes three times a second and is just
    about to flash again, it may complete a fourth flash, once.
    mute_s: shortest time without any light, s, 1 to 10: long enough that two starts and a flash of the music
    never share a second. It becomes longer where the quiescent level needs longer to be learnt. fade_s: time
    from dark to full light, s, 0.1 to 10.
    """

    mute_s: float = 2.1
    fade_s: float = 1.0

    def __post_init__(self) -> None:
        check_range("mute_s", self.mute_s, 1.0, 10.0, unit="s")
        check_range("fade_s", self.fade_s, 0.1, 10.0, unit="s")

    def frames(self, frame_rate_hz: float, block_s: float) -> int:
        """Return the dark frames: mute_s with a frame clock that is 3 % fast, and three blocks at least."""
        check_positive("frame_rate_hz", frame_rate_hz, unit="Hz")
        longest_s = max(self.mute_s, (LEARNING_BLOCKS + 0.5) * block_s)
        return math.ceil(longest_s * frame_rate_hz * CLOCK_TOLERANCE)


def block_bits(rate_hz: float) -> int:
    """Return how many readings a block has, as a power of two: 0.25 to 0.5 s of them, 16 to 32768.

    rate_hz: ADC rate, above 0 Hz.
    """
    check_positive("rate_hz", rate_hz, unit="Hz")
    return min(max(math.ceil(math.log2(LEAST_BLOCK_S * rate_hz)), 4), 15)


@dataclass(frozen=True)
class ZeroWords:
    """A LearntQuiescent in the runtime's whole numbers: words of a reading; rise and fall in 1/256 of one."""

    start: int
    least: int
    most: int
    reach: int
    still: int
    rise: int
    fall: int
    block_bits: int


def zero_words(
    learnt: LearntQuiescent, quiescent_counts: int, *, adc_bits: int, rate_hz: float, noise_lsb: float
) -> ZeroWords:
    """Return the words for a design whose readings at silence are quiescent_counts, counts.

    A start is learnt up to one LSB beyond offset_lsb, so that noise does not hide an offset of just as much.
    A block is still if no reading stands more than 2 LSB and four standard deviations above its mean.
    """
    check_range("noise_lsb", noise_lsb, 0.0, unit="LSB")
    per_count = 1 << (16 - adc_bits)
    start, bits = quiescent_counts * per_count, block_bits(rate_hz)
    if learnt.offset_lsb == 0:
        return ZeroWords(start, start, start, 0, 0, 0, 0, bits)
    block_s, reach = (1 << bits) / rate_hz, round(learnt.offset_lsb * per_count)
    beyond = reach + round(MARGIN_LSB * per_count)

    def for_a_block(lsb_s: float) -> int:
        return min(math.floor(lsb_s * per_count * ZERO_FRACTION * block_s), 0xFF00)

    rise = for_a_block(learnt.rise_lsb_min / 60)
    # The last rise may begin just under the limit: together they stay within offset_lsb.
    within = max(reach - math.ceil(rise / ZERO_FRACTION), 0)
    return ZeroWords(
        start=start,
        least=max(start - beyond, 0),
        most=max(min(start + beyond, 0xFFFE - within - (rise >> 8)), start),
        reach=within,
        still=min(round((STILL_LSB + SIGMAS * noise_lsb) * per_count), 0xFFFF),
        rise=rise,
        fall=for_a_block(FALL_LSB_S),
        block_bits=bits,
    )


def loss_db(floor_counts: float, lost_counts: float) -> float:
    """Return how many dB more sound the floor needs when lost_counts of its floor_counts are taken away.

    The envelope at the floor is floor_counts; infinite where all of it is lost.
    """
    check_positive("floor_counts", floor_counts, unit="counts")
    check_range("lost_counts", lost_counts, 0.0, unit="counts")
    left = floor_counts - lost_counts
    return 20.0 * math.log10(floor_counts / left) if left > 0 else math.inf


def drone_loss_db(floor_counts: float, learnt: LearntQuiescent, *, minutes: float = 10.0) -> float:
    """Return what a steady sound loses at the floor in so many minutes, dB: it is taken for a drift.

    Half a minute of quiet undoes it. floor_counts: envelope at the floor, counts.

    Examples
    --------
    >>> round(drone_loss_db(30.0, LearntQuiescent()), 1)
    3.5
    """
    check_range("minutes", minutes, 0.0, unit="min")
    return loss_db(floor_counts, min(minutes * learnt.rise_lsb_min, learnt.offset_lsb))


def bottom_loss_db(
    floor_counts: float, quiescent_counts: float, learnt: LearntQuiescent, *, noise_lsb: float
) -> float:
    """Return what the worst offset downwards costs at the floor, dB, near the converter's bottom code.

    0 where quiescent_counts is at least learnt.least_counts(noise_lsb). Below it, the offset pushes what is
    missing under the bottom code, where no reading tells of it.

    Examples
    --------
    >>> round(bottom_loss_db(30.0, 5.0, LearntQuiescent(), noise_lsb=0.25), 1)
    1.9
    """
    check_range("quiescent_counts", quiescent_counts, 0.0, unit="counts")
    missing = learnt.least_counts(noise_lsb) - quiescent_counts
    return loss_db(floor_counts, max(missing, 0.0))

"""A trim for each of many boards: two words that make its readings those of the design.

Counts at silence give the rest word, counts at one level or two the gain word. The firmware begins with the
rest as its zero and multiplies every envelope by the gain, so that one table fits every board.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from envlab.chain import CALIBRATION_HZ, Chain
from envlab.digital.quiescent import SIGMAS
from envlab.errors import EnvlabError, FileError, ParameterError, check_range
from envlab.files.whole import read_whole
from envlab.units import IntArray, db, level_db_spl

# The gain word is unsigned Q2.14: 16384 is 1.
GAIN_BITS = 14
LEAST_GAIN, MOST_GAIN = 0.25, 3.99
# So many counts above silence are read to 2 % where each mean is right to a fifth of a count.
LEAST_COUNTS = 15.0
# What two levels may disagree before the board is no straight line; common practice, no source.
STRAIGHT_DB = 1.0
_HEADING = re.compile(r"counts_at_([0-9.]+(?:e-?[0-9]+)?)_(db_spl|v)")
_SERIAL = re.compile(r"[0-9A-Za-z_-]{1,24}")
MOST_BOARDS = 10_000


@dataclass(frozen=True)
class BoardReadings:
    """What was read of one board: means over some seconds, counts.

    Parameters
    ----------
    serial : str
        1 to 24 letters, digits, "-" or "_".
    silence_counts : float
        With nothing to hear, 0 or more.
    level_counts : mapping
        Level of a 1 kHz tone, dB SPL → counts.
    """

    serial: str
    silence_counts: float
    level_counts: Mapping[float, float]

    def __post_init__(self) -> None:
        if not _SERIAL.fullmatch(self.serial):
            raise ParameterError("serial", self.serial, '1 to 24 letters, digits, "-" or "_"')
        check_range("silence_counts", self.silence_counts, 0, 65_535, unit="counts")
        if not 1 <= len(self.level_counts) <= 2:
            raise ParameterError("level_counts", len(self.level_counts), "one level or two")
        for level, counts in self.level_counts.items():
            check_range("level", level, 20, 160, unit="dB SPL")
            check_range("level_counts", counts, 0, 65_535, unit="counts")


@dataclass(frozen=True)
class BoardTrim:
    """What one board needs.

    rest_counts, gain: of its readings, counts and a factor on the envelope. rest_word: Q0.16 of full scale.
    gain_word: unsigned Q2.14. left_db: what each level is still off behind the trim, dB, in the order of
    levels. problem: why there is no trim, or what is odd about the board; empty if nothing is.
    """

    serial: str
    rest_counts: float
    gain: float
    rest_word: int
    gain_word: int
    left_db: tuple[float, ...]
    problem: str = ""
    is_usable: bool = True


def trim_of(chain: Chain, readings: BoardReadings) -> BoardTrim:
    """Return the trim of one board.

    With two levels the gain is that which leaves both the same number of dB off; a board that is then more
    than 1 dB off is told, as its circuit is no straight line.

    Parameters
    ----------
    chain : Chain
        The design that the board is to read like.
    readings : BoardReadings
        What was read of it.

    Returns
    -------
    BoardTrim

    Raises
    ------
    ParameterError
        For a level at which the design itself reads too little, or is clipped.

    Examples
    --------
    >>> import envlab
    >>> from envlab.bench.boards.trim import BoardReadings, trim_of
    >>> chain = envlab.Chain()
    >>> found = trim_of(chain, BoardReadings("0007", 6.0, {92.0: 6.0 + 0.8 * chain.counts_at(92.0)}))
    >>> round(found.gain, 3), found.rest_word
    (1.25, 384)
    """
    adc = chain.adc
    room = adc.top_code - chain.quiescent_counts
    ratios, problems = [], []
    for level, counts in sorted(readings.level_counts.items()):
        designed = chain.counts_at(level)
        _check_level(level, designed, room)
        above = counts - readings.silence_counts
        if counts >= adc.top_code - 1:
            problems.append(f"the converter is at its top at {level:g} dB SPL")
        elif above < LEAST_COUNTS:
            problems.append(
                f"{above:.1f} counts above silence at {level:g} dB SPL, at least {LEAST_COUNTS:g} wanted"
            )
        else:
            ratios.append(math.log(designed / above))
    if problems:
        return _no_trim(readings, "; ".join(problems))
    gain = math.exp(sum(ratios) / len(ratios))
    if not LEAST_GAIN <= gain <= MOST_GAIN:
        return _no_trim(readings, f"its gain is {-db(gain):+.1f} dB off, which is a fault and no tolerance")
    left = tuple(float(db(gain) - db(math.exp(one))) for one in ratios)
    problem = ""
    if len(left) == 2 and max(map(abs, left)) > STRAIGHT_DB:
        problem = f"{left[0]:+.1f} dB at one level and {left[1]:+.1f} dB at the other: a dead zone or a clip"
    elif readings.silence_counts < SIGMAS * adc.noise_lsb:
        problem = "its rest may lie below the converter's 0, where it cannot be read"
    return BoardTrim(
        readings.serial,
        readings.silence_counts,
        gain,
        min(round(readings.silence_counts * 2 ** (16 - adc.bits)), 0xFFFF),
        round(gain * 2**GAIN_BITS),
        left,
        problem,
    )


def _check_level(level: float, designed: float, room: float) -> None:
    if designed < LEAST_COUNTS:
        raise ParameterError(
            "level", level, f"so loud that the design reads {LEAST_COUNTS:g} counts above silence; it reads "
            f"{designed:.1f}",
        )  # fmt: skip
    if designed > 0.95 * room:
        raise ParameterError("level", level, "so soft that the design's converter is not near its top")


def _no_trim(readings: BoardReadings, problem: str) -> BoardTrim:
    return BoardTrim(
        readings.serial, readings.silence_counts, 1.0, 0, 2**GAIN_BITS, (), problem, is_usable=False
    )


def trimmed_words(envelope_words: IntArray, trim: BoardTrim) -> IntArray:
    """Return what the firmware makes of envelope words, shape as given: times the gain, rounded half up."""
    product = np.asarray(envelope_words, dtype=np.int64) * trim.gain_word + 2 ** (GAIN_BITS - 1)
    return np.asarray(np.minimum(product >> GAIN_BITS, 0xFFFF))


def level_by_wire(chain: Chain, input_rms_v: float) -> float:
    """Return the level, dB SPL, at which the design's microphone gives as much as a wire, V rms at 1 kHz."""
    check_range("input_rms_v", input_rms_v, 1e-6, 10, unit="V")
    return level_db_spl(input_rms_v / abs(chain.microphone_as_loaded.response(CALIBRATION_HZ)))


def read_boards(path: str | Path, chain: Chain) -> list[BoardReadings]:
    """Return what was read of many boards.

    Parameters
    ----------
    path : path
        A CSV with the columns serial, silence_counts and one or two like counts_at_92_db_spl (a tone of 1 kHz
        at the microphone) or counts_at_0.005_v (by wire, V rms at the input capacitor).
    chain : Chain
        The design.

    Returns
    -------
    list of BoardReadings

    Raises
    ------
    FileError
        One line, for a file that is not so.
    """
    file = Path(path)
    try:
        rows = [line.split(",") for line in read_whole(file).decode("utf-8-sig").splitlines() if line.strip()]
    except UnicodeDecodeError:
        raise FileError(f"{file}: is no text in UTF-8") from None
    if len(rows) < 2:
        raise FileError(f"{file}: holds no board; a line of headings and one a board are wanted")
    if len(rows) > MOST_BOARDS + 1:
        raise FileError(f"{file}: holds {len(rows) - 1} boards, {MOST_BOARDS} at most are wanted")
    levels = _levels(file, chain, [one.strip() for one in rows[0]])
    found = [_board(file, number, row, levels) for number, row in enumerate(rows[1:], start=2)]
    serials = [one.serial for one in found]
    for serial in serials:
        if serials.count(serial) > 1:
            raise FileError(f"{file}: serial {serial} stands there {serials.count(serial)} times")
    return found


def _levels(file: Path, chain: Chain, headings: Sequence[str]) -> list[float]:
    wanted = "serial, silence_counts, and one or two like counts_at_92_db_spl or counts_at_0.005_v"
    asked = [_HEADING.fullmatch(one) for one in headings[2:]]
    if list(headings[:2]) != ["serial", "silence_counts"] or not 1 <= len(asked) <= 2 or not all(asked):
        raise FileError(f"{file}: has the columns {', '.join(headings)}; wanted are {wanted}")
    levels = []
    for one in asked:
        assert one is not None
        number = float(one[1])
        levels.append(number if one[2] == "db_spl" else level_by_wire(chain, number))
    return levels


def _board(file: Path, number: int, row: Sequence[str], levels: Sequence[float]) -> BoardReadings:
    try:
        serial, *cells = (cell.strip() for cell in row)
        silence, *counts = (float(cell) for cell in cells)
        return BoardReadings(serial, silence, dict(zip(levels, counts, strict=True)))
    except EnvlabError as problem:
        raise FileError(f"{file}: line {number}: {problem}") from None
    except ValueError:
        raise FileError(
            f"{file}: line {number} must have a serial and {len(levels) + 1} numbers with decimal points"
        ) from None

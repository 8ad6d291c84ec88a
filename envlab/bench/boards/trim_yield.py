"""What a trim buys: how many of the boards meet every target without it, and with it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from envlab.bench.boards.trim import BoardReadings, BoardTrim, trim_of
from envlab.bench.fit.converter import mean_reading
from envlab.chain import Chain
from envlab.errors import EnvlabError, ParameterError
from envlab.metrics.catalogue import FLASH_METRIC
from envlab.study.specification.heard_sounds import sounds_of
from envlab.study.specification.specification import Specification
from envlab.study.specification.targets import Target
from envlab.study.tolerance.board_metrics import BoardJudge
from envlab.study.tolerance.tables import meets
from envlab.units import db

if TYPE_CHECKING:
    import pandas as pd

# As far off as a converter may be, Adc.offset_lsb.
MOST_OFFSET_LSB = 100.0


class NotFollowedError(EnvlabError):
    """A board whose rest lies farther off than a converter of the model may."""


@dataclass(frozen=True, eq=False)
class TrimYield:
    """boards: how many were judged, those without a trim as failing after it. before, after: share of them
    that meets every target, 0 to 1. targets: one row a target with the shares that meet it. not_judged: how
    many more cannot be simulated, see NotFollowedError."""

    boards: int
    before: float
    after: float
    targets: pd.DataFrame
    not_judged: int = 0

    @property
    def words(self) -> str:
        """In one sentence."""
        said = (
            f"Of {self.boards} boards {100 * self.before:.0f} % meet every target as they are, "
            f"{100 * self.after:.0f} % trimmed."
        )
        if self.not_judged:
            said += (
                f" Not judged: {self.not_judged} more, as their rest lies over {MOST_OFFSET_LSB:g} counts "
                "off, as read or behind the trim's factor; their trims hold all the same."
            )
        return said


def board_read(chain: Chain, trim: BoardTrim) -> Chain:
    """Return a board as its readings show it: gain and rest its own, the rest of it as designed.

    Raises
    ------
    NotFollowedError
        If its rest lies more than 100 counts off the design's.
    """
    heard = chain.microphone
    off_db = -db(trim.gain)
    louder = replace(heard, sensitivity_dbv_pa=heard.sensitivity_dbv_pa + off_db)
    board = replace(chain, microphone=louder)
    # A mean reading lies half a count under what is read.
    offset_lsb = trim.rest_counts - (board.adc_as_built.line_lsb(board.quiescent_v) - 0.5)
    return replace(board, adc=replace(board.adc, offset_lsb=_followed(offset_lsb, trim)))


def board_trimmed(chain: Chain, board: Chain, trim: BoardTrim) -> Chain:
    """Return a board as the design's firmware sees it behind its trim.

    The firmware's factor on the envelope stands in the converter's reference, the rest in its offset: the
    same numbers but for where a reading is rounded.

    Parameters
    ----------
    chain : Chain
        The design.
    board : Chain
        As it is.
    trim : BoardTrim
        Its trim.

    Raises
    ------
    NotFollowedError
        If it then rests more than 100 counts off: from a rest in the converter's middle a factor moves the
        rest as well.
    """
    adc = board.adc
    rest_lsb = chain.quiescent_counts + trim.gain * (adc.offset_lsb - 0.5 - trim.rest_counts) + 0.5
    seen = replace(adc, reference_v=adc.reference_v / trim.gain, offset_lsb=_followed(rest_lsb, trim))
    return replace(board, adc=seen)


def _followed(offset_lsb: float, trim: BoardTrim) -> float:
    if abs(offset_lsb) > MOST_OFFSET_LSB:
        raise NotFollowedError(
            f"board {trim.serial}: cannot be simulated, its rest would lie {offset_lsb:.0f} counts off; at "
            f"most {MOST_OFFSET_LSB:g} can be followed. Its trim holds all the same"
        )
    return offset_lsb


def readings_of_board(board: Chain, serial: str, levels_db_spl: Sequence[float]) -> BoardReadings:
    """Return what a board of the computer reads: means over its noise, counts.

    Parameters
    ----------
    board : Chain
        The board.
    serial : str
        What to call it.
    levels_db_spl : sequence of float
        One level or two, dB SPL.

    Returns
    -------
    BoardReadings
    """
    adc = board.adc_as_built
    rest = adc.line_lsb(board.quiescent_v) + adc.offset_lsb
    levels = np.array([rest, *(rest + board.counts_at(level) for level in levels_db_spl)])
    silence, *counts = mean_reading(levels, adc.noise_lsb, adc.top_code)[0].tolist()
    return BoardReadings(serial, silence, dict(zip(levels_db_spl, counts, strict=True)))


def trim_yield(
    specification: Specification, boards: Sequence[Chain], levels_db_spl: Sequence[float]
) -> TrimYield:
    """Return what trimming boards at one level or two buys.

    Parameters
    ----------
    specification : Specification
        The design, its clips and targets.
    boards : sequence of Chain
        Boards as they are, at least one.
    levels_db_spl : sequence of float
        At which each is read, dB SPL.

    Returns
    -------
    TrimYield

    Raises
    ------
    ParameterError
        For no boards, no clips, or a level at which the design cannot be read.
    NotFollowedError
        If not one of the boards can be simulated.
    """
    trims = [
        trim_of(specification.chain, readings_of_board(one, str(number), levels_db_spl))
        for number, one in enumerate(boards, start=1)
    ]
    return yield_of(specification, boards, trims)


def yield_as_read(specification: Specification, trims: Sequence[BoardTrim]) -> TrimYield:
    """Return what these trims buy the boards by whose readings they were made; raises as trim_yield."""
    boards, followed, last = [], [], None
    for one in trims:
        try:
            boards.append(board_read(specification.chain, one))
            followed.append(one)
        except NotFollowedError as problem:
            last = problem
    if last is not None and not boards:
        raise last
    found = yield_of(specification, boards, followed)
    return replace(found, not_judged=found.not_judged + len(trims) - len(boards))


def yield_of(specification: Specification, boards: Sequence[Chain], trims: Sequence[BoardTrim]) -> TrimYield:
    """Return what these trims buy these boards; parameters as trim_yield."""
    import pandas as pd

    chain = specification.chain
    if not boards:
        raise ParameterError("boards", 0, "at least one")
    if not specification.clips:
        raise ParameterError("clips", 0, "at least one clip")
    asked = len(boards)
    boards, trims, trimmed = _all_followed(chain, boards, trims)
    judge = BoardJudge(specification, chain, sounds_of(specification))
    metrics = pd.DataFrame(judge.metrics([chain, *boards, *trimmed], _quietly))
    nominal, count = metrics.iloc[0], len(boards)
    soft = [one for one in specification.targets.soft if math.isfinite(nominal.get(one.metric, math.nan))]
    targets = [Target(FLASH_METRIC, "at_most", specification.targets.flash_limit, 1.0), *soft]
    met = np.asarray(meets(metrics.iloc[1:].reset_index(drop=True), targets))
    before, after = met[:count], met[count:] & np.array([[one.is_usable] for one in trims])
    rows = pd.DataFrame(
        {
            "target": [one.text() for one in targets],
            "before_share": before.mean(axis=0),
            "after_share": after.mean(axis=0),
        }
    )
    return TrimYield(
        count, float(before.all(axis=1).mean()), float(after.all(axis=1).mean()), rows, asked - count
    )


def _all_followed(
    chain: Chain, boards: Sequence[Chain], trims: Sequence[BoardTrim]
) -> tuple[list[Chain], list[BoardTrim], list[Chain]]:
    """(boards, their trims, boards trimmed) of those that can be simulated, at least one."""
    kept, last = [], None
    for board, trim in zip(boards, trims, strict=True):
        try:
            kept.append((board, trim, board_trimmed(chain, board, trim) if trim.is_usable else board))
        except NotFollowedError as problem:
            last = problem
    if last is not None and not kept:
        raise last
    return [one[0] for one in kept], [one[1] for one in kept], [one[2] for one in kept]


def _quietly(label: str, share: float) -> None:
    del label, share

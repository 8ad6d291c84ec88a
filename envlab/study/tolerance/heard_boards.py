"""Boards of one design that have heard the clips already, so that nobody has to play them once more."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from envlab.chain import Chain
from envlab.study.specification.specification import Specification
from envlab.study.tolerance.drawn_boards import working_board
from envlab.study.tolerance.tolerances import VariedParameter
from envlab.units import BoolArray, FloatArray


@dataclass(frozen=True, eq=False)
class HeardBoards:
    """What some boards of a design made of a specification's clips.

    parameters, values: what each board was built from, as drawn_boards.working_board takes them. boards: None
    where one does not work; first those moved one part at a time (drawn_boards.py), of which there may be
    none, then those drawn one after the other. louder_db: shape (boards,), as BoardJudge.metrics
    has it. clips: of each clip the columns of those that work, shape (working boards,). bench: the same of
    metrics on test signals, as far as anybody asked. moved: how many of the boards are moved ones.
    """

    specification: Specification
    chain: Chain
    parameters: tuple[VariedParameter, ...]
    values: FloatArray
    boards: tuple[Chain | None, ...]
    louder_db: FloatArray
    clips: tuple[dict[str, FloatArray], ...]
    bench: dict[str, FloatArray] = field(default_factory=dict)
    moved: int = 0

    @property
    def working(self) -> list[Chain]:
        """Those that work, in their order."""
        return [one for one in self.boards if one is not None]

    def first(self, count: int) -> HeardBoards | None:
        """Return the moved ones and the first so many that were drawn; None if there are fewer."""
        last = self.moved + count
        if last > len(self.boards):
            return None
        values, louder_db = self.values[:last], self.louder_db[:last]
        some = replace(self, values=values, boards=self.boards[:last], louder_db=louder_db)
        works = len(some.working)
        clips = tuple(_first_of(clip, works) for clip in self.clips)
        return replace(some, clips=clips, bench=_first_of(self.bench, works))

    @property
    def drawn(self) -> HeardBoards:
        """Those that were drawn, without the moved ones."""
        works = sum(one is not None for one in self.boards[: self.moved])
        return replace(
            self,
            values=self.values[self.moved :],
            boards=self.boards[self.moved :],
            louder_db=self.louder_db[self.moved :],
            clips=tuple({name: values[works:] for name, values in clip.items()} for clip in self.clips),
            bench={name: values[works:] for name, values in self.bench.items()},
            moved=0,
        )

    def built(
        self, chain: Chain, parameters: Sequence[VariedParameter], values: FloatArray
    ) -> list[Chain | None]:
        """Return the boards that values make of a chain, rows as working_board takes them.

        Where the last of them are built from what these were built from, these are the boards.
        """
        first = len(values) - len(self.boards)
        same = (chain, tuple(parameters)) == (self.chain, self.parameters) and first >= 0
        if not same or not np.array_equal(values[first:], self.values, equal_nan=True):
            return [working_board(chain, parameters, row) for row in values]
        return [*(working_board(chain, parameters, row) for row in values[:first]), *self.boards]

    def are(
        self, specification: Specification, chain: Chain, boards: list[Chain], louder_db: FloatArray
    ) -> bool:
        """Whether these boards of a chain would hear the very same as those did."""
        asked, was = specification, self.specification
        of_the_working = self.louder_db[[one is not None for one in self.boards]]
        return (
            (asked.clips, asked.judging, chain) == (was.clips, was.judging, self.chain)
            and boards == self.working
            and np.array_equal(louder_db, of_the_working)
        )


def _first_of(columns: dict[str, FloatArray], count: int) -> dict[str, FloatArray]:
    return {name: values[:count] for name, values in columns.items()}


def spread_over(columns: dict[str, FloatArray], hears: BoolArray) -> dict[str, FloatArray]:
    """Return columns of some boards as those of all, NaN for the others.

    columns: of each metric, in its unit. hears: which boards these are, shape (boards,).
    """
    spread = {name: np.full(hears.size, np.nan) for name in columns}
    for name, values in columns.items():
        spread[name][hears] = values
    return spread

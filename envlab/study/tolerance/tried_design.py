"""One design whose boards are tried: from which draws they are built, and what was heard of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from envlab.chain import Chain
from envlab.study.tolerance.board_columns import Columns
from envlab.study.tolerance.board_metrics import BoardJudge
from envlab.study.tolerance.drawn_boards import draw, levels_off_db, moved_one_at_a_time, working_board
from envlab.study.tolerance.tolerances import VariedParameter, varied_parameters
from envlab.units import BoolArray, FloatArray


@dataclass(eq=False)
class TriedDesign:
    """One design's boards and what was heard of them.

    values: of the parameters on each board, as draw gives them. louder_db: by how much each hears the clips
    louder than stated, as BoardJudge.metrics has it. along: places of those that hear along and are not
    tried. built: place → board, None where it does not work; those that were asked for. over: place and clip
    of those tried that flash too often. heard: number of a clip → its columns, of some boards and the next.
    """

    judge: BoardJudge
    parameters: list[VariedParameter]
    values: FloatArray
    louder_db: FloatArray
    along: range = range(0)
    built: dict[int, Chain | None] = field(default_factory=dict)
    over: set[tuple[int, int]] = field(default_factory=set)
    heard: dict[int, list[Columns]] = field(default_factory=dict)

    @property
    def chain(self) -> Chain:
        """The design."""
        return self.judge.nominal

    @property
    def tried(self) -> int:
        """How many boards were tried."""
        return sum(place not in self.along for place in self.built)

    @property
    def flashing(self) -> set[int]:
        """Places of those tried that flash too often or do not work."""
        dead = {place for place, board in self.built.items() if board is None and place not in self.along}
        return dead | {place for place, _ in self.over}

    def working(self, places: Sequence[int]) -> dict[int, Chain]:
        """Those of some places that work; built once."""
        for place in places:
            if place not in self.built:
                self.built[place] = working_board(self.chain, self.parameters, self.values[place])
        return {place: board for place in places if (board := self.built[place]) is not None}

    def note(self, number: int, working: Sequence[int], columns: Columns, over: BoolArray) -> None:
        """Keep what boards made of a clip.

        number: of the clip. working: places of the boards. columns: shape (boards,) each. over: of each board
        whether it flashes too often, shape (boards,).
        """
        self.heard.setdefault(number, []).append(columns)
        flashed = {place for place, too_often in zip(working, over, strict=True) if too_often}
        self.over |= {(place, number) for place in flashed - set(self.along)}


def drawn_design(judge: BoardJudge, boards: int, seed: int) -> TriedDesign:
    """Return a design, judge.nominal, with so many boards drawn from a seed."""
    asked = judge.specification
    parameters = varied_parameters(judge.nominal, asked.tolerance, asked.ranges, asked.clips)
    drawn = draw(parameters, boards, seed)
    return TriedDesign(judge, parameters, drawn, levels_off_db(parameters, drawn))


def with_moved_along(design: TriedDesign) -> TriedDesign:
    """Return the design with the boards of moved_one_at_a_time hearing along, as a tolerance study asks.

    As it is where those drawn would feel that: unless all hear the clips side by side.
    """
    values = np.concatenate((design.values, moved_one_at_a_time(design.parameters)))
    louder_db = levels_off_db(design.parameters, values)
    along = range(len(design.values), len(values))
    more = TriedDesign(design.judge, design.parameters, values, louder_db, along)
    working = more.working(range(len(values)))
    alike = more.judge.hear_side_by_side(list(working.values()), louder_db[list(working)])
    return more if alike else design

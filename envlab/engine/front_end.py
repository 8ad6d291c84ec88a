"""From pressure to rectified voltage, block by block: one board's stages, or the tree of many boards'.

The stages come from the order of the board's fields. Boards whose first stages are equal share them: their
stages form a tree whose trunk all have in common, and whose leaves are what the detectors are offered.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from envlab.analog.stage import AnalogStage, Surroundings, either_of
from envlab.engine.board import Board, front_end_of
from envlab.engine.one_pass import OnePass, one_pass
from envlab.units import BoolArray, FloatArray

# Pieces whose nodes stay in the processor's cache, and whose memory is used again instead of asked for anew.
PIECE = 16_384
# Of a run without noise.
NO_NOISE: FloatArray = np.empty(0)


@dataclass(frozen=True, eq=False)
class FrontBlock:
    """One block behind some stages.

    nodes: name of a stage → the signal behind it, shape (n,), V (behind the last one of a board: rectified, V
    above the reference node). limited: shape (n,), samples at which any stage was at its limit; None: none.
    """

    nodes: Mapping[str, FloatArray]
    limited: BoolArray | None

    @property
    def limited_samples(self) -> int:
        """How many samples there are at which some stage was at its limit."""
        return 0 if self.limited is None else int(np.count_nonzero(self.limited))


class FrontEnd:
    """Some stages in the order of the signal; carries their state from block to block, and begins at rest."""

    def __init__(self, stages: Mapping[str, AnalogStage], around: Surroundings) -> None:
        self._last = list(stages)[-1] if stages else ""
        self._steps = list(_steps(stages, around))
        # A pass makes several signals at once; stage by stage longer pieces cost less beside the loops.
        at_once = any(isinstance(step, _Several) for step in self._steps)
        self._piece = PIECE if at_once else 4 * PIECE

    def advance(
        self, signal: FloatArray, limited: BoolArray | None = None, white: FloatArray = NO_NOISE
    ) -> FrontBlock:
        """Return the next block.

        Parameters
        ----------
        signal
            Shape (n,): Pa into a microphone, else V.
        limited
            Shape (n,), where a stage before these was at its limit; None: nowhere.
        white
            What stages make their noise of, shape (n + 1,) as a stage's with_noise takes it; no numbers for
            none.
        """
        nodes: dict[str, FloatArray] = {}
        for step in self._steps:
            new, some = step.advance(signal, white)
            nodes |= new
            signal, limited = new[step.last], either_of(limited, some)
        return FrontBlock(nodes, limited)

    def fill(
        self,
        signal: FloatArray,
        limited: BoolArray | None,
        out: FloatArray,
        white: FloatArray = NO_NOISE,
    ) -> BoolArray | None:
        """Write the next block behind the last stage into out, in pieces; return where any stage is limited.

        Parameters
        ----------
        signal, limited, white
            As advance.
        out
            Room for the block, shape (n,) or longer, V.
        """
        masks: list[tuple[int, BoolArray]] = []
        for first in range(0, signal.size, self._piece):
            piece = slice(first, first + self._piece)
            of_piece = white[first : first + self._piece + 1]
            done = self.advance(signal[piece], None if limited is None else limited[piece], of_piece)
            behind = done.nodes[self._last]
            out[first : first + behind.size] = behind
            if done.limited is not None:
                masks.append((first, done.limited))
        if not masks:
            return None
        joined = np.zeros(signal.size, dtype=bool)
        for first, mask in masks:
            joined[first : first + mask.size] = mask
        return joined


class _Single:
    """One stage, and the wires behind it."""

    def __init__(self, names: Sequence[str], stage: AnalogStage, around: Surroundings) -> None:
        self._names, self._stage, self._around = names, stage, around
        self._state: Any = None
        self.last = names[-1]

    def advance(
        self, signal: FloatArray, white: FloatArray
    ) -> tuple[dict[str, FloatArray], BoolArray | None]:
        if white.size:
            signal = self._stage.with_noise(signal, white, self._around.sample_rate_hz)
        signal, self._state, limited = self._stage.advance(signal, self._around, self._state)
        return dict.fromkeys(self._names, signal), limited


class _Several:
    """Stages in one compiled pass, each with the wires behind it."""

    def __init__(self, names: Sequence[Sequence[str]], stages: OnePass) -> None:
        self._names, self._stages = names, stages
        self.last = names[-1][-1]

    def advance(
        self, signal: FloatArray, white: FloatArray
    ) -> tuple[dict[str, FloatArray], BoolArray | None]:
        signals, limited = self._stages.advance(signal, white)
        nodes = {name: behind for some, behind in zip(self._names, signals, strict=True) for name in some}
        return nodes, limited


def in_groups(stages: Mapping[str, AnalogStage]) -> tuple[list[list[str]], list[AnalogStage]]:
    """Return (names, stages that do something): each with the names of the wires behind it.

    The signal behind a wire is the signal before it.
    """
    names: list[list[str]] = []
    working: list[AnalogStage] = []
    for name, stage in stages.items():
        if working and stage.is_wire:
            names[-1].append(name)
        else:
            names.append([name])
            working.append(stage)
    return names, working


def _steps(stages: Mapping[str, AnalogStage], around: Surroundings) -> Iterator[_Single | _Several]:
    names, working = in_groups(stages)
    at = 0
    while at < len(working):
        several = one_pass(working[at:], around.sample_rate_hz)
        count = 1 if several is None else several.stages
        if several is None:
            yield _Single(names[at], working[at], around)
        else:
            yield _Several(names[at : at + count], several)
        for stage in working[at : at + count]:
            around = stage.surroundings_behind(around)
        at += count


def front_end(board: Board, sample_rate_hz: float) -> FrontEnd:
    """Return a board's whole front end, from pressure to rectified voltage."""
    return FrontEnd(front_end_of(board), Surroundings(sample_rate_hz))


@dataclass(eq=False)
class Branch:
    """Stages that some boards share, and what branches off behind them.

    places: whose stages these are. signal: shape (block,), the latest block behind the last of them; limited:
    as FrontBlock's. limited_samples: so far, of a leaf. branches: none: it is a leaf.
    """

    places: list[int]
    front: FrontEnd
    last: str
    branches: list[Branch] = field(default_factory=list)
    limited: BoolArray | None = None
    limited_samples: int = 0

    def advance(
        self, signal: FloatArray, limited: BoolArray | None, white: FloatArray, out: FloatArray
    ) -> FloatArray:
        """Return the next block behind the stages, written into out, which has room for it; V.

        white: normal numbers of variance 1, as FrontEnd.advance takes them.
        """
        self.limited = self.front.fill(signal, limited, out, white)
        self.limited_samples += 0 if self.limited is None else int(np.count_nonzero(self.limited))
        return out[: signal.size]

    @property
    def leaves(self) -> list[Branch]:
        """Branches behind which nothing branches off, in order of their first board."""
        if not self.branches:
            return [self]
        return [leaf for branch in self.branches for leaf in branch.leaves]


def trunk_of(boards: Sequence[Board], sample_rate_hz: float) -> Branch:
    """Return the tree of the boards' front ends; its trunk may have no stages.

    Parameters
    ----------
    boards
        At least one; all with the same fields.
    sample_rate_hz
        Internal rate, Hz.
    """
    fronts = [front_end_of(board) for board in boards]
    return _branch(fronts, list(range(len(boards))), list(fronts[0]), Surroundings(sample_rate_hz))


def _branch(
    fronts: list[dict[str, AnalogStage]], places: list[int], names: list[str], around: Surroundings
) -> Branch:
    shared: dict[str, AnalogStage] = {}
    while names:
        stage = fronts[places[0]][names[0]]
        if any(fronts[place][names[0]] != stage for place in places):
            break
        shared[names[0]] = stage
        names = names[1:]
    branch = Branch(places, FrontEnd(shared, around), list(shared)[-1] if shared else "")
    for stage in shared.values():
        around = stage.surroundings_behind(around)
    apart: dict[AnalogStage, list[int]] = {}
    for place in places if names else ():
        apart.setdefault(fronts[place][names[0]], []).append(place)
    branch.branches = [_branch(fronts, same, names, around) for same in apart.values()]
    return branch

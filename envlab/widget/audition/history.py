"""Undo and redo: what stood before each move."""

from __future__ import annotations

from dataclasses import dataclass, replace

from envlab.chain import Chain

MOST_STEPS = 200


@dataclass(frozen=True)
class Settings:
    """What moves change: the boards A and B, and how loud (dB SPL) the place-th clip is heard."""

    board_a: Chain
    board_b: Chain | None
    place: int
    level_db_spl: float

    def differs_from(self, now: Settings) -> bool:
        """Whether going back to it is seen or heard; the level of another clip is not."""
        boards = (self.board_a, self.board_b) != (now.board_a, now.board_b)
        return boards or (self.place == now.place and self.level_db_spl != now.level_db_spl)


@dataclass(frozen=True)
class History:
    """past, future: settings, the nearest last. gesture: of the last move, "" where the next is a new one."""

    past: tuple[Settings, ...] = ()
    future: tuple[Settings, ...] = ()
    gesture: str = ""

    def moved(self, before: Settings, gesture: str = "") -> History:
        """Return the history after a move from some settings; moves of one gesture are one step."""
        if gesture and gesture == self.gesture:
            return replace(self, future=())
        return History((*self.past, before)[-MOST_STEPS:], (), gesture)

    def undone(self, now: Settings) -> tuple[Settings, History] | None:
        """Return what stood before the last move, and the history then; None where there is no move."""
        past = self.past
        while past and not past[-1].differs_from(now):
            past = past[:-1]
        return (past[-1], History(past[:-1], (*self.future, now))) if past else None

    def redone(self, now: Settings) -> tuple[Settings, History] | None:
        """Return what stood before the last undo, and the history then; None where nothing was undone."""
        future = self.future
        while future and not future[-1].differs_from(now):
            future = future[:-1]
        return (future[-1], History((*self.past, now), future[:-1])) if future else None

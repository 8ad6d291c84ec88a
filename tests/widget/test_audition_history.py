"""Undo and redo: settings in, settings out."""

from __future__ import annotations

from dataclasses import replace

from envlab.analog.detector import PeakDetector
from envlab.chain import Chain
from envlab.widget.audition.history import MOST_STEPS, History, Settings


def settings(release_ohm: float, place: int = 0, level_db_spl: float = 92.0) -> Settings:
    return Settings(Chain(detector=PeakDetector(4.7e3, 1e-6, release_ohm)), None, place, level_db_spl)


A, B, C = settings(100e3), settings(220e3), settings(330e3)


def test_back_and_forth():
    history = History().moved(A).moved(B)
    back, history = history.undone(C)
    assert back == B
    back, history = history.undone(back)
    assert back == A
    assert history.undone(back) is None
    forth, history = history.redone(back)
    assert forth == B
    forth, history = history.redone(forth)
    assert forth == C
    assert history.redone(forth) is None


def test_a_new_move_forgets_what_was_undone():
    back, history = History().moved(A).undone(B)
    assert back == A
    assert history.moved(A).redone(C) is None


def test_one_stroke_of_the_hand_is_one_step():
    history = History().moved(A, "release 1").moved(B, "release 1")
    back, history = history.undone(C)
    assert back == A
    assert history.undone(A) is None
    history = History().moved(A, "release 1").moved(B, "release 2")
    assert history.undone(C)[0] == B
    # After an undo the same stroke is over.
    back, history = History().moved(A, "release 1").undone(B)
    assert history.moved(A, "release 1").undone(C)[0] == A


def test_what_changes_nothing_is_no_step():
    assert History().moved(A).undone(A) is None
    assert History().moved(A).moved(B).undone(B)[0] == A


def test_the_level_of_another_clip_is_not_gone_back_to():
    soft, loud = settings(100e3, 0, 72.0), settings(100e3, 0, 92.0)
    history = History().moved(soft)
    assert history.undone(loud)[0] == soft
    assert history.undone(replace(loud, place=1)) is None


def test_it_does_not_grow_for_ever():
    history = History()
    for step in range(MOST_STEPS + 50):
        history = history.moved(settings(100e3 + step))
    assert len(history.past) == MOST_STEPS

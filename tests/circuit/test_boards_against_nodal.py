"""Whole boards: Chain.run against the nodal solution of the board's own description.

Goals: 0.15 dB at the converter's instants above 10 counts, one count below; 1e-3 of the peak where nothing
clips and no amplifier rectifies, 2e-3 where the preamp is at its rails.
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from circuit.nodal_board import Compared, compared
from circuit.nodal_boards import BOARDS, CLIPPING, MUSIC, STRETCHES, edges_s, music, recording_of

from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.rectifiers.pumps import PumpRectifier
from envlab.chain import Chain

WITHIN_DB, WITHIN_COUNTS = 0.15, 1.0
WITHIN_SHARE, WITHIN_CLIPPED_SHARE = 1e-3, 2e-3
# Of every topology one, and of what each shares with others: some seven seconds.
QUICK_ONES = (
    "differences on ground",
    "differences as built",
    "absolute value on ground",
    "without diodes",
    "on the bias",
    "germanium, coupled, two stages",
    "electret of 15k into 47k, schottky",
    "second band, on the bias",
    "silicon on the bias, unbuffered",
)
# Seconds of each recording, and the boards that hear them.
MUSIC_S = 0.1
MUSIC_BOARDS = tuple(BOARDS)[::3]


def passive(name: str) -> bool:
    """Whether diodes and capacitors alone rectify: the stages of the engine that should then be exact."""
    return isinstance(BOARDS[name].rectifier, (Rectifier, PumpRectifier))


@lru_cache(maxsize=1)
def on_stretches(name: str) -> tuple[Compared, ...]:
    whole = compared(BOARDS[name], recording_of(STRETCHES))
    edges = edges_s(STRETCHES)
    return tuple(whole.between(a, b) for a, b in itertools.pairwise(edges))


def check(name: str) -> None:
    found = on_stretches(name)
    assert found[0].quiescent_counts <= WITHIN_COUNTS
    for stretch, one in zip(STRETCHES, found, strict=True):
        assert one.worst_db <= WITHIN_DB, stretch
        assert one.worst_counts <= WITHIN_COUNTS, stretch
    if not passive(name):
        return
    whole_v = max(one.nodal_v.max() for one in found[:-1])
    for one in found[:-1]:
        assert np.abs(one.chain_v - one.nodal_v).max() <= WITHIN_SHARE * whole_v
    assert STRETCHES[-1] is CLIPPING
    assert found[-1].share <= WITHIN_CLIPPED_SHARE


@pytest.mark.parametrize("name", QUICK_ONES)
def test_a_board_of_each_kind(name: str) -> None:
    check(name)


@pytest.mark.slow
@pytest.mark.parametrize("name", [name for name in BOARDS if name not in QUICK_ONES])
def test_every_board(name: str) -> None:
    check(name)


@pytest.mark.slow
@pytest.mark.parametrize("name", MUSIC_BOARDS)
@pytest.mark.parametrize("number", range(len(MUSIC)), ids=MUSIC)
def test_published_music(name: str, number: int) -> None:
    found = compared(BOARDS[name], music(number, MUSIC_S, 88.0))
    assert found.worst_db <= WITHIN_DB
    assert found.worst_counts <= WITHIN_COUNTS
    assert found.counts.max() > 10


def faults() -> dict[str, tuple[str, Chain]]:
    """Boards a little off: which is the right one, and what is played in its place; must be told apart."""
    lifted, fast = "differences lifted", "on the bias, fast, 14 bit"
    right = BOARDS[lifted]
    rectifier, detector = right.rectifier, right.detector
    at_once = replace(BOARDS[fast].rectifier, gain_bandwidth_hz=1e9, slew_v_per_s=1e9)
    return {
        "attack 10 %": (lifted, replace(right, detector=replace(detector, attack_ohm=5.17e3))),
        "release 5 %": (lifted, replace(right, detector=replace(detector, release_ohm=95e3))),
        "capacitor 5 %": (lifted, replace(right, detector=replace(detector, hold_farad=0.231e-6))),
        "gain 2 %": (lifted, replace(right, preamp=replace(right.preamp, feedback_ohm=48e3))),
        "offset 4 mV": (lifted, replace(right, rectifier=replace(rectifier, offset_u2c_v=4e-3))),
        "on ground": (lifted, replace(right, rectifier=replace(rectifier, reference_node_v=0.0))),
        "amplifiers at once": (fast, replace(BOARDS[fast], rectifier=at_once)),
    }


@pytest.mark.slow
@pytest.mark.parametrize("fault", list(faults()))
def test_the_comparison_can_fail(fault: str) -> None:
    right, wrong = faults()[fault]
    found = compared(BOARDS[right], recording_of(STRETCHES), played=wrong)
    # From the third stretch on: the first two are where a board's own start may still be seen.
    some = [found.between(a, b) for a, b in itertools.pairwise(edges_s(STRETCHES))][2:]
    assert (
        max(one.worst_db for one in some) > WITHIN_DB or max(one.worst_counts for one in some) > WITHIN_COUNTS
    )


def test_there_are_boards_enough() -> None:
    assert len(BOARDS) >= 16

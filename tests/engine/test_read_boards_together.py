"""Boards whose readings take charge in one sweep or one production with boards of which they do not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from engine.comparison import SOUND, truth
from zoo import ZOO, slightly_off

from envlab.analog.detector import readings_of
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.engine.board_readings import read_chains
from envlab.engine.hold_stage import shared_out
from envlab.engine.play import play
from envlab.engine.reading_schedule import every_reading, wanted
from envlab.engine.side_by_side import runs_side_by_side

READ = ZOO["takes charge"].chain
# Nanofarads, nominal: 220 is above the 150 from which a reading takes no more than 5e-4.
NANOFARADS = (10.0, 220.0, 22.0, 330.0, 10.0, 470.0, 1000.0, 47.0)


def boards(rectifier: Rectifier) -> list:
    return [
        replace(READ, rectifier=rectifier, detector=replace(READ.detector, hold_farad=1e-9 * nanofarad))
        for nanofarad in NANOFARADS
    ]


@pytest.mark.parametrize("rectifier", [Rectifier(), Rectifier("half", 1.65, diode="schottky")], ids=str)
def test_each_of_a_sweep_reads_as_alone(rectifier):
    chains = boards(rectifier)
    each = [readings_of(one.detector_as_built) is not None for one in chains]
    assert each == [nanofarad < 149 for nanofarad in NANOFARADS]
    stages = shared_out(chains, range(len(chains)))
    assert [[0, 4], [2], [7]] in stages
    readings = np.arange(truth(chains[0], SOUND, None).adc_counts.size)
    read = read_chains(SOUND, chains, readings)
    for row, chain in enumerate(chains):
        alone = truth(chain, SOUND, None)
        above_zero = np.maximum(alone.adc_counts - chain.quiescent_counts, 0)
        apart = np.abs(read.counts[row].astype(int) - above_zero)
        # One by one: the same loop. In lanes a count may fall to the other side of its edge.
        assert apart.max() <= (0 if each[row] else 1)
        assert np.count_nonzero(apart) <= 2


def test_a_production_of_them_is_run_one_by_one():
    off = [slightly_off(READ), slightly_off(READ, -1.0)]
    assert not runs_side_by_side(READ, off)
    larger = replace(READ, detector=replace(READ.detector, hold_farad=220e-9))
    assert runs_side_by_side(larger, [slightly_off(larger)])


class Keeps:
    """A reader that keeps what it takes."""

    def __init__(self) -> None:
        self.counts: list[np.ndarray] = []

    def take(self, counts: np.ndarray) -> None:
        self.counts.append(counts.copy())


def test_readings_that_nobody_wants_take_their_charge_too():
    every, some = Keeps(), Keeps()
    count = truth(READ, SOUND, None).adc_counts.size
    play(SOUND, [READ], every_reading(count), lambda _: every)
    play(SOUND, [READ], wanted(np.arange(0, count, 16)), lambda _: some)
    whole = np.concatenate(every.counts, axis=1)
    assert whole.max() > 0
    assert np.array_equal(whole[:, ::16], np.concatenate(some.counts, axis=1))

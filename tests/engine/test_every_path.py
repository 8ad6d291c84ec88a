"""Each board of the zoo along every path that computes counts or duty, against Chain.run.

Bit for bit where the arithmetic is the same, else within the bound that the path's function in paths.py
states and derives. That Chain.run itself is right is held elsewhere, against circuits solved by other means
(tests/analog, tests/reference), and what it gave before the engine was rewritten is kept in record.csv.
"""

from __future__ import annotations

from typing import get_args

import numpy as np
import pytest
from engine.comparison import SEED, SOUND, Pair, rounding_lsb, seen_lsb, truth
from engine.paths import PATHS, cases
from zoo import ZOO

from envlab.analog.band_filter import BandFilter
from envlab.analog.detector import Detector
from envlab.analog.diodes.diode import DIODE_CLASSES
from envlab.analog.electret import Electret
from envlab.analog.hold_capacitor import CAPACITOR_CLASSES
from envlab.analog.microphone import Microphone
from envlab.analog.preamps.board_preamp import BoardPreamp
from envlab.analog.preamps.preamp import Preamp
from envlab.analog.rectifiers.ideal import REFERENCES, Rectifier
from envlab.design_file import STAGES
from envlab.digital.followers import Follower
from envlab.light.curve import CURVES


@pytest.mark.parametrize(("board", "path"), cases())
def test_gives_what_the_chain_gives(board, path):
    taken, chain = PATHS[path], ZOO[board].chain
    for seed in taken.seeds:
        for what, pair in taken.run(chain, taken.sound, seed).items():
            check(pair, f"{what}, {'no noise' if seed is None else 'noise'}")


@pytest.mark.parametrize("board", ZOO)
def test_the_chain_counts_what_its_detector_holds(board):
    """Chain.run's counts by hand: the detector between its stamps at each instant, cut to whole counts."""
    chain = ZOO[board].chain
    for seed in (None, SEED):
        run = truth(chain, SOUND, seed)
        lsb = seen_lsb(chain, run, seed)
        by_hand = np.clip(np.floor(lsb), 0, 2**chain.adc.bits - 1)
        check(Pair(run.adc_counts, by_hand, rounding_lsb(chain, run), lsb), "counts by hand")


def check(pair: Pair, what: str) -> None:
    """Fail with what, where and by how much, unless the two agree as far as the pair says."""
    path, chain = np.asarray(pair.path), np.asarray(pair.chain)
    assert path.shape == chain.shape, what
    apart = np.abs(path - chain)
    if pair.lsb is None:
        worst = int(np.argmax(apart - pair.within))
        assert np.all(apart <= pair.within), (
            f"{what}: {path.flat[worst]!r} at {worst} where Chain.run has {chain.flat[worst]!r}"
        )
        return
    from_edge = np.abs(pair.lsb - np.round(pair.lsb))
    wrong = (apart > 1) | ((apart == 1) & (from_edge > pair.within))
    at = int(np.argmax(wrong))
    assert not wrong.any(), (
        f"{what}: {np.count_nonzero(wrong)} of {wrong.size} counts apart; first {path[at]} at {at} where"
        f" Chain.run has {chain[at]} and its converter saw {pair.lsb[at]:.6f}"
    )


def test_the_zoo_has_one_of_each():
    """What the part's own module offers, none left out."""
    chains = [board.chain for board in ZOO.values()]
    topologies = {name for name, kind in STAGES["rectifier"].items() if kind is not Rectifier}
    assert {chain.rectifier.topology for chain in chains} >= topologies
    rectifiers = [chain.rectifier for chain in chains if type(chain.rectifier) is Rectifier]
    assert {(one.kind, one.diode) for one in rectifiers} >= {
        (kind, diode) for kind in ("half", "full") for diode in ("none", "silicon", "schottky")
    }
    assert {one.diode for one in rectifiers} == {"none", *DIODE_CLASSES}
    assert {one.diodes_in_path for one in rectifiers} == {1, 2}
    for passive in (False, True):
        some = [one for one in rectifiers if (one.diode != "none") == passive]
        assert {one.reference for one in some} == set(REFERENCES) - (set() if passive else {"coupled"})
        assert {one.output_current_a is None for one in some} == {False, True}
    assert {type(chain.band_filter) for chain in chains} == set(get_args(BandFilter))
    assert {type(chain.detector) for chain in chains} == set(get_args(Detector))
    assert {type(chain.follower) for chain in chains} == set(get_args(Follower))
    assert {type(chain.preamp) for chain in chains} == {Preamp, BoardPreamp}
    assert {type(chain.microphone) for chain in chains} == {Microphone, Electret}
    assert {chain.microphone.overload for chain in chains} == {"clip", "smooth"}
    assert {chain.hold_capacitor.material for chain in chains} == set(CAPACITOR_CLASSES)
    assert {chain.adc.bits for chain in chains} >= {8, 10, 12, 14, 16}
    assert {chain.adc.buffered for chain in chains} == {"yes", "no"}
    assert {chain.brightness.curve for chain in chains} == set(CURVES)
    assert {path for _, path in cases()} == set(PATHS)

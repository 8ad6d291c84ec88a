"""What the engine derives from the order of a board's fields: who depends on whom, who is computed once.

The yardstick is each stage called by hand, one after the other, and the count of how often it is called.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import fields, replace

import numpy as np
import pytest

from envlab.analog.band_filter import FirstLowPass, filter_band
from envlab.analog.microphone import Microphone, hear, is_overloaded
from envlab.analog.preamps.board_preamp import BoardPreamp, amplify_board
from envlab.analog.preamps.preamp import Preamp, amplify
from envlab.analog.rectifiers.ideal import Rectifier, rectify
from envlab.analog.stage import AnalogStage, Surroundings, either_of
from envlab.chain import Chain
from envlab.engine.board import (
    before_rectifier,
    front_end_of,
    offered_to_detector,
    read_by_adc,
    response_before_rectifier,
    surroundings_at_rectifier,
    upstream,
)
from envlab.engine.board_readings import read_chains
from envlab.engine.front_end import NO_NOISE, PIECE, front_end, trunk_of
from envlab.engine.play import play
from envlab.engine.reading_schedule import every_reading
from envlab.errors import ParameterError
from envlab.sound.recording import Recording

RATE_HZ = 384_000.0
LOUD_PA = np.random.default_rng(3).normal(0, 12, 2 * PIECE + 777)
SOLDERED = Chain(
    preamp=BoardPreamp(22e3, second_feedback_ohm=10e3),
    band_filter=FirstLowPass(1e3, 10e-9),
    rectifier=Rectifier("half"),
)


def test_the_fields_stand_in_the_order_of_the_signal():
    names = [field.name for field in fields(Chain)]
    assert names[:7] == [
        *("microphone", "preamp", "band_filter", "rectifier"),
        *("detector", "hold_capacitor", "adc"),
    ]
    assert list(front_end_of(Chain())) == names[:4]


@pytest.mark.parametrize("board", [Chain(), SOLDERED])
def test_upstream_is_what_stands_before(board):
    names = [field.name for field in fields(board)]
    for place, name in enumerate(names):
        assert upstream(board, name) == tuple(getattr(board, one) for one in names[: place + 1])
    assert before_rectifier(board) == upstream(board, "band_filter")
    assert offered_to_detector(board) == upstream(board, "rectifier")
    assert read_by_adc(board) == upstream(board, "adc")


def test_an_unknown_stage_is_refused_in_one_line():
    with pytest.raises(ParameterError, match=r"^stage is 'amplifier'; it must be one of microphone, preamp"):
        upstream(Chain(), "amplifier")


def test_what_a_stage_knows_comes_from_the_stages_before_it():
    board = Chain(preamp=Preamp(bias_v=1.0))
    around = surroundings_at_rectifier(front_end_of(board), RATE_HZ)
    assert around == Surroundings(
        RATE_HZ,
        1.0,
        -board.preamp.swing_down_v,
        board.preamp.swing_up_v,
        resting_v=board.preamp.output_offset_v,
        supply_v=board.preamp.supply_v,
    )
    assert board.microphone.surroundings_behind(Surroundings(RATE_HZ)) == Surroundings(RATE_HZ)


def test_response_is_the_product_of_what_stands_between():
    board, some_hz = SOLDERED, 3000.0
    product = board.preamp.response(some_hz) * board.band_filter.response(some_hz)
    assert response_before_rectifier(board, some_hz) == pytest.approx(product, rel=1e-14)


def by_hand(board, pressure_pa):
    """The stages one after the other, over the whole."""
    heard, _ = hear(pressure_pa, board.microphone, sample_rate_hz=RATE_HZ)
    if isinstance(board.preamp, BoardPreamp):
        amplified, _, _ = amplify_board(heard, board.preamp, sample_rate_hz=RATE_HZ)
    else:
        amplified = amplify(heard, board.preamp, sample_rate_hz=RATE_HZ).preamp_v
    low_v, high_v = -board.preamp.swing_down_v, board.preamp.swing_up_v
    filtered, _ = filter_band(
        amplified,
        board.band_filter,
        sample_rate_hz=RATE_HZ,
        low_v=low_v,
        high_v=high_v,
        resting_v=board.preamp.output_offset_v,
    )
    rectified = rectify(filtered, board.rectifier, bias_v=board.preamp.bias_v)
    limited = is_overloaded(pressure_pa, board.microphone) | (amplified >= high_v) | (amplified <= low_v)
    return dict(zip(front_end_of(board), (heard, amplified, filtered, rectified), strict=True)), limited


@pytest.mark.parametrize("board", [Chain(preamp=Preamp(220e3)), SOLDERED])
@pytest.mark.parametrize("cuts", [(), (1,), (999, 20_000)])
def test_block_by_block_it_is_the_whole(board, cuts):
    stages = front_end(board, RATE_HZ)
    blocks = [stages.advance(some) for some in np.split(LOUD_PA, cuts)]
    nodes, limited = by_hand(board, LOUD_PA)
    for name, expected in nodes.items():
        np.testing.assert_array_equal(np.concatenate([one.nodes[name] for one in blocks]), expected, name)
    assert 0 < sum(one.limited_samples for one in blocks) == np.count_nonzero(limited)


def test_boards_form_a_tree_and_each_leaf_is_its_board():
    base = Chain()
    boards = [
        base,
        replace(base, rectifier=Rectifier("half")),
        replace(base, preamp=Preamp(220e3)),
        replace(base, preamp=Preamp(220e3), rectifier=Rectifier("half")),
        replace(base, microphone=Microphone(-38.0)),
        base,
    ]
    trunk = trunk_of(boards, RATE_HZ)
    assert trunk.last == "" and [one.places for one in trunk.branches] == [[0, 1, 2, 3, 5], [4]]
    shared = trunk.branches[0]
    assert [one.places for one in shared.branches] == [[0, 1, 5], [2, 3]]
    assert sorted(leaf.places for leaf in trunk.leaves) == [[0, 5], [1], [2], [3], [4]]
    behind = {}

    def go(branch, signal, limited):
        signal = branch.advance(signal, limited, NO_NOISE, np.empty(signal.size)) if branch.last else signal
        for below in branch.branches:
            go(below, signal, branch.limited)
        if not branch.branches:
            behind.update(dict.fromkeys(branch.places, (signal, branch.limited_samples)))

    go(trunk, LOUD_PA, None)
    for place, board in enumerate(boards):
        nodes, limited = by_hand(board, LOUD_PA)
        np.testing.assert_array_equal(behind[place][0], nodes["rectifier"])
        assert behind[place][1] == np.count_nonzero(limited)


def test_a_shared_stage_is_computed_once(monkeypatch):
    calls: Counter[str] = Counter()

    def counted(kind: type[AnalogStage]):
        before = kind.advance

        def advance(self, signal, around, state):
            calls[kind.__name__] += signal.size
            return before(self, signal, around, state)

        monkeypatch.setattr(kind, "advance", advance)

    for kind in (Microphone, BoardPreamp, Rectifier):
        counted(kind)
    sound = Recording(np.random.default_rng(1).normal(0, 1, 9600), 48_000.0)
    boards = [
        replace(
            SOLDERED,
            preamp=replace(SOLDERED.preamp, feedback_ohm=ohm),
            rectifier=Rectifier(kind),
        )
        for ohm in (10e3, 22e3)
        for kind in ("half", "full")
    ]
    read_chains(sound, boards, np.arange(100))
    assert {name: count / 76_800 for name, count in calls.items()} == {
        "Microphone": 1,
        "BoardPreamp": 2,
        "Rectifier": 4,
    }


def test_many_leaves_take_turns_in_few_rooms():
    sound = Recording(np.random.default_rng(1).normal(0, 1, 14_400), 48_000.0)
    boards = [Chain(preamp=Preamp(ohm)) for ohm in np.geomspace(5e3, 200e3, 23)]
    index = np.arange(300)
    together = read_chains(sound, boards, index, seed=(4,), workers=2)
    for place in (0, 9, 22):
        alone = read_chains(sound, [boards[place]], index, seed=(4,))
        np.testing.assert_array_equal(together.counts[place], alone.counts[0])
        assert together.clipped_share[place] == alone.clipped_share[0]
    assert 0 < together.clipped_share[22] != together.clipped_share[0]


def test_a_reader_that_fails_is_heard_of():
    class Fails:
        def take(self, counts):
            raise RuntimeError(f"no room for {counts.shape}")

    sound = Recording(np.zeros(4800), 48_000.0)
    boards = [Chain(preamp=Preamp(ohm)) for ohm in np.geomspace(5e3, 200e3, 20)]
    for some in (boards[:1], boards[:3], boards):
        with pytest.raises(RuntimeError, match="no room"):
            play(sound, some, every_reading(100), lambda _: Fails())


def test_either_of_takes_none_for_nowhere():
    one, other = np.array([True, False]), np.array([False, False])
    assert either_of(None, None) is None
    assert either_of(one, None) is one and either_of(None, other) is other
    assert either_of(one, other).tolist() == [True, False]

"""A board of which one stage was turned is never answered by what was kept of the board before.

The audition keeps wave, front end and readings, the sweep runs alike front ends and detectors once. Here
every field of the chain is turned, one after the other; a stage added to the chain must be given a turn too.
"""

from __future__ import annotations

from dataclasses import fields, replace
from unittest.mock import patch

import numpy as np
import pytest
from engine.comparison import SOUND, counts_pair, rounding_lsb, truth
from engine.test_every_path import check
from zoo import QUICK, ZOO

from envlab.analog.adc import Adc
from envlab.analog.band_filter import FirstLowPass
from envlab.analog.detector import PeakDetector
from envlab.analog.hold_capacitor import HoldCapacitor
from envlab.analog.microphone import Microphone
from envlab.analog.rectifiers.absolute_value import AbsoluteValue
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.digital import equivalence
from envlab.digital.followers import OnePole
from envlab.engine.board_readings import read_chains
from envlab.light.costume_colour import CostumeColour
from envlab.light.curve import BrightnessMap
from envlab.light.layout.layout import Layout
from envlab.light.power.battery import Pack
from envlab.light.power.coupling import Coupling
from envlab.light.power.feed import Feed
from envlab.study.exported.light import worn_light
from envlab.study.listening.firmware import FirmwareLight, FirmwareListening
from envlab.study.listening.listening import Listening

# By field of the chain: what it is turned to, or what a board turns it to; seen on any board.
TURNS = {
    "microphone": Microphone(-38.0),
    "preamp": lambda board: replace(board.preamp, feedback_ohm=22e3),
    "rectifier": Rectifier("half", 0.15),
    "detector": PeakDetector(2.2e3, 0.47e-6, 100e3),
    "adc": Adc(12, rate_hz=2000.0, offset_lsb=60.0),
    "follower": OnePole(0.03),
    "brightness": BrightnessMap(55.0, 90.0),
    "pixels": replace(Chain().pixels, count=12),
    "supply": replace(Chain().supply, limit_a=5.0),
    "pixel_bits": 6,
    "frame_rate_hz": 50.0,
    "current_limit": "frame",
    "band_filter": FirstLowPass(4.7e3, 100e-9),
    "hold_capacitor": HoldCapacitor("x7r", 6.3, 3.0),
}
# What only the exported firmware has, and half a second does not tell: tests/study/exported turns these.
OF_THE_FIRMWARE = {"firmware", "dither_bits"}
# What feeds the board, what its light is called, which pixels share it: nothing of it moves the duty that all
# would have. tests/study/power, tests/study/test_colour_verdict.py and tests/light/layout turn these.
BESIDE_THE_LIGHT = {
    "pack": Pack(cells=3, cell_ohm=0.03),
    "feed": Feed("middle", 0.1, 1.0, 2.0),
    "coupling": Coupling(ground_ohm=0.01),
    "colour": CostumeColour("#ff8000"),
    "layout": Layout("from_end"),
}
BOARDS = {
    "precision": Chain(detector=QUICK),
    "with amplifiers": Chain(detector=QUICK, rectifier=AbsoluteValue(0.15)),
    "soldered and passive": replace(ZOO["soldered, passive"].chain, band_filter=FirstLowPass(10e3, 10e-9)),
}


def turned(board: Chain, name: str) -> Chain:
    turn = TURNS[name]
    return replace(board, **{name: turn(board) if callable(turn) else turn})


def test_every_field_of_the_chain_has_a_turn_that_tells():
    assert set(TURNS) | OF_THE_FIRMWARE | set(BESIDE_THE_LIGHT) == {field.name for field in fields(Chain)}
    for board in BOARDS.values():
        before = truth(board, SOUND, None).duty
        for name, turn in BESIDE_THE_LIGHT.items():
            assert getattr(board, name) != turn
            assert np.array_equal(truth(replace(board, **{name: turn}), SOUND, None).duty, before), name
        for name in TURNS:
            after = truth(turned(board, name), SOUND, None).duty
            assert after.shape != before.shape or np.abs(after - before).max() > 0.003, name


@pytest.mark.parametrize("name", TURNS)
@pytest.mark.parametrize("board", BOARDS)
def test_in_the_audition(board, name):
    before, listening = BOARDS[board], Listening(SOUND)
    listening.whole(before)
    after = turned(before, name)
    run = truth(after, SOUND, None)
    worn = worn_light(after, run.adc_counts, after.reading_of_frame(run.duty.size) + 1)
    worn_duty = worn.luminance * worn.full_duty
    window = listening.window(after, 0.0)
    light = listening.whole(after)
    for one in (window, light, listening.window(after, 0.0)):
        # The window at the clip's beginning has no rough past: it is the whole, but for rounding.
        counts = one.adc_counts
        assert np.abs(counts - run.adc_counts[: counts.size]).max() <= (0 if one.exact else 1)
        np.testing.assert_allclose(
            one.duty, worn_duty[: one.duty.size], rtol=0, atol=0 if one.exact else 0.002
        )
    assert light.exact
    assert light.full_duty == worn.full_duty


@pytest.mark.parametrize("name", TURNS)
@pytest.mark.parametrize("board", BOARDS)
def test_in_firmware_with_a_fast_adc(board, name):
    before, after = BOARDS[board], turned(BOARDS[board], name)
    listening = Listening(SOUND)
    kept = FirmwareListening(listening.wave)
    with patch.object(equivalence, "_MOST_FITS", 8):
        told(kept, listening, before)
        anew = told(FirmwareListening(listening.wave), listening, after)
        again = told(kept, listening, after)
    assert again.follower == anew.follower
    np.testing.assert_array_equal(again.light.duty, anew.light.duty)


def told(firmware: FirmwareListening, listening: Listening, board: Chain) -> FirmwareLight:
    portions = firmware.in_portions(board, listening.whole(board))
    while True:
        try:
            next(portions)
        except StopIteration as done:
            return done.value


@pytest.mark.parametrize("board", BOARDS)
def test_in_one_sweep(board):
    # Chains of one sweep share microphone and ADC.
    chains = [
        BOARDS[board],
        *(turned(BOARDS[board], name) for name in TURNS if name not in ("microphone", "adc")),
    ]
    count = truth(chains[0], SOUND, None).adc_counts.size
    read = read_chains(SOUND, chains, np.arange(count))
    for chain, row in zip(chains, read.counts, strict=True):
        run = truth(chain, SOUND, None)
        check(counts_pair(row, chain, run, None, rounding_lsb(chain, run)), str(chain))

"""Boards with real rectifiers side by side against each board by itself, all its parts really changed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from envlab.analog.adc import Adc
from envlab.analog.detector import PeakDetector
from envlab.analog.rectifiers.absolute_value import AbsoluteValue
from envlab.analog.rectifiers.active import ActiveRectifier
from envlab.analog.rectifiers.bias_superdiodes import BiasSuperdiodes
from envlab.analog.rectifiers.difference_superdiodes import DifferenceSuperdiodes
from envlab.analog.rectifiers.diodeless import Diodeless
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.engine.side_by_side import runs_side_by_side
from envlab.light.curve import BrightnessMap
from envlab.sound.recording import Recording, read_recording
from envlab.study.specification.specification import Specification, read_specification
from envlab.study.tolerance.board_metrics import BoardJudge
from envlab.study.tolerance.board_run import read_boards
from envlab.study.tolerance.drawn_boards import board_of, draw
from envlab.study.tolerance.tables import meets
from envlab.study.tolerance.tolerances import Tolerances, varied_parameters

WIDE = Tolerances(
    resistor_percent=5,
    capacitor_percent=20,
    offset_v=0.005,
    temperature_c=(-20, 40),
    supply_v=(3.1, 3.5),
    boards=20,
)
TOPOLOGIES: dict[str, ActiveRectifier] = {
    "differences": DifferenceSuperdiodes(0.15, upper_source_ohm=47.47e3),
    "differences on ground": DifferenceSuperdiodes(),
    "absolute value": AbsoluteValue(0.15, gain_bandwidth_hz=1e6),
    "diodeless": Diodeless(),
    "on the bias": BiasSuperdiodes(diode="schottky", temperature_c=40.0),
    "sinks": Diodeless(blocking="none"),
}


def design_of(name: str) -> Chain:
    return Chain(
        rectifier=TOPOLOGIES[name],
        detector=PeakDetector(4.7e3, 1e-6, 100e3),
        brightness=BrightnessMap(70.0, 100.0),
    )


def boards_of(chain: Chain, tolerances: Tolerances = WIDE) -> list[Chain]:
    parameters = varied_parameters(chain, tolerances)
    return [board_of(chain, parameters, row) for row in draw(parameters, tolerances.boards, 11)]


def frames_of(chain: Chain, sound: Recording) -> np.ndarray:
    return chain.reading_of_frame(int(sound.duration_s * chain.frame_rate_hz))


@pytest.mark.parametrize("name", TOPOLOGIES)
@pytest.mark.parametrize("level_db_spl", [92.0, 112.0])
def test_twenty_boards_read_as_each_does_by_itself(name, level_db_spl, clip_folder):
    """No count apart by more than one, hardly any apart; the board as designed by none."""
    sound = read_recording(clip_folder / "beat.wav", level_db_spl)
    design = design_of(name)
    boards = [design, *boards_of(design)]
    assert runs_side_by_side(design, boards)
    index = frames_of(design, sound)
    quick, exact = (
        read_boards(sound, design, boards, index, seed=(1, 2), one_by_one=one_by_one)
        for one_by_one in (False, True)
    )
    apart = np.abs(quick.envelope_counts - exact.envelope_counts)
    assert exact.envelope_counts.max() > 100
    assert apart.max() <= 1
    assert apart.mean() <= 0.02
    assert apart[0].max() == 0
    # The front end is that of boards with an ideal rectifier, and so is what it leaves out.
    ideal = [replace(board, rectifier=Rectifier()) for board in boards]
    same_front = read_boards(sound, replace(design, rectifier=Rectifier()), ideal, index, seed=(1, 2))
    np.testing.assert_allclose(quick.clipped_share, same_front.clipped_share, atol=2e-5)
    np.testing.assert_allclose(quick.clipped_share, exact.clipped_share, rtol=0.02, atol=4e-4)


@pytest.mark.parametrize("name", ["differences", "absolute value", "diodeless"])
def test_blocks_and_threads_change_nothing(name, clip_folder, monkeypatch):
    sound = read_recording(clip_folder / "beat.wav", 104.0)
    design = design_of(name)
    boards = boards_of(design, replace(WIDE, boards=40))
    index = frames_of(design, sound)
    once = read_boards(sound, design, boards, index, seed=(1,), workers=1)
    monkeypatch.setattr("envlab.engine.waves.BLOCK", 64 * 37)
    again = read_boards(sound, design, boards, index, seed=(1,), workers=2)
    np.testing.assert_array_equal(once.envelope_counts, again.envelope_counts)
    np.testing.assert_array_equal(once.clipped_share, again.clipped_share)


def test_boards_of_two_kinds_run_one_by_one():
    """With and without a super-diode at the end: the capacitor is another circuit."""
    design = design_of("diodeless")
    assert runs_side_by_side(design, boards_of(design)[:2])
    assert not runs_side_by_side(design, [design_of("sinks")])


def test_the_pins_buffer_differs_where_the_detector_rests_below_its_end():
    """15 mV ± 30 %: 10.5, 15 and 19.5 mV are 3.26, 4.65 and 6.05 LSB of 10 bit on 3.3 V, read in silence."""
    on_ground = Chain(rectifier=Rectifier("half", diode="schottky"))
    (buffer,) = (one for one in varied_parameters(on_ground, WIDE) if one.name == "buffer_low_percent")
    for percent, counts in ((-30.0, 3), (0.0, 4), (30.0, 6)):
        board = board_of(on_ground, [buffer], np.array([percent]))
        assert board.adc_as_built.lowest_pin_v == pytest.approx(0.015 * (1 + 0.01 * percent))
        assert board.quiescent_counts == counts
    lifted = replace(on_ground, rectifier=replace(on_ground.rectifier, reference_node_v=0.15))
    unbuffered = replace(on_ground, adc=Adc(buffered="no"))
    for other in (lifted, unbuffered, Chain()):
        assert not any(one.name.startswith("buffer") for one in varied_parameters(other, WIDE))


def test_boards_of_a_diode_on_ground_read_as_each_does_by_itself(clip_folder):
    sound = read_recording(clip_folder / "beat.wav", 92.0)
    design = replace(design_of("sinks"), rectifier=Rectifier("half", diode="schottky"))
    boards = [design, *boards_of(design)]
    assert len({board.adc_as_built.lowest_pin_v for board in boards}) == len(boards)
    index = frames_of(design, sound)
    quick, exact = (
        read_boards(sound, design, boards, index, seed=(1, 2), one_by_one=one_by_one)
        for one_by_one in (False, True)
    )
    apart = np.abs(quick.envelope_counts - exact.envelope_counts)
    assert exact.envelope_counts.max() > 50
    assert apart.max() <= 1 and apart.mean() <= 0.02 and apart[0].max() == 0


def test_an_amplifier_that_is_left_out_differs_on_no_board():
    def offsets(blocking: str) -> list[str]:
        design = Chain(rectifier=Diodeless(blocking=blocking))
        return [one.name for one in varied_parameters(design, WIDE) if one.name.startswith("u2")]

    assert offsets("super_diode") == ["u2a_offset_v", "u2b_offset_v", "u2c_offset_v"]
    assert offsets("none") == ["u2a_offset_v", "u2b_offset_v"]


QUESTION = """
[[clips]]
file = "beat.wav"
levels_db_spl = [92, 104]
tags = ["beat"]

[[clips]]
file = "hum.wav"
levels_db_spl = [76]
tags = ["quiet"]

[targets]
beat_contrast_lstar = { at_least = 5, scale = 10 }
quiet_lit_share = { at_least = 0.5, scale = 0.3 }
clipped_share = { at_most = 0.1, scale = 0.05 }
"""


@pytest.fixture
def specification(write_design) -> Specification:
    return read_specification(write_design(QUESTION))


def yield_of(
    specification: Specification, design: Chain, boards: list[Chain], *, one_by_one: bool
) -> np.ndarray:
    import pandas as pd

    sounds = [clip.recording() for clip in specification.clips]
    judge = BoardJudge(specification, design, sounds, one_by_one=one_by_one)
    found = [judge.clip(number, boards) for number in range(len(sounds))]
    metrics = judge.over_clips(found)
    return meets(pd.DataFrame(metrics), specification.targets.items)


@pytest.mark.slow
def test_yield_of_300_boards_side_by_side_is_that_one_by_one(specification):
    """With tolerances so wide that many boards fail; no verdict on any target differs."""
    design = design_of("differences")
    boards = boards_of(design, replace(WIDE, microphone_db=3.0, boards=300))
    assert runs_side_by_side(design, boards)
    quick, exact = (
        yield_of(specification, design, boards, one_by_one=one_by_one) for one_by_one in (False, True)
    )
    np.testing.assert_array_equal(quick, exact)
    shares = exact.mean(axis=0)
    assert ((shares > 0.05) & (shares < 0.95)).any(), shares

"""Trims: the words, what they leave, what cannot be trimmed, and what they buy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import envlab
from envlab.bench.boards.trim import (
    BoardReadings,
    level_by_wire,
    read_boards,
    trim_of,
    trimmed_words,
)
from envlab.bench.boards.trim_header import trim_header, trims_csv
from envlab.bench.boards.trim_yield import (
    NotFollowedError,
    board_read,
    board_trimmed,
    readings_of_board,
    trim_yield,
)
from envlab.errors import EnvlabError, FileError, ParameterError
from envlab.shipped import demo_design
from envlab.sound.signals import tone
from envlab.stages import PeakDetector, Rectifier
from envlab.study.tolerance.drawn_boards import board_of, draw
from envlab.study.tolerance.tolerances import Tolerances, varied_parameters
from envlab.units import db

LEVELS = (90.0, 104.0)


@pytest.fixture(scope="module")
def parade():
    return envlab.read_design(demo_design())


@pytest.fixture(scope="module")
def chain(parade):
    """The parade's design on parts that stay, whatever the parade is built of.

    Its noise is enough that a mean of readings is no staircase any more: the trims are then exact.
    """
    return replace(
        parade,
        preamp=replace(parade.preamp, feedback_ohm=22e3),
        rectifier=Rectifier(),
        detector=PeakDetector(4.7e3, 1e-6, 220e3),
        adc=replace(parade.adc, noise_lsb=0.7),
    )


def off(chain, louder_db=0.0, offset_lsb=0.0):
    """A board whose microphone is louder and whose converter reads more."""
    microphone = replace(chain.microphone, sensitivity_dbv_pa=chain.microphone.sensitivity_dbv_pa + louder_db)
    return replace(chain, microphone=microphone, adc=replace(chain.adc, offset_lsb=offset_lsb))


def test_a_board_of_known_gain_and_rest(chain):
    found = trim_of(chain, readings_of_board(off(chain, 2.5, 7.0), "0007", LEVELS))
    # 2.5 dB too loud is a factor of 10^(−2.5/20).
    assert found.gain == pytest.approx(0.749894, rel=1e-4)
    assert found.rest_counts == pytest.approx(chain.quiescent_v / chain.adc.lsb_v + 6.5, abs=1e-9)
    assert found.rest_word == round(found.rest_counts * 64)
    assert found.left_db == pytest.approx((0.0, 0.0), abs=1e-9)
    assert found.problem == ""


def test_the_trimmed_board_counts_as_the_design(chain):
    """Through sound, circuit and converter: envelopes at a level that was not used for the trim."""
    sound = envlab.Recording(
        tone(1000.0, 1.0, 0.8, 48_000.0) * np.sqrt(2) * 20e-6 * 10 ** (97 / 20), 48_000.0
    )
    board = off(chain, -3.0, 9.0)
    found = trim_of(chain, readings_of_board(board, "1", LEVELS))
    settled = slice(500, 750)
    wanted = chain.run(sound, None).adc_counts[settled].mean() - chain.quiescent_v / chain.adc.lsb_v + 0.5
    above = board.run(sound, None).adc_counts[settled].mean() - found.rest_counts
    words = trimmed_words(np.array([round(64 * above)]), found)
    # Without noise each reading is a whole count, of the quieter board 1.4 of the design's.
    assert words[0] / 64 == pytest.approx(wanted, abs=1.2)
    assert above < 0.75 * wanted
    seen = board_trimmed(chain, board, found).run(sound, None).adc_counts[settled].mean()
    assert seen - chain.quiescent_counts == pytest.approx(words[0] / 64, abs=1.2)


def test_a_rest_that_cannot_be_followed_is_said_and_not_cut(parade):
    """The parade rests at 512 of 1024 counts: a factor of 1.25 moves that by 128, one of 1.1 by 51."""
    loud, near = (off(parade, db(1 / factor)) for factor in (1.25, 1.1))
    trims = [trim_of(parade, readings_of_board(one, "7", (92.0,))) for one in (loud, near)]
    assert [one.gain for one in trims] == pytest.approx([1.25, 1.1], rel=5e-3)
    with pytest.raises(NotFollowedError, match=r"board 7: cannot be simulated, .* lie -1[23]\d counts off"):
        board_trimmed(parade, loud, trims[0])
    seen = board_trimmed(parade, near, trims[1])
    assert seen.adc.offset_lsb == pytest.approx(-51.2, abs=2.0)
    # Behind its trim it rests where the design does.
    assert seen.adc.line_lsb(seen.quiescent_v) + seen.adc.offset_lsb == pytest.approx(512.0, abs=0.7)
    far = replace(trims[1], rest_counts=trims[1].rest_counts + 150.0)
    with pytest.raises(NotFollowedError, match="would lie 150 counts off"):
        board_read(parade, far)


def test_a_yield_says_how_many_boards_it_could_not_judge(parade):
    from envlab import Clip, Specification, Target, Targets

    hum = envlab.Recording(tone(1000.0, 1.0, 1.0, 48_000.0), 48_000.0, name="hum")
    asked = Specification(
        parade, clips=[Clip(hum, 72.0, ("quiet",))],
        targets=Targets((Target("quiet_lit_share", "at_least", 0.9, 0.1),)),
    )  # fmt: skip
    boards = [off(parade, louder) for louder in (0.0, -3.0)]
    found = trim_yield(asked, boards, (92.0,))
    assert (found.boards, found.not_judged) == (1, 1)
    assert "Of 1 boards" in found.words
    assert "Not judged: 1 more, as their rest lies over 100 counts off" in found.words
    with pytest.raises(NotFollowedError):
        trim_yield(asked, boards[1:], (92.0,))


def test_a_board_read_is_the_board(chain):
    board = off(chain, 1.7, 4.0)
    found = trim_of(chain, readings_of_board(board, "1", LEVELS))
    again = board_read(chain, found)
    assert again.microphone.sensitivity_dbv_pa == pytest.approx(board.microphone.sensitivity_dbv_pa, abs=1e-6)
    assert again.adc.offset_lsb == pytest.approx(4.0, abs=1e-6)


@pytest.mark.parametrize(
    ("silence", "counts", "said"),
    [
        (5.0, 12.0, "counts above silence"),
        (5.0, 1023.0, "at its top"),
        (5.0, 5 + 18.0, "which is a fault and no tolerance"),
    ],
)
def test_what_cannot_be_trimmed_is_said(chain, silence, counts, said):
    found = trim_of(chain, BoardReadings("1", silence, {104.0: counts}))
    assert not found.is_usable
    assert said in found.problem
    with pytest.raises(EnvlabError, match="has no trim"):
        trim_header(found, 1)
    assert ",no," in trims_csv([found])


def test_a_dead_zone_shows_in_two_levels(chain):
    dead = {level: 6.0 + chain.counts_at(level) - 12.0 for level in LEVELS}
    found = trim_of(chain, BoardReadings("1", 6.0, dead))
    assert found.is_usable
    assert "a dead zone or a clip" in found.problem
    assert found.left_db[0] == pytest.approx(-found.left_db[1], abs=1e-9)
    low, high = sorted(found.left_db)
    assert low < -1 < 1 < high


def test_a_rest_at_0_is_said(chain):
    found = trim_of(chain, BoardReadings("1", 0.0, {92.0: chain.counts_at(92.0)}))
    assert "cannot be read" in found.problem


def test_levels_that_the_design_cannot_read_are_refused(chain):
    with pytest.raises(ParameterError, match="so loud that the design reads 15 counts"):
        trim_of(chain, BoardReadings("1", 5.0, {40.0: 9.0}))
    with pytest.raises(ParameterError, match="not near its top"):
        trim_of(chain, BoardReadings("1", 5.0, {125.0: 900.0}))


def test_a_file_of_boards(chain, tmp_path):
    path = tmp_path / "boards.csv"
    path.write_text(
        "serial,silence_counts,counts_at_78_db_spl,counts_at_92_db_spl\n0001,5.5,70,330\n0002,6,66,300\n"
    )
    found = read_boards(path, chain)
    assert [one.serial for one in found] == ["0001", "0002"]
    assert found[0].level_counts == {78.0: 70.0, 92.0: 330.0}
    path.write_text("serial,silence_counts,counts_at_0.005_v\n1,5,300\n")
    # 5 mV at −42 dBV/Pa (7.943 mV/Pa at 1 kHz, its corners take 0.03 dB) is 0.63 Pa, 89.98 dB SPL.
    assert list(read_boards(path, chain)[0].level_counts) == pytest.approx([89.98], abs=0.05)
    assert level_by_wire(chain, 0.005) == pytest.approx(89.98, abs=0.05)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "holds no board"),
        ("serial,silence_counts,counts_at_92_db_spl\n", "holds no board"),
        ("serial,quiet,counts_at_92_db_spl\n1,5,300\n", "wanted are serial, silence_counts"),
        ("serial,silence_counts,counts_at_loud_db_spl\n1,5,300\n", "wanted are serial, silence_counts"),
        ("serial,silence_counts,counts_at_92_db_spl\n1,5\n", "line 2 must have a serial and 2 numbers"),
        ("serial,silence_counts,counts_at_92_db_spl\n1,5,3 00\n", "line 2 must have a serial and 2 numbers"),
        ("serial,silence_counts,counts_at_92_db_spl\n1,5,300\n1,6,300\n", "serial 1 stands there 2 times"),
        ("serial,silence_counts,counts_at_92_db_spl\na b,5,300\n", "line 2: serial is 'a b'"),
        ("serial,silence_counts,counts_at_92_db_spl\n1,nan,300\n", "line 2: silence_counts is nan"),
    ],
)
def test_a_bad_file_is_said_in_one_line(chain, tmp_path, text, said):
    path = tmp_path / "boards.csv"
    path.write_text(text)
    with pytest.raises(FileError) as raised:
        read_boards(path, chain)
    assert said in str(raised.value)
    assert "\n" not in str(raised.value)


def test_what_a_trim_buys(chain):
    """Boards whose microphones and converters differ: fewer miss a target that the design just meets."""
    hum = envlab.Recording(tone(1000.0, 1.0, 3.0, 48_000.0), 48_000.0, name="hum")
    from envlab import Clip, Specification, Target, Targets

    soft = (
        Target("quiet_lit_share", "at_least", 0.9, 0.1),
        Target("idle_lstar", "at_most", 2.0, 1.0),
    )
    asked = Specification(chain, clips=[Clip(hum, 72.0, ("quiet",))], targets=Targets(soft))
    boards = [off(chain, louder, offset) for louder in (-6.0, 0.0, 6.0) for offset in (0.0, 8.0)]
    found = trim_yield(asked, boards, LEVELS)
    assert found.boards == 6
    assert found.after > found.before
    assert found.after == 1.0
    assert (
        found.words == f"Of 6 boards {100 * found.before:.0f} % meet every target as they are, 100 % trimmed."
    )
    assert (found.targets.after_share >= found.targets.before_share).all()


def test_drawn_boards_keep_their_trim_at_a_third_level(parade):
    """Of the parade as it is, whose rest on the bias lies far from the converter's ends."""
    asked = Tolerances(temperature_c=(20.0, 25.0))
    parameters = varied_parameters(parade, asked)
    for row in draw(parameters, 20, 5):
        board = board_of(parade, parameters, row)
        found = trim_of(parade, readings_of_board(board, "1", LEVELS))
        assert found.is_usable
        third = found.gain * board.counts_at(97.0) / parade.counts_at(97.0)
        assert third == pytest.approx(1.0, abs=5e-3)

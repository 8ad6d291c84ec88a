"""How sure the clips' levels are is one of the things in which nights differ."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from envlab.analog.microphone import Microphone
from envlab.analog.preamps.preamp import Preamp
from envlab.chain import Chain
from envlab.metrics.metrics_of_clip import frame_envelopes
from envlab.sound.clip import Clip
from envlab.sound.recording import Recording
from envlab.sound.signals import tone
from envlab.study.specification.specification import Specification
from envlab.study.specification.targets import Target, Targets
from envlab.study.tolerance.board_metrics import BoardJudge
from envlab.study.tolerance.drawn_boards import draw, hearing, levels_off_db
from envlab.study.tolerance.tolerance import tolerance
from envlab.study.tolerance.tolerances import LEVEL, Tolerances, varied_parameters

RATE_HZ = 8_000.0
PULSES = Recording(tone(300.0, 1.0, 2.0, RATE_HZ) * (np.arange(16_000) % 4000 < 2000), RATE_HZ, "pulses")
EXACT = Tolerances(
    resistor_percent=0,
    capacitor_percent=0,
    microphone_db=0,
    offset_v=0,
    reference_percent=0,
    temperature_c=(25, 25),
    supply_v=(3.3, 3.3),
    deviations={"adc.offset_lsb": 0, "adc.gain_error_percent": 0, "adc.bow_lsb": 0},
    boards=200,
)


def clip(level_db_spl: float, uncertainty_db: float = 0.0, name: str = "pulses") -> Clip:
    return Clip(replace(PULSES, name=name), level_db_spl, ("beat",), level_uncertainty_db=uncertainty_db)


def test_nothing_varies_where_levels_are_sure():
    assert varied_parameters(Chain(), EXACT, clips=[clip(90.0)]) == []


def test_deviations_have_the_stated_uncertainty_as_two_standard_deviations():
    (level,) = varied_parameters(Chain(), EXACT, clips=[clip(90.0, 3.0), clip(80.0, 1.0)])
    assert (level.name, level.label, level.range_text) == (
        LEVEL,
        "level of the clips",
        "±3 dB, 19 times in 20",
    )
    drawn = draw([level], 20_000, 4)[:, 0]
    # k = 2: 3 dB is two standard deviations; those of a normal law cut at three of its own are 0.987 of it.
    assert drawn.std() == pytest.approx(1.5 * 0.987, rel=0.02)
    assert np.mean(np.abs(drawn) <= 3.0) == pytest.approx(0.9545, abs=0.006)
    assert level.text(-1.5) == "level of the clips −1.5 dB"


def test_as_designed_is_as_stated():
    parameters = varied_parameters(Chain(), EXACT, clips=[clip(90.0, 3.0)])
    assert levels_off_db(parameters, np.array([[np.nan], [2.0]])).tolist() == [0.0, 2.0]
    assert levels_off_db([], np.empty((3, 0))).tolist() == [0.0] * 3


@pytest.mark.parametrize("louder_db", [-4.0, 2.5, 20.0])
def test_a_board_that_hears_louder_reads_what_it_reads_of_a_louder_sound(louder_db):
    # At 20 dB more both overload: at the same pressure in the air.
    chain = Chain()
    louder, _ = frame_envelopes(clip(92.0 + louder_db).sound(), [chain], seed=None, workers=1)
    heard, _ = frame_envelopes(clip(92.0).sound(), [hearing(chain, louder_db)], seed=None, workers=1)
    np.testing.assert_allclose(heard, louder, atol=1)
    assert hearing(chain, 0.0) is chain
    assert louder.max() > 10


def test_its_microphone_is_overloaded_at_the_same_pressure_in_the_air():
    chain = Chain(microphone=Microphone(overload_db_spl=104.0), preamp=Preamp(feedback_ohm=1e3))
    louder, share = frame_envelopes(clip(108.0).sound(), [chain], seed=None, workers=1)
    heard, same_share = frame_envelopes(clip(100.0).sound(), [hearing(chain, 8.0)], seed=None, workers=1)
    assert 0.05 < share[0] == pytest.approx(same_share[0], abs=0.001)
    np.testing.assert_allclose(heard, louder, atol=1)


def judged(specification, louder_db, *, exactly=False):
    recordings = [one.sound() for one in specification.clips]
    judge = BoardJudge(specification, specification.chain, recordings, 1, one_by_one=exactly)
    boards = [specification.chain] * len(louder_db)
    return judge.metrics(boards, lambda *_: None, np.array(louder_db))


@pytest.mark.parametrize("exactly", [False, True])
def test_each_clip_is_off_in_proportion_to_its_own_uncertainty(exactly):
    targets = Targets((Target("range_used_db", "at_least", 10.0, 1.0),))
    sure = Specification(Chain(), [clip(90.0, name="sure"), clip(70.0, 4.0)], targets=targets)
    off = judged(sure, [0.0, 4.0], exactly=exactly)
    moved = Specification(Chain(), [clip(90.0, name="sure"), clip(74.0)], targets=targets)
    assert off["range_used_db"][0] - off["range_used_db"][1] == pytest.approx(4.0, abs=0.5)
    wanted = judged(moved, [0.0], exactly=exactly)
    assert off["range_used_db"][1] == pytest.approx(wanted["range_used_db"][0], abs=0.3)
    half = Specification(Chain(), [clip(90.0, 2.0, name="half"), clip(70.0, 4.0)], targets=targets)
    both = judged(half, [4.0], exactly=exactly)
    assert off["range_used_db"][0] - both["range_used_db"][0] == pytest.approx(4.0 - 2.0, abs=0.5)


def test_yield_covers_it_and_causes_list_it():
    # The design meets the target with 1.5 dB to spare; with parts exact all loss comes from the level:
    # the share of a normal law, standard deviation 1.5 dB, that lies above 1.5 dB is 16 %.
    chain = Chain()
    (share,) = judged(Specification(chain, [clip(92.0)]), [0.0])["supply_99_a"]
    (louder,) = judged(Specification(chain, [clip(92.0, 3.0)]), [1.5])["supply_99_a"]
    assert louder > share
    targets = Targets((Target("supply_99_a", "at_most", float(louder), 0.1),))
    asked = Specification(chain, [clip(92.0, 3.0)], targets=targets, tolerance=EXACT)
    found = tolerance(asked, workers=1)
    assert found.yield_share == pytest.approx(0.84, abs=0.08)
    assert found.causes["name"].tolist() == [LEVEL]
    assert found.causes["yield_if_exact"].tolist() == [1.0]
    assert any("level of the clips (±3 dB, 19 times in 20)" in text for text in found.words)
    assert LEVEL in found.boards.columns
    sure = tolerance(replace(asked, clips=(clip(92.0),)), workers=1)
    assert sure.yield_share == 1.0


def test_no_microphone_is_overloaded_under_90_or_over_160_db_spl():
    """The limits of a microphone in a design file; the board that hears so is one that a file could name."""
    for overload_db_spl, louder_db, heard_db_spl in (
        (95.0, 10.0, 90.0),
        (155.0, -10.0, 160.0),
        (120.0, 6.0, 114.0),
    ):
        chain = Chain(microphone=Microphone(overload_db_spl=overload_db_spl))
        assert hearing(chain, louder_db).microphone.overload_db_spl == heard_db_spl

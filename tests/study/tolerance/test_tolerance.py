"""Many boards of one design: yield, causes and worst_cases where the answer is known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from envlab.analog.hold_capacitor import HoldCapacitor
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.errors import EnvlabError, ParameterError
from envlab.sound.clip import Clip
from envlab.sound.recording import Recording
from envlab.sound.signals import tone
from envlab.study.sentences import of_kind
from envlab.study.specification.specification import Specification, read_specification
from envlab.study.specification.targets import Target, Targets
from envlab.study.sweep.sweep import sweep
from envlab.study.tolerance.board_metrics import BoardJudge
from envlab.study.tolerance.operating_conditions import under_conditions
from envlab.study.tolerance.result import ToleranceResult
from envlab.study.tolerance.tables import of_all, shows_in
from envlab.study.tolerance.tolerance import tolerance
from envlab.study.tolerance.tolerances import Tolerances
from envlab.study.tolerance.words import percent_text

QUESTION = """
[[clips]]
file = "beat.wav"
levels_db_spl = [92, 104]
tags = ["beat"]

[[clips]]
file = "hum.wav"
levels_db_spl = [66]
tags = ["quiet"]

[brightness]
floor_db_spl = 60
ceiling_db_spl = 98

[targets]
beat_contrast_lstar = { at_least = 5, scale = 10 }
onset_lag_worst_ms = { at_most = 45, scale = 20 }
ripple_db = { at_most = 1.5, scale = 1 }
clipped_share = { at_most = 0.03, scale = 0.05 }
quiet_lit_share = { at_least = 0.5, scale = 0.3 }
"""
EXACT = Tolerances(
    resistor_percent=0,
    capacitor_percent=0,
    microphone_db=0,
    offset_v=0,
    reference_percent=0,
    temperature_c=(25, 25),
    supply_v=(3.3, 3.3),
    deviations={"adc.offset_lsb": 0, "adc.gain_error_percent": 0, "adc.bow_lsb": 0},
    boards=5,
)
Write = Callable[[str], Path]


@pytest.fixture
def specification(write_design: Write) -> Specification:
    return read_specification(write_design(QUESTION))


def asking(specification: Specification, *targets: Target) -> Specification:
    return replace(specification, targets=Targets(targets))


def result_of(specification: Specification, tolerances: Tolerances) -> ToleranceResult:
    return tolerance(specification, tolerances=tolerances)


def test_without_spread_every_board_is_the_row_of_the_sweep(specification):
    result = result_of(specification, EXACT)
    row = sweep(specification, ranges={}).iloc[0]
    assert result.parameters == ()
    for metric, value in result.nominal.items():
        np.testing.assert_equal(value, row[metric])
        np.testing.assert_array_equal(result.boards[metric], np.full(5, row[metric]))
    assert result.yield_share in (0.0, 1.0)
    assert result.worst_cases.empty
    assert result.causes.empty


def test_the_yield_of_one_part_is_its_probability(specification):
    """Release is C·R·ln of a ratio; C even within ±20 %, at most 10 % above nominal: (0.1 + 0.2)/0.4."""
    only_c = replace(EXACT, parts_percent={"C3": 20}, boards=2000)
    nominal_ms = 1e3 * specification.chain.tone_response().release_s
    asked = asking(specification, Target("release_ms", "at_most", 1.1 * nominal_ms, 20))
    result = result_of(asked, only_c)
    # The ripple on the capacitor moves the ratio by less than 1e-4.
    meant = (result.boards["C3_percent"] <= 10.0).mean()
    assert result.yield_share == pytest.approx(meant, abs=0.002)
    assert result.yield_share == pytest.approx(0.75, abs=3 * np.sqrt(0.75 * 0.25 / 2000))
    np.testing.assert_allclose(
        result.boards["release_ms"], nominal_ms * (1 + result.boards["C3_percent"] / 100), rtol=2e-4
    )
    cause = result.causes.iloc[0]
    assert cause["name"] == "C3_percent"
    assert cause["yield_if_exact"] == 1.0
    assert cause["tighter"] == "±10 %"
    assert cause["yield_if_tighter"] == 1.0
    worst_case = result.worst_cases.set_index("metric").loc["release_ms"]
    assert worst_case["value"] == pytest.approx(1.2 * nominal_ms, rel=2e-4)
    assert worst_case["at"] == "C3 hold +20 %"
    assert not worst_case["meets"]


def test_normal_parts_give_the_yield_of_their_law(specification):
    only_c = replace(EXACT, parts_percent={"C3": 20}, boards=1000, shape="normal")
    nominal_ms = 1e3 * specification.chain.tone_response().release_s
    asked = asking(specification, Target("release_ms", "at_most", 1.1 * nominal_ms, 20))
    meant = float(stats.truncnorm(-3, 3, scale=20 / 3).cdf(10))
    assert result_of(asked, only_c).yield_share == pytest.approx(meant, abs=3 * np.sqrt(0.93 * 0.07 / 1000))


def test_each_of_two_guilty_parts_has_its_own_gain(specification):
    """Release goes with C·R and may be 8 % above nominal.

    With C exact, R within ±10 % keeps that with probability (8 + 10)/20 = 0.9; with R exact, C within ±20 %
    with (8 + 20)/40 = 0.7. R1 has no part in it.
    """
    nominal_ms = 1e3 * specification.chain.tone_response().release_s
    asked = asking(specification, Target("release_ms", "at_most", 1.08 * nominal_ms, 20))
    result = result_of(asked, replace(EXACT, parts_percent={"C3": 20, "R5": 10, "R1": 5}, boards=600))
    causes = result.causes.set_index("name")
    assert result.causes["name"].iloc[0] == "C3_percent"
    assert causes.loc["C3_percent", "yield_if_exact"] == pytest.approx(0.9, abs=3 * np.sqrt(0.09 / 300))
    assert causes.loc["R5_percent", "yield_if_exact"] == pytest.approx(0.7, abs=3 * np.sqrt(0.21 / 300))
    # Board by board: of the first half those that would keep it with R as designed, and what that is of all.
    rest = result.boards["C3_percent"].to_numpy()[:300] <= 8
    met = result.boards["meets_all"].to_numpy()
    meant = 1 - (1 - met.mean()) * (1 - rest.mean()) / (1 - met[:300].mean())
    assert causes.loc["R5_percent", "yield_if_exact"] == pytest.approx(meant, abs=2 / 300)
    assert abs(meant - met.mean()) > 4 / 300
    assert causes.loc["R1_percent", "gain"] == 0
    (cause,) = of_kind(result.sentences, "cause")
    assert cause.behind["name"] == "C3_percent"
    assert "C3 hold (±20 %)" in cause.text


def test_what_an_exact_part_gains_is_what_the_yield_lacks_without_it(specification):
    """C within ±20 % while release and ripple, which go opposite ways, may each be 5 % above nominal."""
    nominal = specification.chain.tone_response(), specification.chain.tone_response(60.0)
    limits_of = {"release_ms": 1e3 * nominal[0].release_s, "ripple_db": nominal[1].ripple_db}
    targets = [Target(name, "at_most", 1.05 * value, 20) for name, value in limits_of.items()]
    result = result_of(asking(specification, *targets), replace(EXACT, parts_percent={"C3": 20}, boards=200))
    assert 0 < result.yield_share < 0.4
    (row,) = [row for row in result.causes.itertuples() if row.name == "C3_percent"]
    assert row.yield_if_exact == 1.0
    assert row.gain == pytest.approx(1 - result.yield_share, abs=1e-12)


def unheard(what: str, share: float) -> None:
    del what, share


def test_who_is_asked_for_some_metrics_plays_the_clips_that_matter_for_them(specification, monkeypatch):
    sounds = [clip.sound() for clip in specification.clips]
    judge = BoardJudge(specification, specification.chain, sounds)
    boards = [under_conditions(specification.chain, supply_v=volts) for volts in (3.2, 3.3, 3.4)]
    wanted = [{"beat_contrast_lstar"}, {"onset_lag_worst_ms", "quiet_lit_share"}, {"clipped_share"}]
    whole, played = judge.metrics(boards, unheard), dict[str, int]()
    clip_of = BoardJudge.clip

    def noted(self, number, some, report=None):
        played[specification.clips[number].label] = len(some)
        return clip_of(self, number, some, report)

    monkeypatch.setattr(BoardJudge, "clip", noted)
    some = judge.metrics(boards, unheard, wanted=wanted)
    for board, names in enumerate(wanted):
        for name in names:
            assert some[name][board] == whole[name][board]
    # The beats for the first and the last, which is asked of all; the hum for the two others.
    assert list(played.values()) == [2, 2, 2]
    played.clear()
    latency = judge.metrics(boards, unheard, wanted=[{"onset_lag_worst_ms"}] * 3)
    assert not played
    np.testing.assert_array_equal(latency["onset_lag_worst_ms"], whole["onset_lag_worst_ms"])


def test_a_test_signal_is_heard_by_those_who_are_asked_for_what_it_gives(specification, monkeypatch):
    sounds = [clip.sound() for clip in specification.clips]
    asked = replace(specification, targets=Targets((Target("attack_60hz_ms", "at_most", 50.0, 1.0),)))
    judge = BoardJudge(asked, specification.chain, sounds)
    boards = [under_conditions(specification.chain, supply_v=volts) for volts in (3.2, 3.3, 3.4)]
    wanted = [{"idle_lstar"}, {"onset_lag_mean_ms", "attack_60hz_ms"}, {"table_step_lstar"}]
    whole, heard = judge.metrics(boards, unheard), []
    bench_of = BoardJudge.bench

    def noted(self, some, names):
        heard.append((len(some), sorted(names)))
        return bench_of(self, some, names)

    monkeypatch.setattr(BoardJudge, "bench", noted)
    some = judge.metrics(boards, unheard, wanted=wanted)
    for board, names in enumerate(wanted):
        for name in names:
            assert some[name][board] == whole[name][board]
    assert heard == [
        (1, ["attack_60hz_ms"]),
        (1, ["onset_lag_mean_ms", "onset_lag_worst_ms"]),
        (1, ["idle_lstar"]),
        (1, ["table_step_lstar"]),
    ]


@pytest.mark.filterwarnings("ignore:silence. silent clip")
def test_the_range_used_is_that_of_the_loudest_and_the_quietest_clip(specification, monkeypatch):
    levels = (70.0, 88.0, 96.0, 60.0)
    hum = Recording(tone(60.0, 1.0, 2.0, 8000.0), 8000.0, name="hum")
    # The quietest of all is silence, on which nothing is judged.
    silence = Clip(Recording(np.zeros(16_000), 8000.0, name="silence"), 50.0)
    asked = replace(specification, clips=[silence, *(Clip(hum, level) for level in levels)])
    judge = BoardJudge(asked, asked.chain, [clip.sound() for clip in asked.clips])
    boards = [under_conditions(asked.chain, supply_v=volts) for volts in (3.2, 3.4)]
    whole, played = judge.metrics(boards, unheard), list[float]()
    clip_of = BoardJudge.clip

    def noted(self, number, some, report=None):
        played.append(asked.clips[number].level_db_spl)
        return clip_of(self, number, some, report)

    monkeypatch.setattr(BoardJudge, "clip", noted)
    some = judge.metrics(boards, unheard, wanted=[{"range_used_db"}] * 2)
    assert np.isfinite(whole["range_used_db"]).all()
    np.testing.assert_array_equal(some["range_used_db"], whole["range_used_db"])
    assert played == [96.0, 60.0]


def test_worst_cases_bound_the_boards_where_metrics_rise_with_each_part(specification):
    tolerances = Tolerances(boards=60, temperature_c=(25, 25))
    result = result_of(specification, tolerances)
    worst_cases = result.worst_cases.set_index("metric")
    boards = result.boards
    assert worst_cases.loc["ripple_db", "value"] >= boards["ripple_db"].max()
    assert worst_cases.loc["clipped_share", "value"] >= boards["clipped_share"].max() - 1e-4
    assert worst_cases.loc["quiet_lit_share", "value"] <= boards["quiet_lit_share"].min()
    assert worst_cases.loc["clipped_share", "at"].startswith("microphone +3 dB")
    spans = result.distribution.set_index("metric")
    assert (spans["low_5"] <= spans["median"]).all()
    assert (spans["median"] <= spans["high_95"]).all()
    assert spans.loc["ripple_db", "worst"] == boards["ripple_db"].max()
    assert spans.loc["quiet_lit_share", "worst"] == boards["quiet_lit_share"].min()


def test_the_same_seed_gives_the_same_bytes_and_more_boards_keep_the_first(specification):
    tolerances = replace(EXACT, parts_percent={"C3": 20, "C2": 20}, microphone_db=3, boards=20)
    once, again = result_of(specification, tolerances), result_of(specification, tolerances)
    assert once.boards.to_csv() == again.boards.to_csv()
    assert once.causes.to_csv() == again.causes.to_csv()
    assert once.sentences == again.sentences
    more = result_of(specification, replace(tolerances, boards=30))
    pd.testing.assert_frame_equal(more.boards.iloc[:20], once.boards)
    other = result_of(specification, replace(tolerances, seed=2))
    assert other.boards.to_csv() != once.boards.to_csv()


def test_every_target_has_its_yield_and_flashes_stand_first(specification):
    result = result_of(specification, Tolerances(boards=50))
    assert list(result.targets["metric"]) == [
        "flashes_per_s",
        "beat_contrast_lstar",
        "onset_lag_worst_ms",
        "ripple_db",
        "clipped_share",
        "quiet_lit_share",
    ]
    for row in result.targets.itertuples():
        values = result.boards[row.metric]
        met = values <= row.limit if row.side == "at_most" else values >= row.limit
        assert row.yield_share == met.mean()
    assert result.yield_share <= result.targets["yield_share"].min()
    assert result.boards["meets_all"].mean() == result.yield_share
    assert list(result.boards.index) == list(range(50))


def test_all_boards_run_the_table_of_the_design(specification):
    """A louder microphone makes more light: no board gets a table of its own that would undo it."""
    result = result_of(specification, replace(EXACT, microphone_db=3, boards=40))
    louder = np.argsort(result.boards["microphone_db"].to_numpy())
    for metric in ("supply_mean_a", "quiet_lit_share", "clipped_share"):
        rising = result.boards[metric].to_numpy()[louder]
        assert (np.diff(rising) >= 0).all()
        assert rising[-1] > rising[0]


def test_boards_one_by_one_agree_with_boards_side_by_side(specification):
    """A current limit that is never met is the same circuit, and has to run one by one."""
    tolerances = replace(EXACT, parts_percent={"C3": 20, "R3": 5}, microphone_db=3, boards=8)
    slow = replace(specification.chain, rectifier=Rectifier(output_current_a=10.0))
    quick, exact = (
        tolerance(specification, tolerances=tolerances),
        tolerance(specification, chain=slow, tolerances=tolerances),
    )
    for metric in ("beat_contrast_lstar", "quiet_lit_share", "onset_lag_worst_ms", "supply_mean_a"):
        np.testing.assert_allclose(quick.boards[metric], exact.boards[metric], rtol=0.01, atol=0.3)
    np.testing.assert_allclose(quick.boards["clipped_share"], exact.boards["clipped_share"], atol=1e-4)
    assert quick.yield_share == exact.yield_share


def test_boards_that_do_not_work_are_lost_and_told(write_design):
    text = QUESTION + '[microphone]\nkind = "electret"\nload_ohm = "8k2"\nsupply_v = 3.3\n'
    specification = read_specification(write_design(text))
    # 0.3 mA in 8.2 kΩ leaves the drain 0.84 V of 3.3 V, and it needs 0.8 V.
    result = result_of(specification, replace(EXACT, supply_v=(3.2, 3.4), boards=60))
    dead = result.boards["flashes_per_s"].isna()
    assert 0 < dead.sum() < 60
    assert not result.boards["meets_all"][dead].any()
    assert of_kind(result.sentences, "dead")[0].behind["dead_share"] == dead.mean()
    with pytest.raises(EnvlabError, match="no board works within these tolerances"):
        dark = replace(specification, chain=specification.chain)
        tolerance(dark, chain=specification.chain, tolerances=replace(EXACT, supply_v=(0.9, 0.95)))


def test_what_cannot_be_judged_is_said(specification):
    asked = replace(specification, targets=Targets((Target("false_light_lstar", "at_most", 5, 5),)))
    result = result_of(asked, replace(EXACT, boards=2))
    assert list(result.targets["metric"]) == ["flashes_per_s"]
    assert [one.behind for one in of_kind(result.sentences, "not_judged")] == [
        {"metric": "false_light_lstar"}
    ]


def test_a_specification_without_clips_is_refused(specification):
    with pytest.raises(ParameterError, match="clips is 0; it must be at least one clip"):
        tolerance(replace(specification, clips=()), chain=specification.chain)


def test_words_for_somebody_who_orders_fifty(specification):
    nominal_ms = 1e3 * specification.chain.tone_response().release_s
    asked = asking(specification, Target("release_ms", "at_most", 1.1 * nominal_ms, 20))
    result = result_of(asked, replace(EXACT, parts_percent={"C3": 20}, boards=400))
    share = result.yield_share
    assert of_kind(result.sentences, "yield")[0].behind == {"yield_share": share, "boards": 400}
    assert result.words[0].startswith(f"{percent_text(share)} of the boards meet every target")
    surely = int(stats.binom.ppf(0.05, 50, share))
    (order,) = of_kind(result.sentences, "order")
    assert order.behind == {"order": 50, "expected": 50 * share, "surely": surely}
    assert f"at least {surely} do" in order.text
    tighter = of_kind(result.sentences, "tighter")[0]
    assert tighter.behind == {"name": "C3_percent", "yield_if_tighter": 1.0}
    assert not any("None" in line or "nan" in line for line in result.words)


def test_the_designs_own_misses_are_not_blamed_on_parts(specification):
    asked = asking(specification, Target("beat_contrast_lstar", "at_least", 99, 10))
    result = result_of(asked, Tolerances(boards=10, temperature_c=(25, 25)))
    assert result.yield_share == 0
    assert (result.causes["gain"] == 0).all()
    (own,) = of_kind(result.sentences, "design")
    assert own.behind == {"missed": 1}
    assert "contrast on the beat at least 99 L*" in own.text


def test_what_does_not_differ_is_taken_to_show():
    met = np.arange(200) % 3 > 0
    assert shows_in(np.full(200, 5.0), met)
    assert shows_in(np.arange(3.0), met[:3])


def test_a_relation_shows_or_does_not():
    rng = np.random.default_rng(4)
    deviation = rng.uniform(-1, 1, 500)
    assert shows_in(deviation, np.abs(deviation) < 0.5)
    assert shows_in(deviation, deviation > 0.3)
    hits = [shows_in(deviation, rng.random(500) < 0.7) for _ in range(100)]
    # Two terms at two standard errors each: some 9 % by chance.
    assert np.mean(hits) < 0.25
    assert shows_in(deviation[:20], np.ones(20, dtype=bool))


@pytest.mark.parametrize(
    ("share", "text"),
    [(1.0, "100 %"), (0.0, "0 %"), (0.9996, "99.9 %"), (0.0004, "0.1 %"), (0.995, "99.5 %"), (0.5, "50 %")],
)
def test_a_share_is_never_rounded_to_all_or_none(share, text):
    assert percent_text(share) == text


def test_the_cold_is_told_of_boards_that_feel_it_with_what_it_moves(specification):
    cold = replace(EXACT, temperature_c=(-20, 25), boards=40)
    felt = replace(specification.chain, hold_capacitor=HoldCapacitor("y5v", working_v=0.0))
    told = [one.text for one in tolerance(specification, chain=felt, tolerances=cold).sentences
            if one.kind == "conditions"]  # fmt: skip
    assert len(told) == 1
    assert told[0].startswith(
        "At −20 °C the hold capacitor has 55 % less capacitance than as designed. All else"
    )
    end = tolerance(specification, chain=felt, tolerances=cold).conditions[0]
    there = under_conditions(felt, temperature_c=-20.0)
    assert end.metrics
    assert all(was != now for was, now in end.metrics.values())
    # What is taken on a tone does not hang on whose table is used.
    meant = sweep(replace(specification, chain=there), ranges={}).iloc[0]["ripple_db"]
    was, now = end.metrics["ripple_db"]
    assert now == pytest.approx(meant)
    assert now > was
    still = tolerance(specification, tolerances=replace(cold, microphone_db=3))
    assert not [one for one in still.sentences if one.kind == "conditions"]
    assert "°C" not in " ".join(still.words)


def test_the_yield_of_some_boards_stands_for_all():
    # Half of some boards meet, 60 % of all. Where exact parts halve what those lose, they halve 40 % too; no
    # share leaves 0 to 1, and where some lose nothing there is nothing to scale.
    found = np.array([0.75, 1.0, 0.5, 0.0])
    assert of_all(found, 0.5, 0.6) == pytest.approx([0.8, 1.0, 0.6, 0.2])
    assert of_all(np.array([0.0]), 0.9, 0.5) == pytest.approx([0.0])
    assert of_all(found, 1.0, 1.0) is found


def test_progress_rises_from_nothing_to_all(specification):
    told: list[tuple[str, float]] = []
    tolerance(specification, tolerances=Tolerances(boards=60), progress=lambda *said: told.append(said))
    shares = [share for _, share in told]
    assert len(shares) > 10
    assert shares == sorted(shares)
    assert 0 <= shares[0] < 0.1
    assert shares[-1] == 1
    assert [what for what, _ in told if what.startswith("Worst cases")]

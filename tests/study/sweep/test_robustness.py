"""Whose boards are built: on trials made by hand, so that the right answer is plain, and on real ones."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from reference.small_specification import write_small_design
from scipy.stats import beta

from envlab.analog.parts import PartRange
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.engine.side_by_side import runs_side_by_side
from envlab.metrics.catalogue import METRICS
from envlab.study.sentences import of_kind
from envlab.study.specification.heard_sounds import sounds_of
from envlab.study.specification.ranges import candidates_of
from envlab.study.specification.specification import Judging, Specification, read_specification
from envlab.study.specification.targets import Target, Targets
from envlab.study.sweep.board_trials import (
    LEAST_BOARDS,
    TRIED_BOARDS,
    affordable_boards,
    confirming,
    trial_seed,
)
from envlab.study.sweep.board_trials import Bench as TrialBench
from envlab.study.sweep.choice import Choice, choose
from envlab.study.sweep.robustness import board_place, robust_choice, with_boards
from envlab.study.sweep.sweep import sweep
from envlab.study.sweep.trial import Trial, Turn
from envlab.study.tolerance.board_columns import columns_on_sound
from envlab.study.tolerance.tolerance import tolerance

# 1k 2k2 4k7 10k 22k by 47k 100k 220k: candidate 3·i + j.
ATTACKS, RELEASES = PartRange("E3", 1e3, 22e3), PartRange("E3", 47e3, 220e3)
ASKED = Specification(
    Chain(),
    (),
    {"detector.attack_ohm": ATTACKS, "detector.release_ohm": RELEASES},
    Targets((Target("ripple_db", "at_most", 1.0, 1.0),)),
    Judging(),
    "",
    "mine.toml",
)


def chosen(contrast: list[float], **columns: list[float]) -> Choice:
    """A choice from a table made by hand; every metric that is not given is the same for all."""
    candidates = candidates_of(ASKED.chain, ASKED.ranges)
    usual = dict.fromkeys(METRICS, 1.0) | {"flashes_per_s": 2.0, "ripple_db": 0.5}
    rows = {name: np.full(len(candidates), value) for name, value in usual.items()}
    rows["beat_contrast_lstar"] = np.array(contrast)
    # No two are alike.
    rows["attack_ms"] = np.arange(len(candidates), dtype=float)
    table = pd.DataFrame(candidates.parts | rows | columns).rename_axis("candidate")
    return choose(table, ASKED)


def rising_to(number: int) -> list[float]:
    """Contrast that is largest for one candidate and falls by 2 L* a place from there."""
    return [60.0 - 2 * abs(i - number) for i in range(15)]


class Bench:
    """Trials made by hand: flashing and meeting boards by candidate.

    asked: which were tried to the end, in order; screened: which by some boards, and by which. Board n of
    every candidate lies off alike; of a candidate with some that flash it is the first so many.
    """

    def __init__(self, flashing: dict[int, int], meeting: dict[int, int], boards: int) -> None:
        self.flashing, self.meeting, self.boards = flashing, meeting, boards
        self.asked: list[list[int]] = []
        self.screened: list[tuple[list[int], list[int]]] = []

    def trials(self, candidates: dict[int, Chain], all_boards: bool) -> dict[int, Trial]:
        self.asked.append(sorted(candidates))
        return {row: self.trial(row, all_boards) for row in candidates}

    def screen(self, candidates: dict[int, Chain], telling: Turn) -> dict[int, Trial]:
        places, clip = telling.places, telling.clip
        assert clip == 1
        self.screened.append((sorted(candidates), places))
        return {row: self.aside(row, places) for row in candidates if self.over(row, places)}

    def over(self, row: int, places: Iterable[int]) -> list[int]:
        return [place for place in places if place < self.flashing.get(row, 0)]

    def aside(self, row: int, places: Sequence[int]) -> Trial:
        over = self.over(row, places)
        return Trial(len(places), len(over), over=tuple((place, 1) for place in over))

    def trial(self, row: int, all_boards: bool) -> Trial:
        over = self.flashing.get(row, 0)
        if over and not all_boards:
            return self.aside(row, range(16))
        return Trial(self.boards, over, min(self.boards - over, self.meeting.get(row, self.boards)))


def settled(
    choice: Choice,
    flashing: dict[int, int] | None = None,
    meeting: dict[int, int] | None = None,
    final: dict[int, int] | None = None,
) -> tuple[Choice, Bench, Bench]:
    trials, finals = Bench(flashing or {}, meeting or {}, 64), Bench(final or {}, {}, 300)
    return with_boards(choice, ASKED, trials, finals), trials, finals


EVERY = range(15)


def test_who_could_only_come_behind_is_not_tried():
    taken, trials, finals = settled(chosen(rising_to(4)))
    # All boards of the first are good, and everybody else shows the beat less.
    assert trials.asked == finals.asked == [[4]]
    assert taken.number == 4
    assert taken.boards.spared == 14
    told = of_kind(taken.sentences, "robustness")[0]
    assert "14 more could at best come behind, and were not tried" in told.text
    # Of a neighbour it is said by what it is behind, which holds whatever its boards do.
    attack, release = of_kind(taken.sentences, "neighbour")
    assert set(attack.behind.values()) >= {"beat_contrast_lstar"}
    assert "not tried" not in attack.text + release.text


@pytest.mark.parametrize("seed", range(40))
def test_the_outcome_is_that_of_trying_all(seed):
    rng = np.random.default_rng(seed)
    contrast = rng.integers(40, 44, 15).astype(float)
    ripple_db = np.where(rng.random(15) < 0.3, 1.5, 0.5)
    flashing = {row: int(rng.integers(1, 20)) for row in EVERY if rng.random() < 0.4}
    meeting = {row: int(rng.integers(60, 65)) for row in EVERY}
    final = {row: 1 for row in EVERY if rng.random() < 0.3}
    choice = chosen(list(contrast), ripple_db=list(ripple_db))
    taken, trials, finals = settled(choice, flashing, meeting, final)
    every = Bench(flashing, meeting, 64).trials(dict.fromkeys(EVERY, ASKED.chain), True)
    keeping = [row for row in EVERY if every[row].keeps]
    in_order = sorted(keeping, key=lambda row: board_place(choice, row, every[row]))
    wanted = next(row for row in in_order if row not in final)
    assert taken.number == wanted
    assert finals.asked == [[row] for row in in_order[: in_order.index(wanted) + 1]]
    for row, trial in taken.boards.trials.items():
        assert trial.keeps == every[row].keeps
    tried = len(taken.boards.trials)
    assert tried + taken.boards.spared == 15
    # Each is tried to the end once at most.
    assert len(trials.asked) == len({row for rows in trials.asked for row in rows}) <= tried


def test_boards_on_which_one_flashes_are_tried_on_all_others():
    flashing = dict.fromkeys((4, 3, 5, 2), 9) | {6: 1}
    taken, trials, _ = settled(chosen(rising_to(4)), flashing=flashing)
    # Once 4 flashes on its boards 0 to 8, a group of these tells of all others at once.
    (screened,) = trials.screened
    assert screened == ([row for row in EVERY if row != 4], list(range(8)))
    assert trials.asked == [[4], [1]]
    assert taken.number == 1


def test_a_candidate_whose_boards_flash_gives_way_to_the_next_in_rank():
    taken, _, _ = settled(chosen(rising_to(4)), flashing={4: 3, 3: 1})
    # 5 and 3 lie 2 L* behind 4, and 3 has the lower number; but a board of 3 flashes.
    assert taken.number == 5
    told = [one.text for one in of_kind(taken.sentences, "robustness")]
    assert told[0] == (
        "First in rank was R5 (release) = 100k. But at least 3 of its boards flash more than 3 times in a "
        "second, as parts lie a little off."
    )
    assert "Boards of 3 candidates were tried" in told[1]
    assert "Of 1 of them all boards keep the flash limit. 12 more could at best come behind" in told[1]
    assert "Then 300 other boards were drawn, and all keep the limit" in told[2]


def test_yield_goes_before_contrast_and_after_the_misses():
    ripple_db = [0.5] * 15
    ripple_db[6] = 1.5
    meeting = dict.fromkeys(EVERY, 40) | {8: 50, 6: 64}
    taken, _, _ = settled(chosen(rising_to(4), ripple_db=ripple_db), meeting=meeting)
    assert taken.number == 8
    (attack, _) = of_kind(taken.sentences, "neighbour")
    assert set(attack.behind.values()) >= {"boards miss"}
    assert "40 of 64 boards would meet every target instead of 50, though with" in attack.text


def test_of_equal_yield_contrast_decides():
    meeting = dict.fromkeys(EVERY, 40) | {8: 50, 2: 50, 9: 50}
    assert settled(chosen(rising_to(4)), meeting=meeting)[0].number == 2


def test_a_choice_must_show_itself_on_other_boards():
    taken, _, finals = settled(chosen(rising_to(4)), final={4: 1, 3: 2})
    assert finals.asked == [[4], [3], [5]]
    assert taken.number == 5
    assert taken.boards.finals[4] == Trial(300, 1, 299)
    first = of_kind(taken.sentences, "robustness")[0]
    assert "1 of 300 of its boards flash" in first.text


def test_where_no_candidates_boards_all_keep_the_limit_the_most_do_and_it_is_said():
    every = {row: 5 + abs(row - 9) for row in EVERY}
    taken, trials, finals = settled(chosen(rising_to(4)), flashing=every, final={9: 12})
    assert trials.asked[0] == [4]
    # The boards that flash on it lay all others aside. Then all boards of all are counted; 9 has fewest that
    # flash.
    assert trials.asked[-1] == list(EVERY)
    assert finals.asked == [[9]]
    assert taken.number == 9
    told = of_kind(taken.sentences, "robustness")[-1]
    # Clopper and Pearson in the textbook's form, by quantiles of the beta distribution.
    assert told.behind["low"] == pytest.approx(beta.ppf(0.025, 288, 13))
    assert told.behind["high"] == pytest.approx(beta.ppf(0.975, 289, 12))
    assert "of 300 other boards 12 flash" in told.text
    assert "96 % do, with 95 % certainty 93.1 % to 98 % of all boards" in told.text


def test_the_interval_allows_for_every_final_that_was_run():
    taken, _, _ = settled(chosen(rising_to(4)), final={4: 1})
    low, high = taken.boards.interval(taken.number)
    # None of 300, at 1 − 0.05/2: the lower end is 0.0125^(1/300) [closed form].
    assert (low, high) == (pytest.approx(0.0125 ** (1 / 300)), 1.0)


def test_neighbours_of_the_best_are_tried_wherever_they_rank():
    asked = replace(
        ASKED,
        ranges={
            "detector.attack_ohm": PartRange("E24", 1e3, 82e3),
            "detector.release_ohm": PartRange("E3", 47e3, 100e3),
        },
    )
    candidates = candidates_of(asked.chain, asked.ranges)
    count = len(candidates)
    rows = dict.fromkeys(METRICS, 1.0) | {"flashes_per_s": 2.0, "ripple_db": 0.5}
    table = pd.DataFrame(candidates.parts | {name: np.full(count, value) for name, value in rows.items()})
    table["beat_contrast_lstar"] = np.where(np.arange(count) % 2 == 0, 90.0, 10.0) - np.arange(count) * 0.1
    trials, finals = Bench({}, {1: 63} | dict.fromkeys(range(0, count, 2), 60), 64), Bench({}, {}, 300)
    # The first 24 are those of 47k; the best of them is number 0, and 1 is its neighbour with 100k.
    taken = with_boards(choose(table, asked), asked, trials, finals)
    assert trials.asked[:24] == [[row] for row in range(0, 48, 2)]
    assert [1] in trials.asked[24:]
    assert taken.number == max(taken.boards.trials, key=lambda row: (taken.boards.trials[row].meeting, -row))


def test_further_lots_are_tried_until_one_keeps_the_limit():
    asked = replace(ASKED, ranges={"detector.attack_ohm": PartRange("E96", 1e3, 10e3)})
    candidates = candidates_of(asked.chain, asked.ranges)
    count = len(candidates)
    rows = dict.fromkeys(METRICS, 1.0) | {"flashes_per_s": 2.0, "ripple_db": 0.5}
    table = pd.DataFrame(candidates.parts | {name: np.full(count, value) for name, value in rows.items()})
    table["beat_contrast_lstar"] = 90.0 - np.arange(count)
    trials, finals = Bench(dict.fromkeys(range(30), 5), {}, 64), Bench({}, {}, 300)
    taken = with_boards(choose(table, asked), asked, trials, finals)
    first, second = trials.screened
    assert first == (list(range(1, 24)), [0, 1, 2, 3, 4])
    assert second == (list(range(24, 48)), [0, 1, 2, 3, 4])
    assert trials.asked == [[0], [30]]
    assert taken.number == 30
    column = taken.table["boards_tried"]
    assert column[1:30].eq(5).all()
    assert column[31:].isna().all()


def test_a_choice_that_breaks_the_limit_stays_and_is_told_what_would_mend(tmp_path):
    specification = read_specification(write_small_design(tmp_path))
    quick = replace(specification, ranges={"detector.release_ohm": (10e3, 22e3)})
    choice = robust_choice(choose(sweep(quick), quick), quick)
    assert not choice.flash_safe
    assert choice.boards is None
    assert of_kind(choice.sentences, "mitigation")


def test_boards_that_run_one_by_one_are_tried_as_far_as_time_allows():
    passive = replace(Chain(), rectifier=Rectifier(kind="half", diode="silicon"))
    weak = replace(Chain(), rectifier=Rectifier(output_current_a=1e-3))
    assert affordable_boards(Chain(), 1000.0, 24) == TRIED_BOARDS
    assert affordable_boards(passive, 1000.0, 24) == TRIED_BOARDS
    assert affordable_boards(weak, 1000.0, 24) == 0
    assert LEAST_BOARDS <= affordable_boards(weak, 20.0, 24) < TRIED_BOARDS


def test_boards_that_take_too_long_are_said_to_be_untried(tmp_path, monkeypatch):
    specification = read_specification(write_small_design(tmp_path))
    weak = replace(specification.chain, rectifier=Rectifier(output_current_a=1e-3))
    specification = replace(specification, chain=weak, ranges={"detector.release_ohm": (470e3, 1e6)})
    choice = choose(sweep(specification), specification)
    assert choice.flash_safe
    monkeypatch.setattr("envlab.study.sweep.board_trials.MOST_S", 0.0)
    kept = robust_choice(choice, specification)
    assert kept.number == choice.number
    assert "were not tried" in of_kind(kept.sentences, "robustness")[0].text


@pytest.mark.parametrize("release_ohm", [47e3, 470e3])
def test_boards_tried_together_are_those_of_the_tolerance_study(tmp_path, release_ohm):
    # The study judges one design by itself; here it is one of three that hear the clips together.
    specification = read_specification(write_small_design(tmp_path))
    chains = {
        place: replace(specification.chain, detector=replace(specification.chain.detector, release_ohm=ohm))
        for place, ohm in enumerate((release_ohm, 100e3, 220e3))
    }
    sounds = sounds_of(specification)
    bench = TrialBench(specification, sounds, seed=specification.tolerance.seed)
    trial = bench.trials(chains, all_boards=True)[0]
    result = tolerance(
        specification,
        chain=chains[0],
        tolerances=replace(specification.tolerance, boards=TRIED_BOARDS),
    )
    kept = result.targets.iloc[0]
    assert kept["metric"] == "flashes_per_s"
    assert 1 - trial.flashing / trial.tried == kept["yield_share"]
    assert trial.meeting / trial.tried == result.yield_share


def test_laying_candidates_aside_changes_no_outcome(tmp_path):
    specification = read_specification(write_small_design(tmp_path))
    chains = {
        place: replace(specification.chain, detector=replace(specification.chain.detector, release_ohm=ohm))
        for place, ohm in enumerate((33e3, 150e3, 470e3, 680e3, 1e6, 2.2e6))
    }
    sounds = sounds_of(specification)
    bench = TrialBench(specification, sounds, seed=trial_seed(specification.tolerance.seed))
    quick, whole = bench.trials(chains), bench.trials(chains, all_boards=True)
    assert {trial.keeps for trial in whole.values()} == {True, False}
    for place, trial in whole.items():
        assert quick[place].keeps == trial.keeps
        if trial.keeps:
            assert quick[place] == trial
        else:
            assert quick[place].flashing <= trial.flashing


def test_progress_moves_while_boards_play_and_never_back(tmp_path):
    specification = read_specification(write_small_design(tmp_path))
    chains = {
        place: replace(specification.chain, detector=replace(specification.chain.detector, release_ohm=ohm))
        for place, ohm in enumerate((33e3, 470e3, 1e6))
    }
    # Another gain is another front end, which plays by itself.
    chains[3] = replace(chains[1], preamp=replace(chains[1].preamp, feedback_ohm=22e3))
    sounds = sounds_of(specification)
    bench, shares = TrialBench(specification, sounds, seed=1), list[float]()
    found = bench.trials(chains, progress=shares.append)
    assert not found[0].keeps
    assert shares == sorted(shares)
    assert 0 < shares[0] < 0.2
    assert shares[-1] == pytest.approx(1.0)
    # No step is a whole clip: it is told block by block.
    assert len(set(shares)) > 3 * len(sounds) * 2


def test_boards_that_confirmed_a_choice_need_not_be_played_again(tmp_path, monkeypatch):
    specification = read_specification(write_small_design(tmp_path))
    sounds = sounds_of(specification)
    bench = TrialBench(specification, sounds, count=40, seed=specification.tolerance.seed)
    trial = bench.trials({0: specification.chain}, all_boards=True)[0]
    asked = replace(specification.tolerance, boards=30)
    anew = tolerance(specification, tolerances=asked)
    played: list[int] = []

    def noted(sound, boards, *rest, **more):
        played.append(len(boards))
        return columns_on_sound(sound, boards, *rest, **more)

    monkeypatch.setattr("envlab.study.tolerance.board_metrics.columns_on_sound", noted)
    ends = 2 * len(anew.parameters)
    for heard, boards in ((trial.heard, 0), (replace(trial.heard, louder_db=np.full(40, 0.5)), 30)):
        played.clear()
        again = tolerance(specification, tolerances=asked, heard=heard)
        for name in ("boards", "targets", "distribution", "causes", "worst_cases"):
            pd.testing.assert_frame_equal(getattr(again, name), getattr(anew, name), check_exact=True)
        assert again.words == anew.words
        # The board as designed, and one at each end of each parameter, play in any case; last but one of
        # what is played first is the idle clip.
        assert played[1 : 1 + len(sounds)] == [1 + ends + boards] * len(sounds)
    played.clear()
    other = replace(asked, seed=asked.seed + 1)
    assert tolerance(specification, tolerances=other, heard=trial.heard).words
    assert played[1 : 1 + len(sounds)] == [1 + ends + 30] * len(sounds)
    # Of boards that are to be judged by other clips, or of which there are too few, nothing is known.
    assert not trial.heard.are(
        replace(specification, clips=specification.clips[:1]),
        specification.chain,
        trial.heard.working,
        trial.heard.louder_db,
    )
    assert trial.heard.first(41) is None


def test_boards_moved_one_part_at_a_time_hear_along_where_a_choice_is_confirmed(tmp_path, monkeypatch):
    specification = read_specification(write_small_design(tmp_path))
    sounds = sounds_of(specification)
    bench = TrialBench(specification, sounds, count=40, seed=specification.tolerance.seed)
    alone = bench.trials({0: specification.chain}, all_boards=True)[0]
    trial = confirming(bench, 40, specification.tolerance.seed).trials(
        {0: specification.chain}, all_boards=True
    )[0]
    assert trial == alone
    assert trial.heard.moved
    drawn = trial.heard.drawn
    assert (drawn.boards, drawn.moved) == (alone.heard.boards, 0)
    for one, other in zip((drawn.bench, *drawn.clips), (alone.heard.bench, *alone.heard.clips), strict=True):
        assert list(one) == list(other)
        for name in one:
            np.testing.assert_array_equal(one[name], other[name])
    asked = replace(specification.tolerance, boards=30)
    anew = tolerance(specification, tolerances=asked)
    played: list[int] = []

    def noted(sound, boards, *rest, **more):
        played.append(len(boards))
        return columns_on_sound(sound, boards, *rest, **more)

    monkeypatch.setattr("envlab.study.tolerance.board_metrics.columns_on_sound", noted)
    # Nor is any of them built again.
    monkeypatch.setattr("envlab.study.tolerance.heard_boards.working_board", None)
    again = tolerance(specification, tolerances=asked, heard=trial.heard)
    for name in ("boards", "targets", "distribution", "causes", "worst_cases"):
        pd.testing.assert_frame_equal(getattr(again, name), getattr(anew, name), check_exact=True)
    pd.testing.assert_series_equal(again.nominal, anew.nominal, check_exact=True)
    assert (again.words, again.conditions) == (anew.words, anew.conditions)
    # Nobody hears a clip again but those that are made for it: of causes, and worst cases.
    every = 1 + 2 * len(anew.parameters) + 30
    assert every in played  # the idle clip, which no target asked for
    assert played.count(every) == 1
    assert 1 + 2 * len(anew.parameters) not in played


def test_boards_that_would_be_felt_by_those_drawn_do_not_hear_along(tmp_path):
    specification = read_specification(write_small_design(tmp_path))
    # Side by side no corner may be over 200 Hz: no board drawn comes there, but one whose C2 is 20 % less.
    preamp = specification.chain.preamp
    preamp = replace(preamp, ground_farad=1 / (2 * np.pi * preamp.ground_ohm * 161.0))
    specification = replace(specification, chain=replace(specification.chain, preamp=preamp))
    sounds = sounds_of(specification)
    seed = specification.tolerance.seed
    bench = TrialBench(specification, sounds, count=20, seed=seed)
    alone = bench.trials({0: specification.chain}, all_boards=True)[0]
    assert runs_side_by_side(specification.chain, alone.heard.working)
    trial = confirming(bench, 20, seed).trials({0: specification.chain}, all_boards=True)[0]
    assert trial == alone
    assert (trial.heard.boards, trial.heard.moved) == (alone.heard.boards, 0)
    for one, other in zip(trial.heard.clips, alone.heard.clips, strict=True):
        for name in one:
            np.testing.assert_array_equal(one[name], other[name])


def test_the_draws_of_a_trial_are_not_those_of_the_study():
    assert len({trial_seed(1), trial_seed(2), 1, 2}) == 4

"""Boards of a design are judged in portions whose memory does not grow with the clip."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from reference.small_specification import write_small_design

from envlab.chain import Chain
from envlab.digital.followers import AttackRelease, MovingMean
from envlab.metrics.metrics_of_clip import better_kept, kept_together, two_turns
from envlab.metrics.streaming_metrics import counted_bytes
from envlab.study.specification.specification import read_specification
from envlab.study.tolerance.board_metrics import BoardJudge
from envlab.study.tolerance.drawn_boards import board_of, draw
from envlab.study.tolerance.heard_boards import HeardBoards
from envlab.study.tolerance.tolerances import varied_parameters

FOLLOWED = replace(Chain(), follower=AttackRelease(0.005, 0.2))


@dataclass(frozen=True)
class Lasting:
    """All that a clip's length asks of it."""

    duration_s: float


def test_boards_behind_a_follower_hear_two_hours_together_within_a_hundred_megabytes(tmp_path):
    # Two hours have 720,000 frames. Kept, each takes 8 bytes, 8 more in order, and 4 of duty: room for six
    # boards. Counted, a board takes 4 bytes a second, and what its counts take, however long the clip is.
    specification = read_specification(write_small_design(tmp_path))
    frames = 720_000
    assert kept_together(FOLLOWED, frames) == 6
    for duration_s in (10.0, 7200.0):
        judge = BoardJudge(specification, FOLLOWED, [Lasting(duration_s)])
        assert judge.portion == 256
    assert judge.portion * counted_bytes(FOLLOWED, frames, 0) <= 100e6
    assert not better_kept([FOLLOWED], frames, tables=0) and not two_turns([FOLLOWED] * 256, frames)


def test_boards_whose_follower_gives_whole_steps_hear_a_song_together(tmp_path):
    """The wave of a song costs as much as fifty boards that hear it; a mean of ten readings has ten steps."""
    specification = read_specification(write_small_design(tmp_path))
    averaged = replace(Chain(), follower=MovingMean(0.01))
    judge = BoardJudge(specification, averaged, [Lasting(300.0)])
    # 4 bytes for each of the steps of a count, ten of them, and for each second: 42 kB of 96 MB.
    steps = 10 * averaged.adc.top_code + 1
    assert counted_bytes(averaged, 30_000, 0) == pytest.approx(4 * (steps + 300), rel=0.01)
    assert judge.portion == min(2048, int(96e6 / counted_bytes(averaged, 30_000, 0)))
    assert judge.portion > 1000
    assert BoardJudge(specification, Chain(), [Lasting(300.0)]).portion == 2048


def test_portions_of_any_size_judge_alike(tmp_path, monkeypatch):
    specification = read_specification(write_small_design(tmp_path))
    parameters = varied_parameters(FOLLOWED, specification.tolerance)
    boards = [board_of(FOLLOWED, parameters, row) for row in draw(parameters, 5, 3)]
    judge = BoardJudge(specification, FOLLOWED, [clip.sound() for clip in specification.clips])
    whole = judge.metrics(boards, lambda *_: None)
    monkeypatch.setattr("envlab.study.tolerance.board_metrics.PORTION_KEPT", 2)
    in_parts = judge.metrics(boards, lambda *_: None)
    for name, values in whole.items():
        np.testing.assert_allclose(in_parts[name], values, rtol=1e-9, err_msg=name)


def test_only_metrics_that_are_wanted_are_computed(tmp_path):
    specification = read_specification(write_small_design(tmp_path))
    judge = BoardJudge(specification, Chain(), [clip.sound() for clip in specification.clips])
    for wanted in ({"attack_ms"}, {"table_step_lstar", "ripple_db"}, {"onset_lag_mean_ms"}):
        found = judge.bench([Chain()], wanted)
        assert wanted <= found.keys()
        assert ("onset_lag_mean_ms" in found) == ("onset_lag_mean_ms" in wanted)
        assert ("idle_lstar" in found) == ("idle_lstar" in wanted)


def test_who_is_to_be_judged_exactly_or_as_stated_hears_for_himself(tmp_path, monkeypatch):
    """What boards side by side have heard louder than stated is no answer to either."""
    specification = read_specification(write_small_design(tmp_path))
    sounds, boards = [clip.sound() for clip in specification.clips], [Chain()] * 2
    judge, louder_db = BoardJudge(specification, Chain(), sounds), np.full(2, 0.5)
    clips = tuple(judge.clip(number, boards) for number in range(len(sounds)))
    heard = HeardBoards(specification, Chain(), (), np.empty((2, 0)), tuple(boards), louder_db, clips)
    played: list[int] = []
    clip_of = BoardJudge.clip

    def noted(self, number, some, report=None):
        played.append(number)
        return clip_of(self, number, some, report)

    monkeypatch.setattr(BoardJudge, "clip", noted)
    for asked, loud, clips_played in (
        (judge, louder_db, 0),
        (judge, None, len(sounds)),
        (replace(judge, one_by_one=True), louder_db, len(sounds)),
    ):
        played.clear()
        asked.metrics(boards, lambda *_: None, louder_db=loud, heard=heard)
        assert len(played) == clips_played

"""Boards of a design are judged in portions whose memory does not grow with the clip."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from reference.small_specification import write_small_design

from envlab.chain import Chain
from envlab.digital.followers import AttackRelease
from envlab.study.specification.specification import read_specification
from envlab.study.tolerance.board_metrics import BoardJudge
from envlab.study.tolerance.drawn_boards import board_of, draw
from envlab.study.tolerance.tolerances import varied_parameters

FOLLOWED = replace(Chain(), follower=AttackRelease(0.005, 0.2))


@dataclass(frozen=True)
class Lasting:
    """All that a clip's length asks of it."""

    duration_s: float


@pytest.mark.parametrize(("duration_s", "most"), [(10.0, 256), (7200.0, 6)])
def test_what_followers_make_of_a_long_clip_stays_within_a_hundred_megabytes(tmp_path, duration_s, most):
    # Two hours have 720,000 frames; each takes 8 bytes, 8 more in order, and 4 of duty.
    judge = BoardJudge(read_specification(write_small_design(tmp_path)), FOLLOWED, [Lasting(duration_s)])
    assert judge.portion == most
    assert judge.portion * duration_s * 100 * 20 <= 100e6


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

"""Who leads before all is known: by tables made by hand, and by a sweep that is asked on its way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from reference.small_specification import write_small_design

from envlab.analog.parts import PartRange
from envlab.metrics.catalogue import METRICS
from envlab.study.specification.ranges import candidates_of
from envlab.study.specification.specification import read_specification
from envlab.study.sweep.leaders import leaders
from envlab.study.sweep.ranking import rank_candidates
from envlab.study.sweep.sweep import sweep


@pytest.fixture(scope="module")
def specification(tmp_path_factory):
    asked = read_specification(write_small_design(tmp_path_factory.mktemp("small")))
    return replace(asked, ranges={"detector.release_ohm": PartRange("E6", 47e3, 1e6)})


def table_of(specification, flashes):
    candidates = candidates_of(specification.chain, specification.ranges)
    usual = dict.fromkeys(METRICS, 1.0)
    rows = {name: np.full(len(candidates), value) for name, value in usual.items()}
    rows["flashes_per_s"] = np.array(flashes, dtype=float)
    # No two are alike, and the later the better.
    rows["beat_contrast_lstar"] = 40.0 + 2 * np.arange(len(candidates))
    return pd.DataFrame(candidates.parts | rows).rename_axis("candidate")


def test_the_leaders_are_the_first_in_rank_that_keep_the_limit(specification):
    count = len(candidates_of(specification.chain, specification.ranges))
    told = leaders(table_of(specification, [2.0] * (count - 1) + [4.0]), specification, 1)
    assert told.text == (
        f"Provisional, after 1 of {len(specification.clips)} clips: {count - 1} of {count} candidates keep "
        "the flash limit; R5 (release) = 680k; then R5 (release) = 470k; then R5 (release) = 330k."
    )
    assert [told.behind[f"place {n}"] for n in (1, 2, 3)] == [count - 2, count - 3, count - 4]
    assert told.behind["flash_safe"] == count - 1


def test_who_flashes_too_often_on_one_clip_is_out_for_good_and_so_it_is_said(specification):
    count = len(candidates_of(specification.chain, specification.ranges))
    told = leaders(table_of(specification, [4.0] * count), specification, 1)
    assert told.text == (
        f"After 1 of {len(specification.clips)} clips no candidate keeps the flash limit of 3 a second."
    )
    unknown = leaders(table_of(specification, [np.nan] * count), specification, 1)
    assert "nothing can be said yet" in unknown.text


def test_a_sweep_tells_what_is_known_after_each_clip(specification):
    seen: dict[int, pd.DataFrame] = {}
    table = sweep(specification, so_far=lambda so_far, clips: seen.update({clips: so_far}))
    assert list(seen) == list(range(1, len(specification.clips)))
    for clips, so_far in seen.items():
        alone = sweep(specification, clips=specification.clips[:clips])
        pd.testing.assert_frame_equal(so_far, alone[so_far.columns], check_exact=True)
    whole = leaders(table, specification, len(specification.clips))
    assert f"after all {len(specification.clips)} clips, before any boards" in whole.text
    assert whole.behind["place 1"] == rank_candidates(table, specification).order[0]

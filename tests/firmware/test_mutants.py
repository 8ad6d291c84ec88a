"""The twin's vectors notice a change anywhere in the C runtime; in CI every mutant, else every eighth."""

from __future__ import annotations

import os

import pytest
from firmware.mutate_runtime import EQUIVALENT, judge, report


@pytest.mark.usefixtures("c_compiler")
def test_changes_of_the_runtime_are_noticed():
    in_ci = os.environ.get("CI") == "true"
    mutants, verdicts = judge(1 if in_ci else 8)
    text, problems = report(mutants, verdicts)
    assert problems == 0, text
    if in_ci:
        killed, survived = verdicts.count("killed"), verdicts.count("survived")
        assert killed + survived >= 40, text
        assert killed >= 0.92 * (killed + survived), text


def test_every_survivor_has_a_reason():
    assert all(len(reason) > 10 for reason in EQUIVALENT.values())

"""The vectors of the twins notice a change anywhere in the C runtime."""

from __future__ import annotations

import pytest
from firmware.mutate_runtime import EQUIVALENT, judge, report


@pytest.mark.slow_firmware
@pytest.mark.usefixtures("c_compiler")
def test_every_change_of_the_runtime_is_noticed():
    mutants, verdicts = judge()
    text, problems = report(mutants, verdicts)
    assert problems == 0, text
    killed, survived = verdicts.count("killed"), verdicts.count("survived")
    assert killed + survived >= 600, text
    assert survived <= len(EQUIVALENT), text


@pytest.mark.usefixtures("c_compiler")
def test_a_part_of_the_changes_is_noticed():
    mutants, verdicts = judge(120)
    text, problems = report(mutants, verdicts)
    assert problems == 0, text


def test_every_survivor_has_a_reason():
    assert all(len(reason) > 10 for reason in EQUIVALENT.values())

"""Mutants of the numerical core that were tried: nine in ten are killed, of the rest each has a reason."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from mutation.judged import EQUIVALENT
from mutation.long_run import KEPT, rows
from mutation.trial import Change, loops_that_know
from mutation.what import GROUPS

LONG_RUN = Path(__file__).with_name("long_run.py")
TRIED = rows(KEPT)


def key(row: dict[str, str]) -> tuple[str, str, str]:
    return row["module"], row["before"].strip(), row["after"].strip()


def test_the_sample_is_large_and_spread() -> None:
    assert len(TRIED) >= 400
    assert len({(key(row), row["number"]) for row in TRIED}) == len(TRIED)
    for group, modules in GROUPS.items():
        of_group = [row for row in TRIED if row["group"] == group]
        assert len(of_group) >= 40, group
        assert {row["module"] for row in of_group} <= set(modules)


def test_nine_in_ten_are_killed_and_the_rest_have_a_reason() -> None:
    survived = [row for row in TRIED if row["verdict"] != "killed"]
    assert len(survived) <= 0.1 * len(TRIED)
    assert {key(row) for row in survived} == set(EQUIVALENT)
    assert all(len(reason) > 20 for reason in EQUIVALENT.values())


def test_lines_that_are_not_there_are_refused() -> None:
    with pytest.raises(ValueError, match="is not"):
        Change("light/curve.py", 1, "no such line", "").text()
    assert Change("light/curve.py", 1, "no such line", "").where_it_is_now() is None
    assert Change("light/gone.py", 1, "no such file", "").where_it_is_now() is None


def test_loops_that_know_a_file_are_known() -> None:
    assert loops_that_know("study/tolerance/tables.py") == set()
    assert {"stage_kernels", "lane_kernels", "adc_kernels"} <= loops_that_know(
        "analog/kernels/stage_kernels.py"
    )


@pytest.mark.slow
def test_some_of_the_killed_are_killed_still(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, str(LONG_RUN), "replay", str(tmp_path), "--each", "8"],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
    )
    assert done.returncode == 0, done.stdout + done.stderr

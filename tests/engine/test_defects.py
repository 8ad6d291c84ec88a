"""The net turns red for each named defect; that it is green without one is its own run."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from engine.defects import DEFECTS, VARIABLE

pytestmark = pytest.mark.slow

HERE = Path(__file__).parent


def run_with(defect: str, tests: tuple[str, ...]) -> subprocess.CompletedProcess[str]:
    """Run some tests of the quick set in a process of its own, in which a defect was committed first."""
    # Its tests and, before all that is installed, the package that this process tests.
    paths = [str(HERE.parent), str(HERE.parent.parent), os.environ.get("PYTHONPATH", "")]
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-m", "quick", "-p", "no:cacheprovider", "-p", "engine.defects"]
        + [f"{HERE}/{test}" for test in tests],
        cwd=HERE.parent.parent,
        env=os.environ | {VARIABLE: defect, "PYTHONPATH": os.pathsep.join(filter(None, paths))},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize("name", DEFECTS)
def test_is_noticed(name):
    seen_by = DEFECTS[name].seen_by
    done = run_with(name, seen_by)
    assert done.returncode == pytest.ExitCode.TESTS_FAILED, done.stdout + done.stderr
    assert f"= {len(seen_by)} failed in" in done.stdout, done.stdout
    # Red because a number is wrong, not because the defect made something fall over.
    assert re.search(r"^E +(AssertionError|assert )", done.stdout, re.MULTILINE), done.stdout


def test_without_a_defect_the_same_run_is_green():
    done = run_with("", next(iter(DEFECTS.values())).seen_by)
    assert done.returncode == pytest.ExitCode.OK, done.stdout + done.stderr


def test_every_path_has_a_defect():
    """No path of the net is there for show: each sees at least one of the defects."""
    from engine.paths import PATHS

    seen = " ".join(test for defect in DEFECTS.values() for test in defect.seen_by)
    assert [path for path in PATHS if f"-{path}]" not in seen] == []

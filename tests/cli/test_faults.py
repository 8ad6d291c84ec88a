"""A disk that is full, one that is read-only, two runs on one folder, a clip that vanishes: one line each.

A small disk is one in memory, mounted in a name space of its own that ends with the run.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from cli.test_no_room import DESIGN, VERBS

from envlab.shipped import shipped_folder

# Root mounts in a name space of its own; everybody else needs one of users first.
APART = ("unshare", "-m") if hasattr(os, "getuid") and os.getuid() == 0 else ("unshare", "-r", "-m")
# Of the old results each disk is full but for so much: less than each verb writes.
FREE_KB = {"sweep": 0, "tolerance": 0, "schema": 4, "simulate": 8, "table": 8, "design": 16}
SIZE_KB = 64
MOUNT = (
    "set -e; mount -t tmpfs -o size={size}k none out; cp old/* out/;"
    " head -c {ballast}k /dev/zero >out/ballast;"
    ' {more} status=0; "$@" || status=$?; rm out/ballast 2>/dev/null || true; mkdir left; cp -a out/. left/;'
    " exit $status"
)
OLD = ("one.csv", "one.json", "brightness_table.h", "report.html")


def environment() -> dict[str, str]:
    return os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    if shutil.which("unshare") is None and not os.environ.get("CI"):
        pytest.skip("needs unshare, as Linux has it")
    (tmp_path / "night.toml").write_text(DESIGN)
    for name in ("out", "old"):
        (tmp_path / name).mkdir()
    for name in OLD:
        (tmp_path / "old" / name).write_bytes(b"of an older run")
    return tmp_path


def on_small_disk(
    verb: str, folder: Path, more: str = "", size_kb: int = SIZE_KB
) -> subprocess.CompletedProcess[str]:
    """Run a verb whose folder of results is a disk of its own, nearly full; a copy goes to "left"."""
    # Each file of the old results takes a page of 4 kB.
    ballast = SIZE_KB - 4 * len(OLD) - FREE_KB[verb]
    script = MOUNT.format(size=size_kb, ballast=ballast, more=more)
    return subprocess.run(
        [*APART, "sh", "-c", script, "sh", sys.executable, "-m", "envlab", *VERBS[verb]],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        env=environment(),
    )


@pytest.mark.slow
@pytest.mark.parametrize("verb", VERBS)
def test_a_full_disk_is_one_line_and_the_old_results_stand(verb: str, folder: Path) -> None:
    done = on_small_disk(verb, folder)
    assert done.returncode == 1, done.stderr
    assert "Traceback" not in done.stderr
    assert done.stderr.count("Error:") == 1
    assert "No space left on device" in done.stderr
    left = {path.name: path.read_bytes() for path in (folder / "left").iterdir()}
    assert left == dict.fromkeys(OLD, b"of an older run")


@pytest.mark.slow
@pytest.mark.parametrize("verb", ["sweep", "schema", "table"])
def test_a_disk_that_is_read_only_is_one_line(verb: str, folder: Path) -> None:
    done = on_small_disk(verb, folder, more="mount -o remount,ro out;")
    assert done.returncode == 1, done.stderr
    assert "Traceback" not in done.stderr
    assert done.stderr.count("Error:") == 1
    assert "is not yours to write" in done.stderr
    left = {path.name: path.read_bytes() for path in (folder / "left").iterdir() if path.name != "ballast"}
    assert left == dict.fromkeys(OLD, b"of an older run")


@pytest.mark.slow
def test_a_folder_that_is_a_disk_of_its_own_is_written_whole(folder: Path) -> None:
    """As a memory card is: nothing can be moved onto it from beside it."""
    done = on_small_disk("table", folder, size_kb=1024)
    assert done.returncode == 0, done.stderr
    left = {path.name: path.read_bytes() for path in (folder / "left").iterdir()}
    assert left["brightness_table.h"] != b"of an older run"
    assert left.keys() >= {"envlab_runtime.c", "envlab_parameters.h"}
    assert not [name for name in left if name.startswith(".")]
    assert not [path for path in folder.iterdir() if path.name.startswith(".out")]


@pytest.mark.slow
def test_two_runs_on_one_result_are_one_result_and_one_line(folder: Path) -> None:
    words = [sys.executable, "-m", "envlab", *VERBS["sweep"]]
    runs = [
        subprocess.Popen(
            words, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, env=environment()
        )
        for _ in range(2)
    ]
    said = [run.communicate()[1] for run in runs]
    assert all("Traceback" not in text for text in said)
    for run, text in zip(runs, said, strict=True):
        assert run.returncode == 0 or (run.returncode == 1 and "another envlab is writing there" in text)
    assert 0 in [run.returncode for run in runs]
    result = (folder / "out" / "one.csv").read_bytes()
    subprocess.run(words, cwd=folder, check=True, capture_output=True, env=environment())
    assert (folder / "out" / "one.csv").read_bytes() == result
    assert [path.name for path in (folder / "out").iterdir()] == ["one.csv"]


@pytest.mark.slow
def test_a_clip_that_vanishes_while_it_is_played_is_one_line(folder: Path) -> None:
    """Gone as soon as the run has opened it; the demo clip's copies make it long enough to be streamed."""
    import numpy as np
    import soundfile

    samples, rate_hz = soundfile.read(shipped_folder("audio_samples") / "drum_line.flac")
    clip = folder / "drum_line.flac"
    soundfile.write(clip, np.tile(samples, 12), rate_hz)
    run = subprocess.Popen(
        [sys.executable, "-m", "envlab", *VERBS["simulate"]],
        cwd=folder,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        env=environment(),
    )
    opened = Path(f"/proc/{run.pid}/fd")
    until = time.monotonic() + 60
    while run.poll() is None and time.monotonic() < until:
        try:
            if any(path.resolve() == clip for path in opened.iterdir()):
                break
        except OSError:
            continue
    clip.unlink()
    said = run.communicate()[1]
    assert run.returncode == 1, said
    assert "Traceback" not in said
    assert said.count("Error:") == 1
    assert "drum_line.flac" in said
    assert not (folder / "out" / "one.csv").exists()

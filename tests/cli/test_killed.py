"""Runs that are killed at random moments: nothing half-written is taken for whole, a rerun completes.

KILLS of each verb here; 25 of each, 100 in all: `ENVLAB_KILLS=25 pytest -m slow tests/cli/test_killed.py`.
"""

import os
import random
import signal
import subprocess
import sys
import time

import pytest

KILLS = int(os.environ.get("ENVLAB_KILLS", "2"))
SIGNALS = (signal.SIGKILL, signal.SIGTERM, signal.SIGINT)
DESIGN = """
[[clips]]
file = "drum_line.flac"
levels_db_spl = [92]
tags = ["beat"]

[sweep.detector]
release_ohm = ["100k", "220k"]
hold_farad = ["470n", "1u"]

[targets]
flashes_per_s = { at_most = 3, scale = 1 }

[tolerance]
boards = 20
"""
DRAFTS = (".part", ".partial")
MINE = {"notes.txt": b"mine"}
VERBS = {
    "design": ("design", "night.toml", "--out", "out", "--force", "--no-pdf", "--accept-misses"),
    "sweep": ("sweep", "night.toml", "--out", "out/sweep.csv", "--force"),
    "tolerance": ("tolerance", "night.toml", "--out", "out/boards.csv", "--force"),
    "table": ("table", "night.toml", "--out", "out", "--force", "--accept-misses"),
}


def command(verb, folder):
    return subprocess.Popen(
        [sys.executable, "-m", "envlab", *VERBS[verb]],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
    )


def content(folder):
    return {path.name: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def whole_run(verb, folder):
    """Run a verb to its end; return its results and how long it took."""
    started = time.monotonic()
    with command(verb, folder) as run:
        said = run.stdout.read()
    assert run.returncode == 0, said.decode()
    return content(folder / "out"), time.monotonic() - started


@pytest.mark.slow
@pytest.mark.parametrize("verb", VERBS)
def test_killed_at_any_moment(verb, tmp_path):
    (tmp_path / "night.toml").write_text(DESIGN)
    out = tmp_path / "out"
    out.mkdir()
    (out / "notes.txt").write_bytes(MINE["notes.txt"])
    whole, _ = whole_run(verb, tmp_path)
    # The first may have compiled its loops, and then all kills would come too late.
    _, usual_s = whole_run(verb, tmp_path)
    for path in out.iterdir():
        if path.name != "notes.txt":
            path.write_bytes(b"of an older run")
    old = content(out)
    chance = random.Random(verb)
    killed = 0
    for number in range(KILLS):
        sent = SIGNALS[number % len(SIGNALS)]
        with command(verb, tmp_path) as run:
            # One in each of as many equal parts of the run, so that not all can come after its end.
            time.sleep((number + chance.random()) / KILLS * usual_s)
            run.send_signal(sent)
            said = run.communicate()[0].decode()
        killed += run.returncode != 0
        if sent == signal.SIGINT:
            assert "Traceback" not in said
            # -SIGINT: it came when all was said and the interpreter was closing down.
            assert run.returncode in (0, 130, -signal.SIGINT), said
        # Drafts (.part) and finished steps of a sweep (in a folder .partial) are not results.
        results = {path.name: path.read_bytes() for path in out.iterdir() if path.suffix not in DRAFTS}
        is_known_of = (tmp_path / ".out.ready").exists()
        assert results in (old, whole | MINE) or is_known_of, f"{verb}, {sent!r}: a mixture"
    again, _ = whole_run(verb, tmp_path)
    again = {name: said for name, said in again.items() if not name.endswith(".part")}
    assert again == whole | MINE, "a run after them all gives what an undisturbed one gives"
    assert killed > 0

"""The main job with the network cut off: nothing is fetched at run time."""

import os
import shutil
import subprocess
import sys

import pytest

DESIGN = """
[[clips]]
file = "drum_line.flac"
levels_db_spl = [92]
tags = ["beat"]

[targets]
flashes_per_s = { at_most = 3, scale = 1 }

[tolerance]
boards = 4
"""
# Root cuts itself off; everybody else needs a name space of users first.
CUT_OFF = ("unshare", "-n") if hasattr(os, "getuid") and os.getuid() == 0 else ("unshare", "-r", "-n")
VERBS = (
    ("design", "night.toml", "--out", "out", "--no-pdf", "--accept-misses"),
    ("sweep", "night.toml", "--out", "sweep.csv"),
    ("tolerance", "night.toml", "--out", "boards.csv"),
    ("table", "night.toml", "--out", "firmware", "--accept-misses"),
    ("simulate", "night.toml", "--out", "nodes.csv"),
    ("bench-signals", "night.toml", "--out", "bench"),
    ("schema", "--out", "schema.json"),
)
# They write nothing, but say something.
SAID = (
    ("supply", "night.toml"),
    ("feedback", "night.toml"),
    ("parts", "--attack", "10", "--release", "300"),
)
REACH = "import socket; socket.create_connection(('192.0.2.1', 80), 1)"


def cut_off(command, folder):
    return subprocess.run(
        [*CUT_OFF, sys.executable, *command],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    if shutil.which("unshare") is None and not os.environ.get("CI"):
        pytest.skip("needs unshare, as Linux has it")
    place = tmp_path_factory.mktemp("cut-off")
    (place / "night.toml").write_text(DESIGN)
    return place


def test_the_network_is_really_cut_off(folder):
    assert "Network is unreachable" in cut_off(("-c", REACH), folder).stderr


@pytest.mark.parametrize("verb", VERBS, ids=lambda verb: verb[0])
def test_a_verb_needs_no_network(verb, folder):
    done = cut_off(("-m", "envlab", *verb), folder)
    assert done.returncode == 0, done.stderr
    assert (folder / verb[verb.index("--out") + 1]).exists()


@pytest.mark.parametrize("verb", SAID, ids=lambda verb: verb[0])
def test_what_only_says_something_needs_no_network(verb, folder):
    done = cut_off(("-m", "envlab", *verb), folder)
    assert done.returncode == 0, done.stderr
    assert len(done.stdout.splitlines()) > 2

"""A disk that fills up, a folder that is read-only: one line, and the old results stand."""

import os
import resource
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
"""
VERBS = {
    "design": ("design", "night.toml", "--out", "out", "--force", "--no-pdf", "--accept-misses"),
    "sweep": ("sweep", "night.toml", "--out", "out/one.csv", "--force"),
    "tolerance": ("tolerance", "night.toml", "--boards", "2", "--out", "out/one.csv", "--force"),
    "table": ("table", "night.toml", "--out", "out", "--force", "--accept-misses"),
    "simulate": ("simulate", "night.toml", "--out", "out/one.csv", "--force"),
    "schema": ("schema", "--out", "out/one.json", "--force"),
}
# Bytes that any one file may have before the system says that there is no room. Results are larger.
ROOM = {"sweep": 300, "tolerance": 300, "table": 500}


def run(words, folder, room=None):
    def narrow():
        resource.setrlimit(resource.RLIMIT_FSIZE, (room, room))

    return subprocess.run(
        [sys.executable, "-m", "envlab", *words],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=None if room is None else narrow,
        # Python itself leaves half of a compiled module behind where there is no room for the whole.
        env=os.environ
        | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path)), "PYTHONDONTWRITEBYTECODE": "1"},
    )


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "night.toml").write_text(DESIGN)
    (tmp_path / "out").mkdir()
    for name in ("one.csv", "one.json", "brightness_table.h", "report.html"):
        (tmp_path / "out" / name).write_bytes(b"of an older run")
    return tmp_path


@pytest.mark.parametrize("verb", VERBS)
def test_no_room_is_one_line_and_the_old_results_stand(verb, folder):
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    done = run(VERBS[verb], folder, ROOM.get(verb, 2000))
    assert done.returncode == 1, done.stderr
    *_, last = done.stderr.strip().splitlines()
    assert "Traceback" not in done.stderr
    assert done.stderr.count("Error:") == 1
    assert "File too large" in done.stderr, last
    after = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    assert after == before


@pytest.mark.skipif(not hasattr(os, "setuid") or os.getuid() != 0, reason="root may become somebody else")
def test_a_folder_of_somebody_else_is_said_before_anything_is_computed():
    """As a user who may read everything and write nothing; root itself may write anywhere."""
    script = (
        "import os, sys; from pathlib import Path; from envlab.errors import FileError; "
        "from envlab.files.whole import check_folder; os.setuid(65534)\n"
        "try: check_folder(Path(sys.argv[1]), force=True)\n"
        "except FileError as problem: print(problem)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, "/usr/envlab-results"],
        capture_output=True,
        text=True,
        check=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
    )
    assert "is not yours to write in" in done.stdout

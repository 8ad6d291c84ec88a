"""Files and folders that appear whole or not at all, also for whoever is killed meanwhile."""

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from envlab.errors import FileError
from envlab.files.whole import check_folder, claimed, restore_folder, write_folder

OLD = {"one": b"old", "two": b"old", "left_over": b"old"}
NEW = {"one": b"new", "two": b"new", "three": b"new"}
FOREIGN = {"notes.txt": b"mine"}
STEPS = ("rename", "replace", "unlink", "mkdir", "open")


def content(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def killed_at(step, folder):
    """Write NEW over OLD in a child that ends, without any tidying, before its nth step on the disk."""
    child = os.fork()
    if child == 0:
        left = step

        def counted(whole):
            def call(*given, **named):
                nonlocal left
                if left == 0:
                    os._exit(9)
                left -= 1
                return whole(*given, **named)

            return call

        for name in STEPS:
            setattr(Path, name, counted(getattr(Path, name)))
        try:
            write_folder(folder, NEW, replaces=(*OLD, *NEW))
        finally:
            os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 9


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_a_folder_is_all_old_or_the_next_run_makes_it_all_new(tmp_path):
    """Killed before every single step; what is not ours stays."""
    outcomes = []
    for step in range(60):
        folder = tmp_path / f"out{step}"
        write_folder(folder, OLD)
        (folder / "notes.txt").write_bytes(b"mine")
        alive = not killed_at(step, folder)
        was_ready = restore_folder(folder)
        found = content(folder)
        assert found in (OLD | FOREIGN, NEW | FOREIGN), step
        outcomes.append((found == NEW | FOREIGN, was_ready))
        if alive:
            break
        write_folder(folder, NEW, replaces=OLD)
        assert content(folder) == NEW | FOREIGN
    assert alive, "steps are counted to the end"
    assert (False, False) in outcomes, "killed before anything was ready"
    assert (True, True) in outcomes, "killed among the moves, and moved to the end"
    assert outcomes[-1] == (True, False)


def test_the_next_run_finishes_before_it_looks_for_files(tmp_path):
    folder = tmp_path / "out"
    ready = tmp_path / ".out.ready"
    (ready / "new").mkdir(parents=True)
    (ready / "new" / "one").write_bytes(b"new")
    (ready / "gone").write_text("left_over")
    write_back = {"one": b"old", "left_over": b"old"}
    folder.mkdir()
    for name, old in write_back.items():
        (folder / name).write_bytes(old)
    with pytest.raises(FileError, match="has files already"):
        check_folder(folder, force=False)
    assert content(folder) == {"one": b"new"}
    assert not ready.exists()


@pytest.mark.parametrize("name", [".", "../here", "inner/.."])
def test_the_folder_one_stands_in(name, tmp_path, monkeypatch):
    here = tmp_path / "here"
    (here / "inner").mkdir(parents=True)
    monkeypatch.chdir(here)
    check_folder(Path(name), force=True)
    write_folder(Path(name), OLD)
    write_folder(Path(name), NEW, replaces=OLD)
    assert {path.name for path in here.iterdir()} == {*NEW, "inner"}
    assert (here / "one").read_bytes() == b"new"
    assert [path.name for path in tmp_path.iterdir()] == ["here"]


def test_a_folder_reached_by_a_link(tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "out").symlink_to(tmp_path / "elsewhere")
    write_folder(tmp_path / "out", NEW)
    assert content(tmp_path / "elsewhere") == NEW
    assert {path.name for path in tmp_path.iterdir()} == {"elsewhere", "out"}


def test_all_is_on_the_disk_before_anything_is_moved(tmp_path, monkeypatch):
    """A machine that loses its power after the first move has the rest: names and files are kept first."""
    told = []
    fsync, rename, replace = os.fsync, Path.rename, Path.replace

    def kept(number):
        told.append(("kept", Path(f"/proc/self/fd/{number}").readlink().name))
        fsync(number)

    monkeypatch.setattr(os, "fsync", kept)
    monkeypatch.setattr(
        Path, "rename", lambda path, to: (told.append(("declared", to.name)), rename(path, to))
    )
    monkeypatch.setattr(
        Path, "replace", lambda path, to: (told.append(("moved", to.name)), replace(path, to))
    )
    write_folder(tmp_path / "out", NEW)
    declared = told.index(("declared", ".out.ready"))
    before = [name for what, name in told[:declared] if what == "kept"]
    assert before[:4] == [*NEW, "gone"]
    assert before[4] == "new"
    assert [name for what, name in told[declared:] if what == "moved"] == sorted(NEW)
    assert told[-1] == ("kept", "out")


CLAIM = """
import sys, time
from pathlib import Path
from envlab.files.whole import claimed
with claimed(Path(sys.argv[1])):
    print("claimed", flush=True)
    time.sleep(60)
"""


def test_two_runs_on_one_folder_and_a_killed_one_gives_it_free(tmp_path):
    folder = tmp_path / "out"
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    with subprocess.Popen(
        [sys.executable, "-c", CLAIM, str(folder)], stdout=subprocess.PIPE, env=environment
    ) as other:
        assert other.stdout.readline() == b"claimed\n"
        with pytest.raises(FileError, match="another envlab is writing there"), claimed(folder):
            pass
        with claimed(tmp_path / "elsewhere"):
            other.kill()
    with claimed(folder):
        assert not folder.exists(), "a claim writes nothing beside the results"


def test_a_claim_needs_no_place_to_be_kept(tmp_path, monkeypatch):
    (tmp_path / "file").write_bytes(b"")
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "file"))
    with claimed(tmp_path / "out"):
        assert [path.name for path in tmp_path.iterdir()] == ["file"]

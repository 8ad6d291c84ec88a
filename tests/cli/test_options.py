"""Results that cannot come to be are refused before any work is done."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from envlab.cli.options import asked_specification, refuse_existing
from envlab.errors import FileError
from envlab.shipped import demo_design, shipped_folder


def test_a_new_file_in_a_folder_that_is_there_is_fine(tmp_path):
    refuse_existing(tmp_path / "nodes.csv", force=False)


def test_a_file_that_is_there_stays_unless_forced(tmp_path):
    (tmp_path / "nodes.csv").write_text("mine")
    with pytest.raises(FileError, match="exists already; give --force"):
        refuse_existing(tmp_path / "nodes.csv", force=False)
    refuse_existing(tmp_path / "nodes.csv", force=True)


@pytest.mark.parametrize("force", [False, True])
def test_no_file_can_go_where_there_is_no_folder(tmp_path, force):
    with pytest.raises(FileError, match="there is no folder"):
        refuse_existing(tmp_path / "nowhere" / "nodes.csv", force=force)


def test_a_folder_is_no_file(tmp_path):
    with pytest.raises(FileError, match="is a folder"):
        refuse_existing(tmp_path, force=True)


def test_a_folder_of_somebody_else(tmp_path, monkeypatch):
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(FileError, match="not yours to write to"):
        refuse_existing(tmp_path / "nodes.csv", force=False)


def test_without_a_design_it_is_the_parade():
    assert Path(asked_specification(None).name).stem == demo_design().stem


def test_a_design_without_clips_says_how_to_give_one(tmp_path):
    design = tmp_path / "my_board.toml"
    design.write_text('[preamp]\nfeedback_ohm = "22k"\n')
    with pytest.raises(FileError, match=r"my_board.toml: has no clips; give one with --clip and --level"):
        asked_specification(design)


def test_a_clip_takes_the_place_of_the_designs_own():
    clip = shipped_folder("audio_samples") / "drum_line.flac"
    (asked,) = asked_specification(None, clip, (95.0, None)).clips
    assert (asked.path.name, asked.level_db_spl, asked.weighting) == ("drum_line.flac", 95.0, "Z")
    (weighted,) = asked_specification(None, clip, (92.0, "A")).clips
    assert weighted.label == "drum_line 92 dB(A)"


def test_the_clips_that_a_clip_replaces_need_not_be_there(tmp_path):
    design = tmp_path / "moved.toml"
    design.write_text('[[clips]]\nfile = "gone.wav"\nlevels_db_spl = [92]\n', encoding="utf-8")
    song = shipped_folder("audio_samples") / "drum_line.flac"
    asked = asked_specification(design, song, (95.0, None))
    assert [clip.label for clip in asked.clips] == ["drum_line 95 dB"]
    with pytest.raises(FileError, match=r"gone\.wav"):
        asked_specification(design)

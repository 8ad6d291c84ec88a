"""The short form of tests/benchmarks/flashes_of_the_exported.py: with the guard on, never more than three."""

from __future__ import annotations

import itertools
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from reference.recordings import open_recording_files

from envlab.design_file import read_design
from envlab.shipped import demo_design
from envlab.sound.recording import read_recording

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
import flashes_of_the_exported as table

LEVELS_DB_SPL = (74, 92, 104)


@pytest.fixture(scope="module")
def chain():
    return read_design(demo_design())


@pytest.fixture(scope="module")
def on_demo_clips(chain):
    """Eight seconds of each demo clip."""
    short = (
        (name, replace(clip, pressure_pa=clip.pressure_pa[: 8 * round(clip.sample_rate_hz)]))
        for name, clip in table.demo_clips()
    )
    return list(table.counts_of(chain, short, LEVELS_DB_SPL))


def test_with_the_guard_no_setting_flashes_more_than_three_times(on_demo_clips):
    assert len(on_demo_clips) == 6 * len(LEVELS_DB_SPL) * len({count.setting for count in on_demo_clips})
    assert max(count.guarded for count in on_demo_clips) == 3
    # The guard has something to do here, and leaves alone what needs no guard.
    assert max(count.free for count in on_demo_clips) > 3
    assert all(count.held_share == 0 for count in on_demo_clips if count.free < 3)


def test_nor_does_it_on_published_recordings(chain):
    loops = [path for path in open_recording_files() if path.name.startswith("loop_")]
    recordings = [(path.stem, read_recording(path, 94.0)) for path in loops[:: max(1, len(loops) // 4)]]
    counts = list(table.counts_of(chain, recordings, (86, 98)))
    assert counts
    assert max(count.guarded for count in counts) <= 3
    assert all(count.held_share == 0 for count in counts if count.free < 3)


def test_a_table_has_the_worst_of_its_runs_and_how_many_are_over(on_demo_clips):
    lines = table.table_of(on_demo_clips, "level_db_spl", "dB SPL").splitlines()
    assert [line.split("|")[1].strip() for line in lines[2:]] == ["74", "92", "104"]
    settings = list(dict.fromkeys(count.setting for count in on_demo_clips))
    for line, level in itertools.product(lines[2:], LEVELS_DB_SPL):
        if line.startswith(f"| {level} "):
            for cell, setting in zip(line.strip("| ").split(" | ")[1:], settings, strict=True):
                runs = [c for c in on_demo_clips if (c.level_db_spl, c.setting) == (level, setting)]
                over = sum(count.free > 3 for count in runs)
                assert cell.startswith(f"{max(c.free for c in runs)} / {max(c.guarded for c in runs)}")
                assert cell.endswith(f"({over} of 6)") == bool(over)

"""A question built in Python, with recordings in memory, is answered like the same one in a design file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile

from envlab import (
    Chain,
    Clip,
    Judging,
    PartRange,
    Recording,
    Specification,
    Target,
    Targets,
    Tolerances,
    choose,
    read_recording,
    read_specification,
    sweep,
    tolerance,
)
from envlab.errors import EnvlabWarning, FileError, ParameterError
from envlab.light.pixels import Supply
from envlab.sound.signals import tone_burst, white_noise
from envlab.stages import MovingMean
from envlab.study.sweep.checkpoint import Checkpoint

RATE_HZ = 48_000.0
DESIGN = """
[[clips]]
file = "beat.wav"
levels_db_spl = [92]
tags = ["beat"]

[sweep.detector]
release_ohm = { series = "E3", low = "100k", high = "470k", tolerance_percent = 5 }

[targets]
onset_lag_worst_ms = { at_most = 45, scale = 20 }
ripple_db = { at_most = 0.1, scale = 1 }

[tolerance]
boards = 40

[judging]
seed = 7
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("built")
    beat = sum(tone_burst(300.0, 0.4, at, 0.08, 1.5, RATE_HZ) for at in (0.1, 0.6, 1.1))
    sound = beat + white_noise(0.01, 1.5, RATE_HZ, 3)
    soundfile.write(folder / "beat.wav", sound, int(RATE_HZ), subtype="PCM_16")
    (folder / "mine.toml").write_text(DESIGN, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def built(folder) -> Specification:
    beat = replace(read_recording(folder / "beat.wav", 60.0), name="beat")
    return Specification(
        # as a file without [follower] and [supply] has it
        Chain(follower=MovingMean(), supply=Supply(margin=0.1, controller_a=None)),
        clips=[Clip(beat, 92, ("beat",))],
        ranges={"detector.release_ohm": PartRange("E3", 100e3, 470e3, 5)},
        targets=Targets(
            (
                Target("onset_lag_worst_ms", "at_most", 45.0, 20.0),
                Target("ripple_db", "at_most", 0.1, 1.0),
            )
        ),
        judging=Judging(seed=7),
        tolerance=Tolerances(boards=40),
    )


@pytest.fixture(scope="module")
def table(built) -> pd.DataFrame:
    return sweep(built)


def test_the_two_ask_the_same(folder, built):
    read = read_specification(folder / "mine.toml")
    assert (read.chain, read.targets, read.judging, read.tolerance) == (
        built.chain,
        built.targets,
        built.judging,
        built.tolerance,
    )
    assert dict(read.ranges) == dict(built.ranges)
    assert [clip.label for clip in read.clips] == [clip.label for clip in built.clips]
    np.testing.assert_allclose(
        built.clips[0].recording().pressure_pa, read.clips[0].recording().pressure_pa, rtol=1e-12
    )


@pytest.mark.parametrize("kind", [str, Path])
def test_sweep_takes_a_file_or_what_was_built(folder, table, kind):
    of_file = sweep(kind(folder / "mine.toml"))
    assert of_file["detector.release_ohm"].tolist() == [100e3, 220e3, 470e3]
    pd.testing.assert_frame_equal(of_file, table, rtol=1e-9)
    assert choose(of_file, folder / "mine.toml").number == choose(table, folder / "mine.toml").number


def test_keywords_go_before_what_is_asked(built, table):
    one = sweep(built, ranges={"detector.release_ohm": (220e3,)})
    pd.testing.assert_frame_equal(one, table.iloc[[1]].reset_index(drop=True).rename_axis("candidate"))
    louder = sweep(built, ranges={}, clips=[Clip(built.clips[0].source, 100, ("beat",))])
    assert "flashes_per_s [beat 100 dB]" in louder
    quick = replace(built.chain, frame_rate_hz=200.0, follower=MovingMean(5e-3))
    faster = sweep(built, chain=quick, ranges={}, judging=Judging(80.0, seed=1))
    assert faster["onset_lag_worst_ms"].iloc[0] < table["onset_lag_worst_ms"].min()


def test_tolerance_takes_a_file_or_what_was_built(folder, built):
    of_file = tolerance(folder / "mine.toml")
    of_built = tolerance(built)
    assert len(of_file.boards) == 40
    pd.testing.assert_frame_equal(of_file.boards, of_built.boards, rtol=1e-9)
    assert repr(of_file) == "<ToleranceResult: 40 boards, 0 % meet 3 targets>"
    slow = replace(built.chain, detector=replace(built.chain.detector, release_ohm=560e3))
    ripple_db = tolerance(built, chain=slow).nominal["ripple_db"]
    assert ripple_db < 0.9 * of_file.nominal["ripple_db"]


def test_a_file_that_is_not_there_is_one_line(folder):
    for ask in (sweep, tolerance):
        with pytest.raises(FileError, match=r"gone\.toml: no such file"):
            ask(folder / "gone.toml")


def test_a_checkpoint_knows_another_recording_in_memory(built, tmp_path):
    kept = tmp_path / "kept"
    whole = sweep(built, ranges={}, checkpoint=kept)
    done = set(Checkpoint(kept, "").done())
    assert done
    other = replace(built.clips[0].source, pressure_pa=built.clips[0].source.pressure_pa[::-1])
    with pytest.warns(EnvlabWarning, match="belongs to another question"):
        turned = sweep(built, ranges={}, clips=[Clip(other, 92, ("beat",))], checkpoint=kept)
    assert not turned.equals(whole)
    again = sweep(built, ranges={}, clips=[Clip(other, 92, ("beat",))])
    pd.testing.assert_frame_equal(turned, again, check_exact=True)


def test_a_clip_of_its_own_level_is_the_recording_itself():
    noise = Recording(white_noise(0.2, 0.5, RATE_HZ, 5), RATE_HZ, "hiss")
    clip = Clip.as_it_is(noise, ("beat",))
    assert clip.level_db_spl == pytest.approx(80.0, abs=0.01)  # 0.2 Pa re 20 µPa is 20 lg(10^4) dB
    less_offset = noise.pressure_pa - noise.pressure_pa.mean()
    np.testing.assert_allclose(clip.recording().pressure_pa, less_offset, rtol=1e-9, atol=1e-15)
    assert (clip.path, clip.file_name, clip.sound().name) == (None, "hiss", "hiss")


def test_clips_must_be_told_apart():
    noise = Recording(np.ones(800), 8000.0)
    with pytest.raises(ParameterError, match="clips is 'recording 80 dB'; it must be named once"):
        Specification(Chain(), [Clip(noise, 80.0), Clip(noise, 80.0)])


def test_a_clip_is_a_file_or_a_recording():
    with pytest.raises(ParameterError, match="source is 3; it must be a sound file's path, or a Recording"):
        Clip(3, 80.0)


def test_it_shows_itself(built, table):
    assert repr(built) == "<Specification 'specification': 1 clip, 3 candidates, 2 targets>"
    choice = choose(table, built)
    assert (
        repr(choice) == f"<Choice: candidate {choice.number} of 3, violation {choice.row['violation']:.2g}>"
    )
    page = choice._repr_html_()
    assert "R5 (release) = " in page
    assert "Ripple" in page
    assert type(choice.chain.detector.release_ohm) is float
    table_page = built.chain.brightness_table()._repr_html_()
    assert table_page.count("<tr>") == 10

"""A specification written as a whole design file: nothing asked is lost, and no comment of what stays.

What a file says is read by tomllib, the reader of Python itself [TOML 1.0.0], not by what wrote it.
"""

from __future__ import annotations

import random
import re
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from envlab.analog.band_filter import FirstLowPass
from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.electret import Electret
from envlab.analog.parts import PartRange
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.design_file import STAGES, chain_of, design_text
from envlab.digital.followers import AttackRelease
from envlab.errors import EnvlabError, FileError, ParameterError
from envlab.light.viewing import Viewing
from envlab.shipped import demo_design, shipped_folder
from envlab.sound.clip import Clip
from envlab.sound.recording import Recording
from envlab.study.specification.specification import (
    Judging,
    Specification,
    demo_specification,
    read_specification,
)
from envlab.study.specification.targets import Target, Targets
from envlab.study.specification.written import specification_text, write_specification
from envlab.study.tolerance.tolerances import Tolerances

DEMO = demo_specification()


def comments(text: str) -> list[str]:
    return re.findall(r"#.*", text)


def again(asked: Specification, folder: Path) -> Specification:
    return read_specification(write_specification(asked, folder / "again.toml", overwrite=True))


def same(one: Specification, other: Specification) -> bool:
    def what(asked: Specification) -> tuple[object, ...]:
        clips = tuple(replace(clip, source=clip.path.resolve()) for clip in asked.clips)
        return (
            asked.chain,
            clips,
            dict(asked.ranges),
            asked.targets,
            asked.judging,
            asked.tolerance,
            asked.viewing,
        )

    return what(one) == what(other)


def test_what_is_unchanged_is_written_letter_for_letter(tmp_path):
    assert specification_text(DEMO, tmp_path) == demo_design().read_text(encoding="utf-8")


def test_a_turned_part_changes_one_line(tmp_path):
    chain = replace(DEMO.chain, detector=replace(DEMO.chain.detector, release_ohm=330e3))
    old = demo_design().read_text(encoding="utf-8").splitlines()
    new = specification_text(replace(DEMO, chain=chain), tmp_path).splitlines()
    assert [(a, b) for a, b in zip(old, new, strict=True) if a != b] == [
        (
            'release_ohm = "150k"            # swept below',
            'release_ohm = "330k"            # swept below',
        )
    ]


def test_all_that_can_change_is_read_back(tmp_path):
    chain = replace(
        DEMO.chain,
        microphone=Electret(),
        band_filter=FirstLowPass(10e3, 100e-9),
        rectifier=Rectifier(),
        detector=AverageDetector(10e3, 1e-6),
        follower=AttackRelease(0.005, 0.3),
        frame_rate_hz=50.0,
        pixel_bits=8,
        current_limit="frame",
    )
    asked = replace(
        DEMO,
        chain=chain,
        clips=(DEMO.clips[1], DEMO.clips[5], Clip(DEMO.clips[6].source, 81.5, ("room",), "A", 2.0)),
        ranges={
            "preamp.feedback_ohm": PartRange("E6", 2.2e3, 47e3, 1),
            "detector.smoothing_ohm": PartRange("E12", 1e3, 10e3),
            "rectifier.kind": ("full", "half"),
            "adc.bits": (10, 12),
        },
        targets=Targets(
            (
                Target("beat_contrast_lstar", "at_least", 20.5, 10.0),
                Target("supply_mean_a", "at_most", 1.25, 0.5),
                Target("flashes_per_s", "at_most", 2.0, 1.0),
            )
        ),
        judging=Judging(street_db_spl=88.0, seed=7, weighting="A"),
        tolerance=Tolerances(
            resistor_percent=1.0,
            parts_percent={"C3": 10.0},
            temperature_c=(-15.0, 5.0),
            supply_v=(3.1, 3.5),
            shape="normal",
            boards=300,
            deviations={"adc.offset_lsb": 1.5},
        ),
        viewing=Viewing(distance_m=8.0, candela_per_a=5.0),
    )
    assert same(again(asked, tmp_path), asked)
    text = specification_text(asked, tmp_path)
    assert "# the converter; all pixels at full would take 10.8 A" in text


def test_a_specification_built_in_python_is_written_whole(tmp_path):
    song = shipped_folder("audio_samples") / "drum_line.flac"
    asked = Specification(
        Chain(detector=PeakDetector(4.7e3, 1e-6, 220e3)),
        clips=[Clip(song, 92.0, ("beat",)), Clip(song, 72.0, ("beat",)), Clip(song, 60.0, ("quiet",))],
        ranges={"detector.release_ohm": PartRange("E6", 100e3, 470e3)},
        targets=Targets((Target("onset_lag_worst_ms", "at_most", 45.0, 20.0),)),
        tolerance=Tolerances(boards=64),
    )
    path = write_specification(asked, tmp_path / "mine")
    assert path == tmp_path / "mine.toml"
    assert same(read_specification(path), asked)
    tables = tomllib.loads(path.read_text(encoding="utf-8"))
    assert tables["clips"] == [
        {"file": "drum_line.flac", "levels_db_spl": [92.0, 72.0], "tags": ["beat"]},
        {"file": "drum_line.flac", "levels_db_spl": [60.0], "tags": ["quiet"]},
    ]
    assert tables["sweep"]["detector"]["release_ohm"] == {
        "series": "E6",
        "low": "100k",
        "high": "470k",
        "tolerance_percent": 5,
    }
    assert tables["tolerance"] == {"boards": 64}


COMMENTED = """\
# head of the file
[[clips]]   # the first
file = "drum_line.flac"   # ours
levels_db_spl = [72, 92, "104 dB"]   # three
tags = ["beat"]

# head of the second
[[clips]]
file = "voices_bells.flac"
levels_db_spl = ["70 dB(A)"]   # as the meter reads
tags = ["quiet"]

# head of the third
[[clips]]
file = "quiet_room.flac"
levels_db_spl = [38]

# what is asked
[targets]
# first of all
beat_contrast_lstar = { at_least = 16, scale = 10 }   # must show
# the rest
onset_lag_worst_ms = { at_most = 45, scale = 20 }
"""


@pytest.fixture
def commented(tmp_path: Path) -> Specification:
    path = tmp_path / "commented.toml"
    path.write_text(COMMENTED, encoding="utf-8")
    return read_specification(path)


@pytest.mark.parametrize(
    ("kept", "lost"),
    [
        ((0, 1, 2, 3, 4), set()),
        ((1, 2, 3, 4), set()),
        ((0, 1, 2, 3), {"# head of the third"}),
        ((0, 2, 4), {"# as the meter reads", "# head of the second"}),
        ((3, 4), {"# the first", "# ours", "# three"}),
        ((4, 3, 0), set()),
    ],
)
def test_comments_of_what_stays_stay(commented, tmp_path, kept, lost):
    asked = replace(commented, clips=tuple(commented.clips[place] for place in kept))
    text = specification_text(asked, tmp_path)
    assert set(comments(COMMENTED)) - set(comments(text)) == lost
    assert same(again(asked, tmp_path), asked)
    heads = [
        line for line in text.splitlines() if line.startswith(("# head of the t", "# what", "[targets]"))
    ]
    assert heads[-2:] == ["# what is asked", "[targets]"]


def test_an_unchanged_level_stays_as_it_was_written(commented, tmp_path):
    asked = replace(commented, clips=commented.clips[2:4])
    levels = [table["levels_db_spl"] for table in tomllib.loads(specification_text(asked, tmp_path))["clips"]]
    assert levels == [["104 dB"], ["70 dB(A)"]]


def test_a_target_that_moves_keeps_its_comment(commented, tmp_path):
    contrast, latency = commented.targets.items
    asked = replace(commented, targets=Targets((replace(contrast, limit=22.5), latency)))
    text = specification_text(asked, tmp_path)
    assert "beat_contrast_lstar = { at_least = 22.5, scale = 10 }   # must show" in text
    assert comments(text) == comments(COMMENTED)


@pytest.mark.parametrize("seed", range(12))
def test_whatever_is_asked_is_read_back(seed, commented, tmp_path):
    draw = random.Random(seed)
    base = draw.choice([DEMO, commented])
    clips = draw.sample(base.clips, draw.randint(0, len(base.clips)))
    ranges = dict(draw.sample(sorted(base.ranges.items()), draw.randint(0, len(base.ranges))))
    if draw.random() < 0.5:
        ranges["detector.attack_ohm"] = PartRange("E12", 1e3, draw.choice([4.7e3, 10e3]), 1)
    targets = draw.sample(base.targets.items, draw.randint(0, len(base.targets.items)))
    targets = [replace(one, scale=one.scale * draw.choice([1, 1.5])) for one in targets]
    rectifier = Rectifier(kind="half", diode=draw.choice(["none", "silicon"]))
    chain = replace(base.chain, rectifier=rectifier, frame_rate_hz=draw.choice([50.0, 100.0, 125.0]))
    asked = replace(base, chain=chain, clips=tuple(clips), ranges=ranges, targets=Targets(tuple(targets)))
    assert same(again(asked, tmp_path), asked)


def test_every_form_of_a_stage_takes_the_place_of_another(tmp_path):
    """Each kind and topology whose values all have a default, on a board that takes it."""
    tried = []
    for section, kinds in STAGES.items():
        for kind in set(kinds.values()) if isinstance(kinds, dict) else ():
            try:
                chain = replace(DEMO.chain, **{section: kind()})
                chain_of(tomllib.loads(design_text(chain)), "whole.toml")
            except (TypeError, EnvlabError):  # a value without a default, another supply
                continue
            asked = replace(DEMO, chain=chain, ranges={})
            assert again(asked, tmp_path).chain == chain
            tried.append((section, kind.__name__))
    assert {section for section, _ in tried} >= {"microphone", "band_filter", "rectifier", "follower"}
    assert len(tried) >= 12


def test_a_clip_beside_the_file_goes_before_a_demo_clip_of_its_name(tmp_path):
    (tmp_path / "drum_line.flac").write_bytes(b"another sound")
    asked = replace(DEMO, clips=DEMO.clips[:1])
    read = again(asked, tmp_path)
    assert read.clips[0].path.resolve() == DEMO.clips[0].path.resolve()


def test_a_recording_in_memory_cannot_be_named(tmp_path):
    knock = Recording(np.sin(np.arange(4800) / 10), 48_000.0, name="knock")
    with pytest.raises(ParameterError, match=r"knock 80 dB.*must be sound files"):
        write_specification(replace(DEMO, clips=(Clip(knock, 80.0),)), tmp_path / "x.toml")
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_there_is_replaced_only_on_demand(tmp_path):
    path = write_specification(DEMO, tmp_path / "mine.toml")
    with pytest.raises(FileError, match="is there already"):
        write_specification(DEMO, path)
    assert write_specification(DEMO, path, overwrite=True) == path
    with pytest.raises(FileError, match="is a folder"):
        write_specification(DEMO, tmp_path, overwrite=True)
    with pytest.raises(ParameterError, match="a file's name"):
        write_specification(DEMO, "")


def test_a_part_that_nobody_sells_is_not_written(tmp_path):
    odd = replace(DEMO.chain, detector=PeakDetector(4.8123e3, 1e-6, 220e3))
    with pytest.raises(FileError, match="must be in an E series"):
        write_specification(replace(DEMO, chain=odd), tmp_path / "odd.toml")
    assert list(tmp_path.iterdir()) == []


def test_clips_given_instead_are_not_looked_for(tmp_path):
    path = tmp_path / "moved.toml"
    path.write_text('[[clips]]\nfile = "gone.wav"\nlevels_db_spl = [92]\n', encoding="utf-8")
    with pytest.raises(FileError, match=r"gone\.wav"):
        read_specification(path)
    asked = read_specification(path, clips=DEMO.clips[:2])
    assert asked.clips == DEMO.clips[:2]
    assert same(again(asked, tmp_path), asked)

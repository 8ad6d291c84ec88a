"""The question in a design file: what is read, and every way in which it cannot be asked."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import pytest

from envlab.analog.parts import PartRange
from envlab.design_file import with_parts
from envlab.digital.followers import MovingMaximum, MovingMean, PassThrough
from envlab.errors import FileError, ParameterError
from envlab.light.viewing import Viewing
from envlab.sound.clip import Clip
from envlab.study.specification.ranges import candidates_of
from envlab.study.specification.specification import Judging, demo_specification, read_specification
from envlab.study.specification.targets import Target

QUESTION = """
[detector]
kind = "peak"
attack_ohm = "4k7"
hold_farad = "1u"
release_ohm = "470k"

[[clips]]
file = "beat.wav"
levels_db_spl = [80, 92.5]
tags = ["beat"]

[[clips]]
file = "hum.wav"
levels_db_spl = [60]
weighting = "A"

[sweep.detector]
attack_ohm = { series = "E6", low = "1k", high = "4k7", tolerance_percent = 1 }
release_ohm = ["220k", 470e3]

[sweep.rectifier]
kind = ["half", "full"]

[targets]
ripple_db = { at_most = 1.5, scale = 0.5 }
flashes_per_s = { at_most = 2, scale = 1 }

[judging]
street_db_spl = 90
seed = 7

[viewing]
distance_m = 12
width_m = 0.8
"""


LEVELS = """
[[clips]]
file = "beat.wav"
levels_db_spl = [80, "82 dB(A)", "84dBC", "86 dB"]
level_uncertainty_db = 2.5

[[clips]]
file = "hum.wav"
levels_db_spl = [60]
weighting = "C"
"""


def test_levels_may_name_their_weighting_and_a_file_may_name_one_for_all(write_design):
    clips = read_specification(write_design(LEVELS)).clips
    assert [clip.weighting for clip in clips] == ["Z", "A", "C", "Z", "C"]
    assert [clip.level_db_spl for clip in clips] == [80, 82, 84, 86, 60]
    assert [clip.level_uncertainty_db for clip in clips] == [2.5, 2.5, 2.5, 2.5, 0.0]
    clips = read_specification(write_design(LEVELS + '[judging]\nweighting = "A"')).clips
    assert [clip.weighting for clip in clips] == ["A", "A", "C", "A", "C"]


def test_a_clip_from_the_command_has_the_files_weighting_or_its_own(write_design):
    specification = read_specification(write_design(QUESTION.replace("seed = 7", 'weighting = "A"')))
    assert specification.with_clip(Path("song.flac"), 95).clips[0].weighting == "A"
    assert specification.with_clip(Path("song.flac"), 95, "Z").clips[0].weighting == "Z"


def test_reads_the_whole_question(write_design):
    path = write_design(QUESTION)
    specification = read_specification(path)
    assert [clip.label for clip in specification.clips] == ["beat 80 dB", "beat 92.5 dB", "hum 60 dB(A)"]
    assert [clip.tags for clip in specification.clips] == [("beat",), ("beat",), ()]
    assert specification.clips[0].path == path.parent / "beat.wav"
    assert list(specification.ranges) == ["detector.attack_ohm", "detector.release_ohm", "rectifier.kind"]
    assert specification.ranges["detector.attack_ohm"] == PartRange("E6", 1e3, 4.7e3, 1.0)
    assert specification.ranges["detector.release_ohm"] == (220e3, 470e3)
    assert specification.ranges["rectifier.kind"] == ("half", "full")
    assert specification.targets.items == (
        Target("ripple_db", "at_most", 1.5, 0.5),
        Target("flashes_per_s", "at_most", 2.0, 1.0),
    )
    assert specification.judging == Judging(90.0, 7)
    assert specification.viewing == Viewing(distance_m=12.0, width_m=0.8)
    assert specification.name == "mine.toml"
    assert specification.source_text == QUESTION


def test_a_design_alone_asks_nothing(write_design):
    specification = read_specification(write_design(""))
    assert (specification.clips, specification.ranges, specification.targets.items) == ((), {}, ())
    assert specification.judging == Judging()
    assert specification.viewing == Viewing()


def test_demo_clips_are_found_without_a_copy(write_design):
    specification = read_specification(
        write_design('[[clips]]\nfile = "drum_line.flac"\nlevels_db_spl = [92]\n')
    )
    assert specification.clips[0].path.is_file()


def test_demo_specification_is_complete():
    specification = demo_specification()
    assert {tag for clip in specification.clips for tag in clip.tags} >= {"beat", "quiet", "walking"}
    assert all(clip.path.is_file() for clip in specification.clips)
    assert set(specification.ranges) == {
        f"{key}"
        for key in (
            "preamp.feedback_ohm",
            "detector.hold_farad",
            "detector.attack_ohm",
            "detector.release_ohm",
        )
    }
    assert specification.targets.flash_limit == 3


def test_a_clip_of_ones_own_takes_the_place_of_the_clips(write_design):
    specification = read_specification(write_design(QUESTION)).with_clip(Path("song.flac"), 95)
    assert specification.clips == (Clip(Path("song.flac"), 95, ("beat",)),)
    assert specification.ranges


def clips(text: str) -> str:
    return f"[[clips]]\n{text}\n"


BAD = [
    (
        clips('file = "beat.wav"'),
        "[[clips]] number 1 levels_db_spl is None; it must be a list such as [72, 92]",
    ),
    (clips("levels_db_spl = [80]"), "[[clips]] number 1 file is None; it must be the name of a sound file"),
    (clips("file = 3\nlevels_db_spl = [80]"), "number 1 file is 3; it must be the name of a sound file"),
    (clips('file = ""\nlevels_db_spl = [80]'), "file is ''; it must be the name of a sound file"),
    (
        clips('file = "gone.wav"\nlevels_db_spl = [80]'),
        "file 'gone.wav' is neither beside the design file nor one of",
    ),
    (
        clips('file = "beat.wav"\nlevels_db_spl = 80'),
        "levels_db_spl is 80; it must be a list such as [72, 92]",
    ),
    (clips('file = "beat.wav"\nlevels_db_spl = []'), "levels_db_spl is []; it must be a list"),
    (
        clips('file = "beat.wav"\nlevels_db_spl = ["loud"]'),
        "levels_db_spl is 'loud'; it must be as in 92",
    ),
    (
        clips('file = "beat.wav"\nlevels_db_spl = ["80 dB(A)"]\nweighting = "Z"'),
        "levels_db_spl has '80 dB(A)', but weighting is 'Z'; say one of them",
    ),
    (
        clips('file = "beat.wav"\nlevels_db_spl = [80]\nlevel_uncertainty_db = -1'),
        "level_uncertainty_db is -1; it must be from 0 to 20 dB",
    ),
    (clips('file = "beat.wav"\nlevels_db_spl = [nan]'), "level_db_spl is nan; it must be a finite number"),
    (
        clips('file = "beat.wav"\nlevels_db_spl = [400]'),
        "level_db_spl is 400; it must be from 0 to 140 dB SPL",
    ),
    (clips('file = "beat.wav"\nlevels_db_spl = [80, 80]'), "'beat 80 dB' is there twice"),
    (
        clips('file = "beat.wav"\nlevels_db_spl = [80]\ntags = "beat"'),
        "tags is 'beat'; it must be a list out of beat, quiet",
    ),
    (
        clips('file = "beat.wav"\nlevels_db_spl = [80]\ntags = ["loud"]'),
        "tags is 'loud'; it must be one of beat, quiet",
    ),
    (
        clips('file = "beat.wav"\nlevels_db_spl = [80]\ntags = [["beat"]]'),
        "tags is ['beat']; it must be one of",
    ),
    (
        clips('file = "beat.wav"\nlevels_db_spl = [80]\nweighting = "B"'),
        "weighting is 'B'; it must be one of Z, A, C",
    ),
    (clips('file = "beat.wav"\nlevel_db_spl = 80'), "has an unknown key 'level_db_spl'"),
    ('[clips]\nfile = "beat.wav"\n', "[[clips]] is one section; it must be a list of sections"),
    ("clips = [1, 2]\n", "[[clips]] number 1 is 1; it must be a section with keys"),
    ("sweep = 3\n", "[sweep] is 3; it must be a section with keys"),
    ("[sweep]\ndetector = 3\n", "[sweep.detector] is 3; it must be a section with keys"),
    (
        '[sweep.filter]\ncorner_hz = ["1k"]\n',
        "[sweep.filter] cannot be swept; it can be one of microphone, preamp",
    ),
    (
        '[sweep.detector]\natack_ohm = ["1k"]\n',
        "[sweep.detector] atack_ohm cannot be swept; it can be one of attack_ohm, hold_farad",
    ),
    ("[sweep.detector]\nsmoothing_ohm = [1000]\n", "[sweep.detector] smoothing_ohm cannot be swept"),
    (
        "[sweep.detector]\nattack_ohm = 1000\n",
        "attack_ohm is 1000; it must be a list of values or {series = ",
    ),
    ("[sweep.detector]\nattack_ohm = []\n", "attack_ohm is []; it must be a list of values"),
    (
        '[sweep.detector]\nattack_ohm = ["1k", "4k8"]\n',
        "attack_ohm is 4k8; it must be in an E series, such as 4k7",
    ),
    ('[sweep.detector]\nattack_ohm = ["1n F"]\n', "attack_ohm is '1n F'; it must be a value in ohm"),
    ("[sweep.detector]\nattack_ohm = [-1000]\n", "attack_ohm is -1000.0; it must be from 0.01 to 1e+08 ohm"),
    (
        "[sweep.detector]\nattack_ohm = [1000, 1000]\n",
        "attack_ohm is [1000, 1000]; it must be a list of different values",
    ),
    ("[sweep.preamp]\nbias_v = [1.65, 99]\n", "[sweep.preamp] bias_v is 99.0; it must be from 0 to 3.3 V"),
    (
        '[sweep.rectifier]\nkind = ["both"]\n',
        "[sweep.rectifier] kind is 'both'; it must be one of half, full",
    ),
    (
        "[sweep.rectifier]\nreference_node_v = [5]\n",
        "[sweep.rectifier] quiescent_v is 5.00049504950495; it must be below the ADC's reference_v",
    ),
    (
        '[sweep.detector]\nattack_ohm = {series="E7", low=1, high=10}\n',
        "series is 'E7'; it must be one of E3, E6",
    ),
    ('[sweep.detector]\nattack_ohm = {series="E6", low="1k"}\n', "attack_ohm has no high"),
    (
        '[sweep.detector]\nattack_ohm = {series="E6", low="10k", high="1k"}\n',
        "low is 10000.0; it must be at most high",
    ),
    (
        '[sweep.detector]\nattack_ohm = {series="E6", low="5k", high="6k"}\n',
        "such that E6 has a value up to 6000",
    ),
    (
        '[sweep.detector]\nattack_ohm = {series="E6", low="1u F", high="1k"}\n',
        "is '1u F'; it must be a value in ohm",
    ),
    (
        '[sweep.detector]\nattack_ohm = {series="E6", low="-1k", high="1k"}\n',
        "low is -1000.0; it must be from 1e-15 to 1e+12",
    ),
    (
        '[sweep.detector]\nattack_ohm = {series="E6", low="1k", high="1G"}\n',
        "attack_ohm is 150000000.0; it must be from",
    ),
    (
        '[sweep.detector]\nattack_ohm = {series="E6", low=1, high=9, step=2}\n',
        "attack_ohm has an unknown key 'step'",
    ),
    (
        '[sweep.detector]\nattack_ohm = {series="E6", low=1, high=9, tolerance_percent=-5}\n',
        "tolerance_percent is -5.0; it must be from 0 to 50 %",
    ),
    (
        '[sweep.detector]\nattack_ohm = {series="E192", low=1, high="1M"}\n'
        'release_ohm = {series="E192", low=1, high="1M"}\n',
        "candidates is 1329409; it must be at most 200000",
    ),
    ("[sweep.pixels]\ncount = [10, 12]\n", "[sweep.pixels] cannot be swept"),
    ("[sweep.supply]\nlimit_a = [2, 3]\n", "[sweep.supply] cannot be swept"),
    ("targets = 3\n", "[targets] is 3; it must be a section with keys"),
    (
        "[targets]\nbeauty = {at_most = 3, scale = 1}\n",
        "[targets] has an unknown metric 'beauty'; it can have attack_ms",
    ),
    ("[targets]\nriple_db = {at_most = 3, scale = 1}\n", "metric 'riple_db'; did you mean 'ripple_db'?"),
    ("[targets]\nripple_db = 3\n", "ripple_db is 3; it must be {at_most = "),
    ("[targets]\nripple_db = {scale = 1}\n", "it must be {at_most = "),
    ("[targets]\nripple_db = {at_most = 1, at_least = 0, scale = 1}\n", "it must be {at_most = "),
    ("[targets]\nripple_db = {at_most = 1, scal = 1}\n", "it must be {at_most = "),
    ("[targets]\nripple_db = {at_most = 1}\n", "ripple_db scale is None; it must be a number"),
    ('[targets]\nripple_db = {at_most = "1", scale = 1}\n', "ripple_db at_most is '1'; it must be a number"),
    ("[targets]\nripple_db = {at_most = 1, scale = 0}\n", "ripple_db scale is 0.0; it must be above 0"),
    ("[targets]\nripple_db = {at_most = inf, scale = 1}\n", "ripple_db at_most is inf; it must be a number"),
    (
        "[targets]\nflashes_per_s = {at_most = 4, scale = 1}\n",
        "flashes_per_s is 4.0; it must be at_most 3 or stricter",
    ),
    (
        "[targets]\nflashes_per_s = {at_least = 1, scale = 1}\n",
        "flashes_per_s is 1.0; it must be at_most 3 or stricter",
    ),
    ("[judging]\nseed = -1\n", "[judging] seed is -1; it must be a whole number from 0 to"),
    ("[judging]\nseed = 1.5\n", "[judging] seed is 1.5; it must be a whole number"),
    ("[judging]\nstreet_db_spl = 20\n", "[judging] street_db_spl is 20.0; it must be from 40 to 130 dB SPL"),
    ("[judging]\nstreet = 90\n", "[judging] has an unknown key 'street'; did you mean 'street_db_spl'?"),
    ("judging = 1\n", "[judging] is 1; it must be a section with keys"),
    ("[viewing]\ndistance_m = 0\n", "[viewing] distance_m is 0.0; it must be above 0 m"),
    ("[viewing]\nwidth_m = 11\n", "[viewing] width_m is 11.0; it must be at most 10 m"),
    (
        "[viewing]\ntransmissivity_per_km = 1.2\n",
        "[viewing] transmissivity_per_km is 1.2; it must be at most",
    ),
    ("[viewing]\ndistance = 3\n", "[viewing] has an unknown key 'distance'; did you mean 'distance_m'?"),
    ("[filter]\n", "mine.toml has an unknown section 'filter'"),
    ("[adc]\nbits = 99\n", "[adc] bits is 99; it must be a whole number from 6 to 16"),
]


@pytest.mark.parametrize(("text", "said"), BAD, ids=[said[:60] for _, said in BAD])
def test_bad_input_gets_one_clear_line(write_design, text, said):
    with pytest.raises(FileError) as caught:
        read_specification(write_design(text))
    line = str(caught.value)
    assert said in line
    assert "mine.toml" in line
    assert "\n" not in line


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(FileError, match=r"nothing\.toml: no such file$"):
        read_specification(tmp_path / "nothing.toml")


@pytest.mark.parametrize("level_db_spl", [-1, 141, math.nan])
def test_levels_that_no_clip_has(level_db_spl):
    with pytest.raises(ParameterError, match=r"^level_db_spl is "):
        Clip(Path("a.wav"), level_db_spl)


def test_a_clips_path_may_be_a_string():
    assert Clip("music/song.wav", 92.0) == Clip(Path("music/song.wav"), 92.0)
    assert Clip("music/song.wav", 92.0).label == "song 92 dB"


def test_kinds_of_a_stage_are_swept_and_written(write_design):
    """What a frame shows: the latest reading, the mean or the maximum of them."""
    text = '[[clips]]\nfile = "beat.wav"\nlevels_db_spl = [80]\n'
    text += '[follower]\nkind = "attack_release"\nattack_s = 0.01\nrelease_s = 0.1\n'
    path = write_design(text + '[sweep.follower]\nkind = ["none", "moving_mean", "moving_maximum"]\n')
    asked = read_specification(path)
    chains = candidates_of(asked.chain, asked.ranges).chains
    assert [chain.follower for chain in chains] == [PassThrough(), MovingMean(0.01), MovingMaximum(0.01)]
    path.write_text(with_parts(path.read_text(), {"follower.kind": "moving_mean"}))
    assert read_specification(path).chain.follower == MovingMean(0.01)
    together = {"follower.kind": ("none", "moving_mean"), "follower.window_s": (0.005, 0.02)}
    shown = [
        chain.follower
        for chain in candidates_of(replace(asked.chain, follower=MovingMean()), together).chains
    ]
    assert shown == [PassThrough(), PassThrough(), MovingMean(0.005), MovingMean(0.02)]


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ('kind = ["average"]', "kind is 'average'; it must be one of none, one_pole"),
        ('kind = ["none", "one_pole"]', "follower.kind is 'one_pole'; it must be one that needs no time_s"),
    ],
)
def test_a_kind_that_cannot_be_swept_gets_one_clear_line(write_design, line, told):
    text = '[[clips]]\nfile = "beat.wav"\nlevels_db_spl = [80]\n[sweep.follower]\n'
    with pytest.raises(FileError, match=re.escape(told)) as problem:
        read_specification(write_design(text + line + "\n"))
    assert "\n" not in str(problem.value)

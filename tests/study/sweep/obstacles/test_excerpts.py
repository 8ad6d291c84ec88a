"""Long clips are searched on excerpts, and what is said of them is true of the whole."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from reference.known_causes import question

from envlab.analog.detector import PeakDetector
from envlab.chain import Chain
from envlab.light.curve import BrightnessMap
from envlab.metrics.catalogue import FLASH_METRIC
from envlab.sound.clip import Clip
from envlab.sound.level import leq_db_spl
from envlab.sound.recording import Recording
from envlab.study.sentences import of_kind
from envlab.study.specification.specification import Specification
from envlab.study.specification.targets import Target
from envlab.study.sweep.choice import Choice, choose
from envlab.study.sweep.obstacles import excerpts, obstacles
from envlab.study.sweep.obstacles.lab import Lab, Memory, Mend, memory_of
from envlab.study.sweep.obstacles.obstacles import mends_of, with_obstacles
from envlab.study.sweep.sweep import sweep
from envlab.units import parse_value

CONTRAST = Target("beat_contrast_lstar", "at_least", 30.0, 1.0)
RATE_HZ = 16_000.0
# Two of the parts nearly fall silent.
LOUD = (0.02, 1.0, 0.7, 0.02, 0.5, 0.85)


def music(seed: int, beats_per_s: float) -> np.ndarray:
    """Two minutes of knocks, each of the six parts as loud as LOUD says."""
    t = np.arange(round(excerpts.LONG_S * RATE_HZ)) / RATE_HZ
    knocks = np.exp(-12 * (t * beats_per_s % 1) / beats_per_s) * np.sin(2 * np.pi * 220 * t)
    loud = np.array(LOUD)[(t // excerpts.EXCERPT_S).astype(int)]
    return loud * knocks + 1e-3 * np.random.default_rng(seed).standard_normal(t.size)


@pytest.fixture(scope="module")
def asked() -> Specification:
    """More contrast than any candidate has, on a clip of two minutes and a short one."""
    short = question(np.random.default_rng(5), Chain(), (CONTRAST,))
    long = Clip(Recording(music(1, 2.0), RATE_HZ, name="long"), 90.0, ("beat",))
    # The long one alone says what the contrast is.
    others = [replace(one, tags=("quiet",)) for one in short.clips]
    return replace(short, clips=(long, *others))


@pytest.fixture(scope="module")
def choice(asked: Specification) -> Choice:
    return choose(sweep(asked), asked)


def unheard(share: float) -> None:
    assert 0.0 <= share <= 1.0


def searching(asked: Specification, choice: Choice) -> tuple[Lab, Lab]:
    memory = memory_of(asked)
    whole = Lab(asked, (CONTRAST,), 2, memory)
    return whole, excerpts.Excerpts(asked, memory).lab_on(whole, choice.chain, unheard)


def test_an_excerpt_is_taken_that_is_most_like_the_whole(asked, choice):
    whole, lab = searching(asked, choice)
    assert lab.whole is whole
    assert lab.memory.lengths_s == (excerpts.EXCERPT_S, *whole.memory.lengths_s[1:])
    got = lab.memory.sound_of(0, asked.clips[0])
    first = asked.sounds[0]
    assert isinstance(got, Recording)
    assert isinstance(first, Recording)
    # Not one of the two that are nearly silent, and as loud as the music is there.
    loud = [
        first.pressure_pa[round(place * excerpts.EXCERPT_S * RATE_HZ) :][: got.samples]
        for place in (1, 2, 4, 5)
    ]
    inner = slice(1000, -1000)
    assert any(np.array_equal(got.pressure_pa[inner], one[inner]) for one in loud)
    assert abs(got.pressure_pa[0]) < 1e-12
    was, now = whole.misses_on(choice.chain, 0), lab.misses_on(choice.chain, 0)
    assert now.apart(was) < 2.0
    assert lab.misses_on(choice.chain, 1).targets == whole.misses_on(choice.chain, 1).targets


def test_an_excerpt_is_as_much_louder_as_its_clip(asked, choice):
    _, lab = searching(asked, choice)
    louder = replace(asked.clips[0], level_db_spl=asked.clips[0].level_db_spl + 6.0)
    was, now = (lab.memory.sound_of(0, clip) for clip in (asked.clips[0], louder))
    assert isinstance(was, Recording)
    assert isinstance(now, Recording)
    gained_db = leq_db_spl(now.pressure_pa, RATE_HZ) - leq_db_spl(was.pressure_pa, RATE_HZ)
    assert gained_db == pytest.approx(6.0, abs=1e-9)


def test_short_clips_are_searched_as_they_are(asked, choice):
    short = replace(asked, clips=asked.clips[1:])
    memory = memory_of(short)
    whole = Lab(short, (CONTRAST,), 2, memory)
    assert excerpts.Excerpts(short, memory).lab_on(whole, choice.chain, unheard) is whole


def test_what_mends_has_the_numbers_of_all_of_the_clips(asked, choice):
    mends = {mend.causes[0]: mend for mend in mends_of(choice, asked, (CONTRAST,))}
    release = mends["detector.release_ohm too high"]
    release_ohm = parse_value(release.change.partition(" = ")[2], "Ω")
    quicker = replace(choice.chain.detector, release_ohm=release_ohm)
    table = sweep(replace(asked, chain=replace(choice.chain, detector=quicker), ranges={}))
    for metric, value in release.metrics.items():
        assert value == pytest.approx(float(table[metric].iloc[0]), rel=1e-9)


def test_what_mends_on_the_excerpt_alone_is_not_named(asked, choice, monkeypatch):
    monkeypatch.setattr(Lab, "mend", only_on_excerpts(Lab.mend))
    assert mends_of(choice, asked, (CONTRAST,)) == []
    (told,) = of_kind(with_obstacles(choice, asked).sentences, "cause")
    assert told.behind["causes"] == "not found"
    assert (told.behind["excerpt_s"], told.behind["in_part"]) == (excerpts.EXCERPT_S, asked.clips[0].label)
    assert told.text.endswith("Nothing that was tried brings it; it was tried on 20 s of long 90 dB.")


def test_who_flashes_too_often_is_not_heard_to_the_end_and_nothing_else_comes_of_it(asked, monkeypatch):
    # Its first part beats four and a half times a second; there what mends on slower parts flashes too often.
    t = np.arange(round(excerpts.EXCERPT_S * RATE_HZ)) / RATE_HZ
    knocks = np.exp(-60 * (t * 4.5 % 1) / 4.5) * np.sin(2 * np.pi * 220 * t)
    sound = asked.sounds[0]
    assert isinstance(sound, Recording)
    quick = replace(sound, pressure_pa=sound.pressure_pa.copy(), name="quick")
    quick.pressure_pa[: t.size] = 0.9 * np.abs(sound.pressure_pa).max() * knocks
    clips = (Clip(quick, 90.0, ("beat",)), *asked.clips[1:])
    quickly = replace(asked, clips=clips)
    choice = choose(sweep(quickly), quickly)
    limit, memories = quickly.targets.flash_limit, []

    def found() -> list[Mend]:
        memory = memory_of(quickly)
        memories.append(memory)
        monkeypatch.setattr(obstacles, "memory_of", lambda _: memory)
        return mends_of(choice, quickly, (CONTRAST,))

    mends = found()
    left = memories[0].too_often
    assert left
    assert not left & memories[0].heard.keys()
    in_full = memory_of(quickly)
    in_full.play(left, quickly.judging.seed, 2, unheard)
    assert all(in_full.heard[one][FLASH_METRIC] > limit for one in left)
    play = Memory.play
    monkeypatch.setattr(Memory, "play", lambda self, *given, **_: play(self, *given[:4]))
    assert found() == mends
    assert not memories[1].too_often
    assert left <= memories[1].heard.keys()


@pytest.mark.parametrize(
    ("floors_db_spl", "most_flashes", "left"),
    [((50.0,), 4, True), ((50.0,), 5, False), ((50.0, 55.0), 4, True), ((50.0, 119.0), 4, False)],
)
def test_boards_are_left_once_all_of_them_flash_too_often(floors_db_spl, most_flashes, left):
    t = np.arange(round(10 * RATE_HZ)) / RATE_HZ
    five_a_second = np.sin(2 * np.pi * 1000 * t) * (t * 5 % 1 < 0.25)
    asked = Specification(Chain(), clips=(Clip(Recording(five_a_second, RATE_HZ, name="five"), 80.0),))
    boards = [
        replace(Chain(), detector=PeakDetector(470.0, 1e-6, 47e3), brightness=BrightnessMap(floor, 120.0))
        for floor in floors_db_spl
    ]
    wanted = {(board, 0, asked.clips[0]) for board in boards}
    memory = memory_of(asked)
    memory.play(wanted, 1, 2, unheard, most_flashes)
    assert (memory.too_often, memory.heard.keys()) == ((wanted, set()) if left else (set(), wanted))
    # Who asks for all that such a board does gets it.
    memory.play(wanted, 1, 2, unheard)
    flashes = {one[0].brightness.floor_db_spl: memory.heard[one][FLASH_METRIC][0] for one in wanted}
    assert flashes == {floor: 0 if floor == 119.0 else 5 for floor in floors_db_spl}


def only_on_excerpts(mend):
    """As Lab.mend, where nothing mends on the whole clips."""

    def mended(self, start, causes, changes):
        return None if self.whole is None else mend(self, start, causes, changes)

    return mended


def test_a_long_clip_that_is_searched_in_full_is_not_said_to_be_in_part(asked, choice, monkeypatch):
    monkeypatch.setattr(excerpts.Excerpts, "_nearest", lambda *_: None)
    monkeypatch.setattr(Lab, "mend", lambda *_: None)
    (told,) = of_kind(with_obstacles(choice, asked).sentences, "cause")
    assert told.text.endswith("Nothing that was tried brings it.")
    assert "excerpt_s" not in told.behind

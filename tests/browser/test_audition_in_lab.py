"""The listening widget where it is used: JupyterLab, a kernel, a browser that plays.

What the page draws is held against the package's own result for the same board and clip, computed here; the
screen's colours against the sRGB of the reference library colour-science (IEC 61966-2-1).
"""

from __future__ import annotations

import functools
from pathlib import Path

import colour as colour_science
import numpy as np
import pytest
import soundfile
from reference.audition_page import LEVEL_DB_SPL, RATE_HZ, AuditionPage, write_strokes
from reference.lab import LabPage

from envlab.chain import Chain
from envlab.design_file import read_design
from envlab.light.flashes.flash import count_flashes
from envlab.sound.recording import Recording, read_recording
from envlab.study.exported.light import worn_light
from envlab.study.listening.firmware import FirmwareListening
from envlab.study.listening.light import BoardLight
from envlab.study.listening.listening import Listening
from envlab.study.specification.specification import demo_specification
from envlab.units import format_value
from envlab.widget.audition.controls import controls_of

RELEASE = "detector.release_ohm"
ATTACK = "detector.attack_ohm"


@pytest.fixture
def audition(page: LabPage, heard: AuditionPage) -> AuditionPage:
    del page  # asks that nothing left this machine, after each test
    heard.reset()
    return heard


@pytest.fixture(scope="module")
def recording(strokes: Path) -> Recording:
    return read_recording(strokes, LEVEL_DB_SPL)


def turned(chain: Chain, key: str, index: int) -> Chain:
    control = next(one for one in controls_of(chain) if one.key == key)
    return control.turned(chain, index)


@functools.cache
def python_codes(chain: Chain, recording: Recording) -> np.ndarray:
    """Luminance of each frame as the page is sent it, out of 65535."""
    run = chain.run(recording)
    worn = worn_light(chain, run.adc_counts, chain.reading_of_frame(run.duty.size) + 1)
    return np.rint(65535 * worn.luminance)


def firmware_light(chain: Chain, recording: Recording) -> BoardLight:
    """The light of the follower that stands in for rectifier and detector: it has no flash guard."""
    listening = Listening(recording)
    portions = FirmwareListening(listening.wave).in_portions(chain, listening.whole(chain))
    while True:
        try:
            next(portions)
        except StopIteration as done:
            return done.value.light


def css_of(code: float) -> str:
    level = round(255 * float(colour_science.cctf_encoding(code / 65535, function="sRGB")))
    return f"rgb({level}, {level}, {level})"


def check_drawn(seen: list[dict], codes: np.ndarray, rate_hz: float = 100.0) -> None:
    """Every drawing shows the frame that stands at its instant, with Python's value, in its sRGB colour."""
    assert len(seen) > 3
    for one in seen:
        assert one["frame"] == int(one["position_s"] * rate_hz + 1e-6)
        assert one["code"] == codes[one["frame"]]
        assert set(one["css"]) == {css_of(one["code"])}
        assert len(one["css"]) == 24


def test_ready_after_run_all_with_a_still_picture_before_it(audition: AuditionPage) -> None:
    assert audition.lab.troubles() == []
    # For a reader without a kernel: an output of its own, before the widget's.
    kinds = audition.page.eval_on_selector_all(
        ".jp-OutputArea-output", "all => all.map(one => one.querySelector('img') ? 'picture' : "
        "one.querySelector('.envlab-audition') ? 'widget' : 'other')"
    )  # fmt: skip
    assert kinds == ["picture", "widget"]
    audition.lab.picture("audition_ready")
    assert audition.page.locator(".envlab-audition").get_attribute("data-playing") == "false"


def test_the_page_holds_pythons_light_frame_by_frame(audition: AuditionPage, recording: Recording) -> None:
    assert np.array_equal(audition.codes(), python_codes(demo_specification().chain, recording))


def test_play_shows_each_frame_at_its_time(audition: AuditionPage, recording: Recording) -> None:
    audition.play()
    seen = audition.ask("watch", 1500)
    check_drawn(seen, python_codes(demo_specification().chain, recording))
    lit = max(seen, key=lambda one: one["code"])
    assert lit["code"] > 5000
    assert seen[-1]["position_s"] - seen[0]["position_s"] == pytest.approx(1.4, abs=0.3)


def test_the_canvas_has_these_colours(audition: AuditionPage) -> None:
    audition.pause()
    audition.control("seek").focus()
    audition.page.keyboard.press("Home")
    for _ in range(3):
        audition.page.keyboard.press("ArrowRight")
    audition.page.wait_for_function("() => probe.look().position_s === 3")
    audition.page.wait_for_timeout(500)
    drawn = audition.look()
    assert drawn["code"] > 1000
    radius = 3.0
    assert audition.ask("points", drawn["css"][0]) > 24 * np.pi * radius**2


def test_turning_a_part_while_it_plays(audition: AuditionPage, recording: Recording) -> None:
    audition.play()
    chain = demo_specification().chain
    index = audition.index(RELEASE)
    starts = audition.look()["starts"]
    before = audition.look()
    answer = audition.turn(RELEASE, index - 5)
    assert answer["ms"] is not None
    seen = audition.ask("watch", 400)
    audition.settle()
    after = audition.ask("watch", 1000)
    other = turned(chain, RELEASE, index - 5)
    codes = python_codes(other, recording)
    assert np.array_equal(audition.codes(), codes)
    assert not np.array_equal(codes, python_codes(chain, recording))
    check_drawn(after, codes)
    # The sound was not touched: no new start, and a position that runs with the clock.
    everything = [before, *seen, *after]
    assert {one["starts"] for one in everything} == {starts}
    positions = np.array([one["position_s"] for one in everything])
    clock_s = np.array([one["drawn_ms"] for one in everything]) / 1000
    assert (np.diff(positions) > 0).all()
    assert np.abs((positions - positions[0]) - (clock_s - clock_s[0])).max() < 0.05
    # The first seconds after the move are as good as exact.
    early = [one for one in seen if one["number"] == answer["number"]]
    assert early
    assert max(abs(one["code"] - codes[one["frame"]]) for one in early) < 0.02 * 65535
    assert audition.value_text(RELEASE) == format_value(other.detector.release_ohm, "ohm")


def test_two_boards_are_switched_while_it_plays(audition: AuditionPage, recording: Recording) -> None:
    hand = demo_specification().chain
    first = python_codes(hand, recording)
    audition.control("board_b").click()
    audition.settle()
    index = audition.index(ATTACK)
    audition.turn(ATTACK, index + 10)
    audition.settle()
    second = python_codes(turned(hand, ATTACK, index + 10), recording)
    assert not np.array_equal(first, second)
    audition.play()
    starts = audition.look()["starts"]
    for key, board, codes in (("2", "board_b", first), ("1", "board_a", second), ("2", "board_b", first)):
        number = audition.look()["number"]
        audition.page.keyboard.press(key)
        audition.page.wait_for_function("n => probe.look().number > n", arg=number)
        audition.settle()
        assert audition.look()["showing"] == board
        assert np.array_equal(audition.codes(), codes)
        check_drawn(audition.ask("watch", 400), codes)
    audition.lab.picture("audition_two_boards")
    assert audition.look()["starts"] == starts
    assert audition.look()["playing"]
    audition.page.keyboard.press("1")
    audition.control("take_back").click()
    audition.page.wait_for_function(
        "i => Number(probe.root().querySelector('[data-key=\"detector.attack_ohm\"]').value) === i", arg=index
    )
    audition.settle()
    assert np.array_equal(audition.codes(), first)


def test_the_firmwares_own_light(audition: AuditionPage) -> None:
    hand = audition.codes()
    audition.page.keyboard.press("3")
    audition.page.wait_for_function("() => probe.look().showing === 'digital'", timeout=20_000)
    audition.settle()
    firmware = audition.codes()
    assert not np.array_equal(firmware, hand)
    # It is fitted to follow the detector: the same light but for a few counts.
    assert np.median(np.abs(firmware - hand)) < 0.03 * 65535
    assert "irmware" in audition.part("status").inner_text()
    audition.page.keyboard.press("1")
    audition.page.wait_for_function("() => probe.look().showing === 'board_a'")


def test_keys_turn_a_part_and_play(audition: AuditionPage) -> None:
    audition.pause()
    audition.control(RELEASE).focus()
    index = audition.index(RELEASE)
    number = audition.look()["number"]
    audition.page.keyboard.press("ArrowRight")
    assert audition.index(RELEASE) == index + 1
    audition.page.wait_for_function("n => probe.look().number > n", arg=number)
    audition.page.keyboard.press("ArrowLeft")
    audition.settle()
    assert audition.index(RELEASE) == index
    audition.page.keyboard.press("Space")
    audition.page.wait_for_function("() => probe.look().playing")
    audition.page.keyboard.press("Space")
    audition.page.wait_for_function("() => !probe.look().playing")
    names = audition.page.eval_on_selector_all(
        ".envlab-audition input, .envlab-audition select",
        "all => all.map(one => [...(one.labels ?? [])].map(label => label.textContent).join(' '))",
    )
    assert all(names), names


def test_the_board_in_hand_becomes_a_design_file(audition: AuditionPage, strokes: Path) -> None:
    audition.control("save_path").fill("kept.toml")
    audition.control("save").click()
    audition.page.get_by_text("is written to kept.toml").first.wait_for()
    kept = read_design(strokes.parent / "kept.toml")
    assert kept == turned(demo_specification().chain, RELEASE, audition.index(RELEASE))
    audition.control("save").click()
    audition.page.get_by_text("is there already").first.wait_for()
    audition.control("overwrite").click()
    audition.part("error").wait_for(state="hidden")


def test_undo_is_the_auditions_and_not_the_notebooks(audition: AuditionPage) -> None:
    cells = audition.page.locator(".jp-Cell").count()
    before = audition.index(RELEASE)
    audition.control(RELEASE).focus()
    audition.page.keyboard.press("ArrowRight")
    audition.settle()
    assert audition.index(RELEASE) == before + 1
    audition.page.keyboard.press("Control+z")
    audition.page.wait_for_function(
        "([key, index]) => probe.indices()[key] === index && probe.look().busy === 'false'",
        arg=[RELEASE, before],
    )
    audition.settle()
    audition.page.keyboard.press("Control+Shift+Z")
    audition.page.wait_for_function(
        "([key, index]) => probe.indices()[key] === index", arg=[RELEASE, before + 1]
    )
    audition.settle()
    assert audition.page.locator(".jp-Cell").count() == cells


def test_a_passage_loops_with_the_flashes_that_it_has_when_looped(audition: AuditionPage) -> None:
    """What is looped is counted as it is looped, by the plain rule on twenty rounds of it."""
    codes = audition.settle() and audition.codes()
    audition.page.evaluate("() => probe.root().envlab.engine.seek(1)")
    audition.control("loop_begin").click()
    audition.part("loop").filter(has_text="Loops from 0:01.0").wait_for()
    audition.page.evaluate("() => probe.root().envlab.engine.seek(2)")
    audition.control("loop_end").click()
    audition.part("loop").filter(has_text="Loops from 0:01.0 to 0:02.0").wait_for()
    told = audition.page.evaluate("() => probe.root().envlab.verdict()")
    assert told["passage_s"] == [1.0, 2.0]
    assert told["worst"] == count_flashes(np.tile(codes[100:200] / 65_535, 20), 100.0)
    audition.play()
    audition.page.wait_for_timeout(1500)
    assert 100 <= audition.look()["frame"] < 200
    audition.pause()
    audition.control("loop_whole").click()
    audition.page.wait_for_function("() => probe.root().envlab.engine.passage === null")


def test_a_file_that_is_no_sound_is_refused_in_words(audition: AuditionPage, tmp_path: Path) -> None:
    before = audition.look()
    bad = tmp_path / "letter.wav"
    bad.write_text("Dear troupe, the march begins at six.")
    audition.control("upload_file").set_input_files(bad)
    audition.control("upload").click()
    audition.part("error").filter(has_text="letter.wav").wait_for()
    assert "not a sound file of a known format" in audition.part("error").inner_text()
    assert audition.look()["clip"] == before["clip"]
    assert audition.control("clip").locator("option").count() == 1


def test_ones_own_flashing_clip_plays_after_one_more_click(audition: AuditionPage, tmp_path: Path) -> None:
    own = tmp_path / "own drums.wav"
    write_strokes(own, 4.0, every_s=1 / 6)
    release = audition.index(RELEASE)
    audition.turn(RELEASE, 0)
    audition.settle()
    audition.control("upload_file").set_input_files(own)
    audition.control("upload_level").fill("84")
    audition.control("upload").click()
    audition.page.wait_for_function("() => probe.look().clip === 1", timeout=20_000)
    audition.settle()
    chain = turned(demo_specification().chain, RELEASE, 0)
    recording = read_recording(own, 84.0)
    guarded = python_codes(chain, recording)
    assert np.array_equal(audition.codes(), guarded)
    assert count_flashes(guarded / 65535, chain.frame_rate_hz) <= 3
    assert audition.part("flash_warning").is_hidden()
    # What has no guard: the follower in place of the detector.
    number = audition.look()["number"]
    audition.page.keyboard.press("3")
    audition.page.wait_for_function("n => probe.look().number > n", arg=number)
    audition.settle()
    result = firmware_light(chain, recording)
    codes = np.rint(65535 * result.relative_luminance)
    assert np.array_equal(audition.codes(), codes)
    flashes = count_flashes(result.relative_luminance, chain.frame_rate_hz)
    assert flashes > 3
    # The warning stands there before anything plays.
    audition.part("flash_warning").filter(has_text=f"{flashes} ").wait_for()
    starts = audition.look()["starts"]
    audition.control("play").click()
    audition.control("play_anyway").wait_for()
    audition.page.wait_for_timeout(300)
    assert not audition.look()["playing"]
    assert audition.look()["starts"] == starts
    audition.lab.picture("audition_flash_warning")
    audition.control("play_anyway").click()
    audition.page.wait_for_function("() => probe.look().playing")
    check_drawn(audition.ask("watch", 700), codes)
    audition.pause()
    audition.page.keyboard.press("1")
    audition.settle()
    audition.turn(RELEASE, release)
    audition.settle()


def test_a_restarted_kernel_is_shown(audition: AuditionPage) -> None:
    audition.lab.menu("Kernel", "Restart Kernel…")
    audition.page.locator(".jp-Dialog .jp-mod-accept").click()
    audition.part("dead_kernel").wait_for(timeout=20_000)
    assert "The kernel does not answer" in audition.part("dead_kernel").inner_text()
    assert audition.control(RELEASE).is_disabled()
    audition.part("dead_kernel").scroll_into_view_if_needed()
    audition.lab.picture("audition_kernel_gone")
    # The way back that it names: run the cell again.
    audition.lab.run_all()
    audition.ready()
    assert audition.part("dead_kernel").is_hidden()
    audition.turn(RELEASE, audition.index(RELEASE) - 1)
    audition.settle()


def test_other_formats_can_be_uploaded(audition: AuditionPage, tmp_path: Path) -> None:
    samples, _ = soundfile.read(write_and_name(tmp_path))
    for clips, (ending, subtype) in enumerate((("ogg", "VORBIS"), ("mp3", "MPEG_LAYER_III")), start=1):
        path = tmp_path / f"own.{ending}"
        soundfile.write(path, samples, RATE_HZ, subtype=subtype)
        audition.control("upload_file").set_input_files(path)
        audition.control("upload").click()
        audition.page.wait_for_function("n => probe.look().clip === n", arg=clips, timeout=20_000)
        audition.settle()
        assert np.array_equal(
            audition.codes(), python_codes(demo_specification().chain, read_recording(path, 92.0))
        )


def write_and_name(folder: Path) -> Path:
    path = folder / "own.wav"
    write_strokes(path, 2.0)
    return path

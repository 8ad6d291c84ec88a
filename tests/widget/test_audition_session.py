"""What the page says and what it is told, without a page: messages in, traits out."""

from __future__ import annotations

import asyncio
import io
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import soundfile

from envlab.analog.detector import PeakDetector
from envlab.analog.electret import Electret
from envlab.chain import Chain
from envlab.design_file import read_design
from envlab.digital.firmware_settings import FirmwareSettings
from envlab.light.flashes.flash import count_flashes
from envlab.shipped import shipped_folder
from envlab.sound.clip import Clip
from envlab.sound.recording import Recording, read_recording
from envlab.study.exported.light import worn_light
from envlab.study.specification.specification import demo_specification, read_specification
from envlab.widget.audition import session as audition_session
from envlab.widget.audition.boards import RESTED_S
from envlab.widget.audition.clips import clips_of
from envlab.widget.audition.controls import LEVEL_KEY
from envlab.widget.audition.payload import unframed
from envlab.widget.audition.session import Session

CHAIN = replace(Chain(), detector=PeakDetector(4.7e3, 1e-6, 220e3))


class Page:
    """What a page would have: the last of each trait, and all that came, in order."""

    def __init__(self) -> None:
        self.now: dict[str, Any] = {}
        self.came: list[dict[str, Any]] = []
        self.answers: list[dict[str, Any]] = []

    def tell(self, **traits: Any) -> None:
        self.now.update(traits)
        self.came.append(traits)

    def answer(self, message: dict[str, Any]) -> None:
        self.answers.append(message)

    @property
    def lights(self) -> list[dict[str, Any]]:
        return [unframed(traits["light"])[0] for traits in self.came if "light" in traits]

    @property
    def luminance(self) -> np.ndarray:
        header, body = unframed(self.now["light"])
        return np.frombuffer(body, "<u2", header["frames"]) / 65_535


@pytest.fixture(scope="module")
def drums() -> Recording:
    whole = read_recording(shipped_folder("audio_samples") / "drum_line.flac", 92.0)
    return replace(whole, pressure_pa=whole.pressure_pa[: 3 * 48_000], name="drums").at_level(92.0)


@pytest.fixture(scope="module")
def tone() -> Recording:
    wave = np.sin(2 * np.pi * 440 * np.arange(32_000) / 16_000)
    return Recording(wave, 16_000.0, "tone").at_level(84.0)


@pytest.fixture(autouse=True)
def no_long_wait(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(audition_session, "IDLE_S", 0.01)


@pytest.fixture
def page() -> Page:
    return Page()


@pytest.fixture
def session(page, drums, tone) -> Session:
    made = Session(CHAIN, clips_of([drums, tone]), page)
    made.begin()
    return made


def option(page: Page, key: str, text: str) -> int:
    control = next(one for one in page.now["setup"]["controls"] if one["key"] == key)
    return control["options"].index(text)


def turn(session: Session, page: Page, key: str, text: str, number: int = 1, playhead_s: float = 1.0) -> None:
    index = option(page, key, text)
    session.hear({"do": "turn", "key": key, "index": index, "playhead_s": playhead_s, "number": number})


def worn(chain: Chain, recording: Recording) -> np.ndarray:
    """Luminance that the exported firmware makes of Chain.run's readings, frame by frame."""
    run = chain.run(recording)
    return worn_light(chain, run.adc_counts, chain.reading_of_frame(run.duty.size) + 1).luminance


def shows(page: Page, chain: Chain, recording: Recording) -> bool:
    truth = worn(chain, recording)
    shown = page.luminance
    return shown.size == truth.size and bool(np.abs(shown - truth).max() <= 0.5001 / 65_535)


@pytest.mark.usefixtures("session")
def test_it_begins_with_everything(page, drums):
    assert {"setup", "state", "sound", "light", "traces", "metrics", "flash"} <= set(page.now)
    assert shows(page, CHAIN, drums)
    header, _ = unframed(page.now["light"])
    assert header | {"full_duty": 0.0} == {
        "number": 0,
        "clip": 0,
        "showing": "board_a",
        "frame_rate_hz": 100.0,
        "first_frame": 0,
        "frames": 300,
        "total_frames": 300,
        "exact": True,
        "full_duty": 0.0,
    }
    state = page.now["state"]
    assert (state["clip"], state["showing"], state["board_b"], state["error"]) == (0, "board_a", None, "")
    setup = page.now["setup"]
    assert [clip["label"] for clip in setup["clips"]] == ["drums", "tone"]
    assert [clip["level_db_spl"] for clip in setup["clips"]] == [92.0, 84.0]
    for control in setup["controls"]:
        assert 0 <= state["board_a"][control["key"]] < len(control["options"])
    assert setup["pixels"]["count"] == 24
    text = " ".join(setup["notes"])
    for word in ("linear light", "sRGB", "photosensitive", "hearing", "local codes", "noise"):
        assert word.lower() in text.lower()


def test_sound_is_sent_once_for_a_clip(session, page):
    turn(session, page, "detector.attack_ohm", "10k")
    turn(session, page, LEVEL_KEY, "80", 2)
    assert sum("sound" in traits for traits in page.came) == 1
    session.hear({"do": "clip", "index": 1, "number": 3})
    header, flac = unframed(page.now["sound"])
    assert (header["clip"], header["label"], header["sample_rate_hz"]) == (1, "tone", 16_000)
    assert soundfile.info(io.BytesIO(flac)).frames == 32_000


@pytest.mark.parametrize(
    ("key", "text", "turned"),
    [
        ("preamp.feedback_ohm", "gain 101, 100k", {"preamp": replace(CHAIN.preamp, feedback_ohm=100e3)}),
        ("rectifier.kind", "half wave", {"rectifier": replace(CHAIN.rectifier, kind="half")}),
        ("rectifier.diode", "schottky, passive", {"rectifier": replace(CHAIN.rectifier, diode="schottky")}),
        ("detector.release_ohm", "1M", {"detector": PeakDetector(4.7e3, 1e-6, 1e6)}),
        ("brightness.floor_db_spl", "80", {"brightness": replace(CHAIN.brightness, floor_db_spl=80.0)}),
        ("brightness.curve", "power law", {"brightness": replace(CHAIN.brightness, curve="power")}),
        ("frames.frame_rate_hz", "40", {"frame_rate_hz": 40.0}),
    ],
)
# The passive board stands on ground, and its buffer does not: it is cautioned of.
@pytest.mark.filterwarnings("ignore:The buffer before the ADC comes no nearer to ground than 15 mV")
def test_a_turn_shows_what_the_chain_gives(session, page, drums, key, text, turned):
    turn(session, page, key, text, 5)
    board = replace(CHAIN, **turned)
    assert session.boards.board_a == board
    assert shows(page, board, drums)
    assert page.now["state"]["board_a"][key] == option(page, key, text)
    assert page.now["state"]["answered"] == page.lights[-1]["number"] == 5
    metrics = {metric["name"]: metric for metric in page.now["metrics"]["board_a"]}
    assert page.now["metrics"]["number"] == 5
    assert metrics["release_ms"]["value_text"] == f"{1e3 * board.tone_response().release_s:.1f}"


def test_loudness_is_heard_by_the_board(session, page, drums):
    turn(session, page, LEVEL_KEY, "80")
    softer = replace(drums, pressure_pa=drums.pressure_pa * 10 ** ((80 - 92) / 20))
    assert np.abs(page.luminance - worn(CHAIN, softer)).max() < 1e-3
    assert page.luminance.max() < 0.9 * worn(CHAIN, drums).max()
    turn(session, page, LEVEL_KEY, "92", 2)
    assert shows(page, CHAIN, drums)


def test_on_a_running_loop_the_seconds_round_the_playhead_come_first(page, drums, tone):
    async def run() -> tuple[list, list]:
        session = Session(CHAIN, clips_of([drums, tone]), page)
        session.begin()
        await until_done(session)
        page.came.clear()
        turn(session, page, "detector.attack_ohm", "10k", 7, 2.0)
        at_once = page.lights
        assert page.now["flash"]["board_a"]["known"] is False
        assert page.now["state"]["busy"] == "the whole clip"
        await until_done(session)
        return at_once, page.lights

    at_once, all_of_them = asyncio.run(run())
    assert len(at_once) == 1
    assert at_once[0]["exact"] is False
    assert at_once[0]["first_frame"] == 170
    assert at_once[0]["frames"] == 130
    assert "flashes" in at_once[0]
    assert [light["number"] for light in all_of_them] == [7, 7]
    assert all_of_them[-1]["exact"] is True
    assert page.now["flash"]["board_a"]["known"] is True
    assert page.now["state"]["busy"] == ""
    assert shows(page, replace(CHAIN, detector=PeakDetector(10e3, 1e-6, 220e3)), drums)


async def until_done(session: Session) -> None:
    while session.later.waiting:
        await asyncio.sleep(0.005)


def test_a_drag_waits_for_no_whole(page, drums, tone, monkeypatch):
    # So long that even a machine with much else to do sends the next move within it.
    monkeypatch.setattr(audition_session, "QUIET_S", 2.0)

    async def run() -> None:
        session = Session(CHAIN, clips_of([drums, tone]), page)
        session.begin()
        await until_done(session)
        page.came.clear()
        for number, text in enumerate(("8k2", "10k", "12k", "15k"), start=1):
            turn(session, page, "detector.attack_ohm", text, number)
            await asyncio.sleep(0.01)
        assert [light["exact"] for light in page.lights] == [False] * 4
        await until_done(session)

    asyncio.run(run())
    assert [light["number"] for light in page.lights] == [1, 2, 3, 4, 4]
    assert page.lights[-1]["exact"]


def test_the_bench_waits_for_a_hand_that_rests_and_measures_a_board_once(session):
    boards = session.boards
    # While it began, board A was measured.
    assert list(boards.bench("board_a")) == []
    boards.board_a = replace(CHAIN, detector=replace(CHAIN.detector, hold_farad=0.47e-6))
    measuring = boards.bench("board_a")
    assert next(measuring) == RESTED_S
    measuring.close()
    # Whoever turned on meanwhile left it unmeasured.
    assert list(boards.bench("board_a")) == [RESTED_S, None, None]
    assert list(boards.bench("board_a")) == []
    assert list(boards.bench("digital")) == []


def test_two_boards_and_back(session, page, drums):
    session.hear({"do": "board_b", "number": 1})
    assert session.boards.board_b == CHAIN
    turn(session, page, "detector.release_ohm", "1M", 2)
    slow = replace(CHAIN, detector=PeakDetector(4.7e3, 1e-6, 1e6))
    assert shows(page, slow, drums)
    page.came.clear()
    session.hear({"do": "show", "showing": "board_b", "number": 3})
    # Both are kept ready: what comes first is exact and whole.
    assert page.lights[0]["exact"]
    assert page.lights[0]["showing"] == "board_b"
    assert shows(page, CHAIN, drums)
    assert page.now["state"]["board_b"] != page.now["state"]["board_a"]
    assert page.now["metrics"]["board_b"] != page.now["metrics"]["board_a"]
    session.hear({"do": "take_back", "number": 4})
    assert session.boards.board_a == CHAIN
    assert page.now["state"]["board_b"] == page.now["state"]["board_a"]
    session.hear({"do": "show", "showing": "board_a", "number": 5})
    assert shows(page, CHAIN, drums)


def test_a_turn_while_the_other_is_shown_turns_the_one_in_hand(session, page, drums):
    session.hear({"do": "board_b", "number": 1})
    session.hear({"do": "show", "showing": "board_b", "number": 2})
    turn(session, page, "detector.release_ohm", "1M", 3)
    assert shows(page, CHAIN, drums)
    assert page.lights[-1]["number"] == 3
    assert session.boards.board_a.detector == PeakDetector(4.7e3, 1e-6, 1e6)


def test_both_boards_follow_to_another_clip(session, page, tone):
    session.hear({"do": "board_b", "number": 1})
    turn(session, page, "preamp.feedback_ohm", "gain 101, 100k", 2)
    session.hear({"do": "clip", "index": 1, "number": 3})
    assert shows(page, session.boards.board_a, tone)
    assert page.now["state"]["clip"] == 1
    session.hear({"do": "show", "showing": "board_b", "number": 4})
    assert shows(page, CHAIN, tone)
    assert page.now["flash"]["board_b"]["clip"] == 1


def test_the_firmware_in_place_of_the_detector(session, page, drums):
    page.came.clear()
    session.hear({"do": "show", "showing": "digital", "number": 1})
    assert page.lights[0]["showing"] == "digital"
    assert page.lights[0]["exact"]
    analog = worn(CHAIN, drums)
    assert 0 < np.abs(page.luminance - analog).max() < 0.2
    assert "dB (rms)" in page.now["state"]["digital"]
    names = [metric["name"] for metric in page.now["metrics"]["digital"]]
    assert "beat_contrast_lstar" in names
    assert "attack_ms" not in names
    turn(session, page, "detector.release_ohm", "1M", 2)
    assert page.lights[-1]["showing"] == "digital"
    assert page.lights[-1]["number"] == 2


def test_a_clip_too_soft_for_the_firmware_is_said_and_nothing_changes(session, page):
    turn(session, page, LEVEL_KEY, "40", 1)
    session.hear({"do": "show", "showing": "digital", "number": 2})
    assert "below one count" in page.now["state"]["error"]
    assert page.now["state"]["showing"] == "board_a"
    assert page.now["state"]["answered"] == 2


def test_firmware_shown_and_then_too_soft_goes_back_to_the_board(session, page):
    session.hear({"do": "show", "showing": "digital", "number": 1})
    turn(session, page, LEVEL_KEY, "40", 2)
    assert page.now["state"]["showing"] == "board_a"
    assert "below one count" in page.now["state"]["error"]


@pytest.mark.parametrize(
    ("message", "words"),
    [
        ({"do": "turn", "key": "detector.attack_ohm", "index": 99}, "detector.attack_ohm is 99; it must be"),
        ({"do": "turn", "key": "detector.colour", "index": 1}, "key is 'detector.colour'"),
        ({"do": "turn", "key": "detector.attack_ohm", "index": 1, "playhead_s": "x"}, "playhead_s is 'x'"),
        ({"do": "turn", "key": LEVEL_KEY, "index": None}, "sound.level_db_spl is None"),
        ({"do": "clip", "index": 2}, "clip is 2; it must be a clip from 0 to 1"),
        ({"do": "show", "showing": "moon"}, "showing is 'moon'"),
        ({"do": "show", "showing": "board_b"}, "There is no board B yet"),
        ({"do": "take_back"}, "nothing to take back"),
        ({"do": "save", "path": "  "}, "path is '  '"),
        ({"do": "save", "path": None}, "path is None"),
        ({"do": "upload", "name": "a.wav", "level_db_spl": 80}, "buffers is 0"),
        ({"do": "undo"}, "There is no move to undo."),
        ({"do": "redo"}, "There is no move to redo."),
        ({"do": "passage", "passage_s": [1.0, 1.4]}, "passage to is 1.4"),
        ({"do": "passage", "passage_s": [1.0, 9.0]}, "passage to is 9"),
        ({"do": "passage", "passage_s": [-1.0, 2.0]}, "passage from is -1"),
        ({"do": "passage", "passage_s": ["0", 2.0]}, "passage from is '0'"),
        ({"do": "passage", "passage_s": 3}, "passage_s is 3"),
        ({"do": "dance"}, "do is 'dance'"),
        ({}, "do is None"),
    ],
)
def test_what_cannot_be_is_said_and_all_stays_as_it_was(session, page, message, words):
    before = {name: page.now[name] for name in ("light", "metrics", "setup", "sound", "traces")}
    hand = session.boards.board_a
    session.hear({**message, "number": 9})
    state = page.now["state"]
    assert words in state["error"]
    assert "\n" not in state["error"]
    assert state["answered"] == 9
    assert session.boards.board_a == hand
    assert {name: page.now[name] for name in before} == before


def test_an_error_is_gone_after_the_next_good_message(session, page):
    session.hear({"do": "dance", "number": 1})
    turn(session, page, "detector.attack_ohm", "10k", 2)
    assert page.now["state"]["error"] == ""


def test_a_floor_above_the_ceiling_names_both(session, page, drums):
    turn(session, page, "brightness.floor_db_spl", "100")
    error = page.now["state"]["error"]
    assert error == "ceiling_db_spl is 98.0; it must be above the floor of 100 dB SPL"
    assert shows(page, CHAIN, drums)


def test_a_load_that_starves_the_microphone_is_refused(page, drums):
    session = Session(replace(CHAIN, microphone=Electret()), clips_of(drums), page)
    session.begin()
    turn(session, page, "microphone.load_ohm", "22k")
    assert "starves the drain" in page.now["state"]["error"]


def test_what_a_bench_would_show_is_said(page, drums):
    slow = replace(CHAIN, preamp=replace(CHAIN.preamp, gain_bandwidth_hz=1e5))
    session = Session(slow, clips_of(drums), page)
    session.begin()
    turn(session, page, "preamp.feedback_ohm", "gain 101, 100k", 1)
    # 100 kHz over a gain of 101
    assert "A gain of 101" in page.now["state"]["status"]
    assert "ends at 990 Hz" in page.now["state"]["status"]
    turn(session, page, "preamp.feedback_ohm", "gain 48, 47k", 2)
    assert page.now["state"]["status"] == ""


def test_a_mistake_inside_releases_the_page_and_reaches_the_log(session, page, monkeypatch):
    def broken(chain: Chain, playhead_s: float) -> None:
        raise KeyError(chain, playhead_s)

    monkeypatch.setattr(session.boards.listening, "window", broken)
    with pytest.raises(KeyError):
        turn(session, page, "detector.attack_ohm", "10k", 6)
    assert page.now["state"]["answered"] == 6
    assert "A mistake inside envlab" in page.now["state"]["error"]


def test_save_and_read_back(session, page, tmp_path):
    turn(session, page, "detector.attack_ohm", "10k", 1)
    session.hear({"do": "save", "path": str(tmp_path / "yoke"), "number": 2})
    path = tmp_path / "yoke.toml"
    assert read_design(path) == session.boards.board_a
    assert page.now["state"]["saved"] == f"The board A is written to {path}."
    before = path.read_bytes()
    turn(session, page, "detector.attack_ohm", "12k", 3)
    session.hear({"do": "save", "path": str(path), "number": 4})
    assert "is there already" in page.now["state"]["error"]
    assert path.read_bytes() == before
    session.hear({"do": "save", "path": str(path), "overwrite": True, "number": 5})
    assert page.now["state"]["error"] == ""
    assert read_design(path).detector == PeakDetector(12e3, 1e-6, 220e3)


@pytest.mark.parametrize("path", ["missing/yoke.toml", "."])
def test_a_place_that_cannot_be_written_is_said(session, page, tmp_path, path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    session.hear({"do": "save", "path": path, "number": 1})
    assert page.now["state"]["error"]
    assert list(tmp_path.iterdir()) == []


def test_a_board_that_nobody_can_buy_is_not_written(page, drums, tmp_path):
    odd = replace(CHAIN, detector=PeakDetector(4.8123e3, 1e-6, 220e3))
    session = Session(odd, clips_of(drums), page)
    session.begin()
    session.hear({"do": "save", "path": str(tmp_path / "odd.toml"), "number": 1})
    assert "must be in an E series" in page.now["state"]["error"]
    assert list(tmp_path.iterdir()) == []


def test_an_own_recording_is_chosen_at_once(session, page):
    wave = np.sin(2 * np.pi * 300 * np.arange(16_000) / 16_000)
    file = io.BytesIO()
    soundfile.write(file, np.stack([wave, wave], axis=1), 16_000, format="FLAC")
    session.hear(
        {"do": "upload", "name": "us.flac", "level_db_spl": 83.5, "number": 4}, [memoryview(file.getvalue())]
    )
    state, setup = page.now["state"], page.now["setup"]
    assert setup["clips"][2]["label"] == "us 83.5 dB"
    assert (state["clip"], state["answered"]) == (2, 4)
    assert "us 83.5 dB is chosen. 2 channels mixed" in state["status"]
    level = next(control for control in setup["controls"] if control["key"] == LEVEL_KEY)
    assert level["options"][state["board_a"][LEVEL_KEY]] == "83.5"
    assert unframed(page.now["sound"])[0]["clip"] == 2
    assert shows(page, CHAIN, session.clips[2].recording)


def test_a_bad_upload_changes_nothing(session, page, drums):
    session.hear({"do": "upload", "name": "us.wav", "level_db_spl": 90, "number": 4}, [b"not a sound at all"])
    assert page.now["state"]["error"].startswith("us.wav: not a sound file")
    assert len(session.clips) == 2
    assert shows(page, CHAIN, drums)


def test_flashes_are_told_before_anything_plays(page):
    # Strokes at 5 Hz that a quick detector follows: five times a second from dark to light and back.
    t = np.arange(3 * 16_000) / 16_000
    strobe = (np.mod(t, 0.2) < 0.08) * np.sin(2 * np.pi * 800 * t)
    unguarded = FirmwareSettings(guard="off")
    quick = replace(CHAIN, detector=PeakDetector(1e3, 1e-6, 10e3), firmware=unguarded)
    session = Session(quick, clips_of(Recording(strobe, 16_000.0, "strobe").at_level(96.0)), page)
    session.begin()
    told = page.now["flash"]["board_a"]
    # Five strokes a second: WCAG 2.2 counts a flash for each pair of changes.
    assert told["worst"] in (5, 6)
    assert told["over"] is True
    assert (told["known"], told["limit"]) == (True, 3)
    assert f"flashes {told['worst']} times" in told["sentence"]
    assert "photosensitive" in told["sentence"]
    assert told["sentence"].endswith("Flash guard off.")
    turn(session, page, "detector.release_ohm", "4M7", 1)
    calm = page.now["flash"]["board_a"]
    assert (calm["over"], calm["number"]) == (False, 1)
    assert "limit is 3" in calm["sentence"]
    guarded = replace(quick, firmware=FirmwareSettings())
    session = Session(guarded, clips_of(Recording(strobe, 16_000.0, "strobe").at_level(96.0)), page)
    session.begin()
    held = page.now["flash"]["board_a"]
    assert (held["over"], held["worst"]) == (False, 3)
    assert held["sentence"].endswith(f"Flash guard on; without it {told['worst']}.")
    shown = {metric["name"]: metric for metric in page.now["metrics"]["board_a"]}["flashes_per_s"]
    assert shown["value_text"] == "3"
    assert shown["help"].endswith(f"Flash guard on; without it {told['worst']}.")


def test_a_ping_is_answered(session, page):
    session.hear({"do": "ping", "number": 17})
    assert page.answers == [{"do": "pong", "number": 17}]
    assert page.now["state"]["answered"] == 0


def test_undo_and_redo(session, page, drums):
    turn(session, page, "detector.release_ohm", "100k", 1)
    turn(session, page, LEVEL_KEY, "80", 2)
    session.hear({"do": "board_b", "number": 3})
    assert page.now["state"]["can_undo"] is True
    assert page.now["state"]["can_redo"] is False
    for number in (4, 5, 6):
        session.hear({"do": "undo", "playhead_s": 1.0, "number": number})
    state = page.now["state"]
    assert (state["can_undo"], state["can_redo"], state["board_b"], state["answered"]) == (
        False,
        True,
        None,
        6,
    )
    assert session.boards.board_a == CHAIN
    assert shows(page, CHAIN, drums)
    session.hear({"do": "undo", "number": 7})
    assert page.now["state"]["error"] == "There is no move to undo."
    for number in (8, 9, 10):
        session.hear({"do": "redo", "number": number})
    released = replace(CHAIN, detector=replace(CHAIN.detector, release_ohm=100e3))
    assert (session.boards.board_a, session.boards.board_b) == (released, released)
    assert shows(page, released, drums.at_level(80.0))
    session.hear({"do": "redo", "number": 11})
    assert page.now["state"]["error"] == "There is no move to redo."


def test_one_stroke_is_undone_at_once(session, page):
    for number, text in enumerate(("100k", "120k", "150k"), start=1):
        index = option(page, "detector.release_ohm", text)
        session.hear(
            {"do": "turn", "key": "detector.release_ohm", "index": index, "gesture": 0, "number": number}
        )
    session.hear({"do": "undo", "number": 4})
    assert session.boards.board_a == CHAIN
    assert page.now["state"]["can_undo"] is False


def test_board_b_shown_and_undone_leaves_board_a_shown(session, page, drums):
    session.hear({"do": "board_b", "number": 1})
    session.hear({"do": "show", "showing": "board_b", "number": 2})
    session.hear({"do": "undo", "number": 3})
    state = page.now["state"]
    assert (state["showing"], state["board_b"], state["error"]) == ("board_a", None, "")
    assert shows(page, CHAIN, drums)


def test_a_marked_passage_has_its_own_count_of_flashes(session, page):
    assert page.now["setup"]["least_passage_s"] == 0.5
    whole = page.now["flash"]["board_a"]
    assert whole["passage_s"] is None
    session.hear({"do": "passage", "passage_s": [0.5, 1.25], "number": 1})
    state, flash = page.now["state"], page.now["flash"]["board_a"]
    assert (state["passage_s"], flash["passage_s"], flash["known"]) == ([0.5, 1.25], [0.5, 1.25], True)
    assert "the marked passage, looped" in flash["sentence"].lower()
    # Counted once more by the plain rule, on thirty rounds of what is seen.
    once = page.luminance[50:125]
    assert flash["worst"] == count_flashes(np.tile(once, 30), 100.0)
    session.hear({"do": "passage", "passage_s": None, "number": 2})
    assert page.now["state"]["passage_s"] is None
    assert page.now["flash"]["board_a"] == whole | {"number": 2}


def test_another_clip_has_no_passage(session, page):
    session.hear({"do": "passage", "passage_s": [0.5, 1.5], "number": 1})
    turn(session, page, LEVEL_KEY, "80", 2)
    assert page.now["state"]["passage_s"] == [0.5, 1.5]
    session.hear({"do": "clip", "index": 1, "number": 3})
    assert page.now["state"]["passage_s"] is None
    assert page.now["flash"]["board_a"]["passage_s"] is None


def test_save_keeps_the_question(page, tmp_path):
    asked = demo_specification()
    session = Session(asked.chain, clips_of(asked.clips[4]), page, specification=asked)
    session.begin()
    turn(session, page, "detector.release_ohm", "330k", 1)
    session.hear({"do": "save", "path": str(tmp_path / "mine.toml"), "number": 2})
    kept = read_specification(tmp_path / "mine.toml")
    assert kept.chain == session.boards.board_a
    assert kept.chain.detector.release_ohm == 330e3
    assert (kept.clips, kept.ranges, kept.targets, kept.tolerance) == (
        asked.clips,
        asked.ranges,
        asked.targets,
        asked.tolerance,
    )
    comments = [line for line in asked.source_text.splitlines() if "#" in line and "release_ohm" not in line]
    written = (tmp_path / "mine.toml").read_text(encoding="utf-8").splitlines()
    assert [line for line in comments if line not in written] == []


def test_a_recording_in_memory_is_told_of_when_the_rest_is_saved(page, drums, tmp_path):
    asked = replace(demo_specification(), clips=(Clip(drums, 92.0, ("beat",)), demo_specification().clips[0]))
    session = Session(asked.chain, clips_of(drums), page, specification=asked)
    session.begin()
    session.hear({"do": "save", "path": str(tmp_path / "mine.toml"), "number": 1})
    assert "Recordings in memory that it does not name: 1." in page.now["state"]["status"]
    assert read_specification(tmp_path / "mine.toml").clips == asked.clips[1:]

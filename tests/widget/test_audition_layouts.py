"""A layout of light in the audition: every pixel is told, and runs of pixels that flash are asked about."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from envlab.analog.detector import PeakDetector
from envlab.chain import Chain
from envlab.light.flashes.flash import find_flashes
from envlab.light.layout.layout import Layout
from envlab.sound.recording import Recording
from envlab.study.exported.light import ExportedFirmware
from envlab.study.exported.shown import adc_readings
from envlab.study.layouts.regions import Region, RegionFlashes
from envlab.study.listening.listening import Listening
from envlab.study.listening.metrics import light_flashes, region_flashes
from envlab.widget.audition.clips import clips_of
from envlab.widget.audition.payload import unframed
from envlab.widget.audition.session import Session
from envlab.widget.audition.words import flash_told

DETECTOR = PeakDetector(1e3, 1e-6, 47e3)
BAR = replace(Chain(), detector=DETECTOR, layout=Layout("from_end"), pixel_bits=8)


class Page:
    """The last of each trait."""

    def __init__(self) -> None:
        self.now: dict[str, Any] = {}

    def tell(self, **traits: Any) -> None:
        self.now.update(traits)

    def answer(self, message: dict[str, Any]) -> None:
        del message

    @property
    def pixels(self) -> np.ndarray:
        header, body = unframed(self.now["light"])
        frames, pixels = header["frames"], header["pixels"]
        whole = np.frombuffer(body, "<u2", frames * (1 + pixels))
        return whole[frames:].reshape(frames, pixels) / 65_535


@pytest.fixture(scope="module")
def swinging() -> Recording:
    """Level up and down a fifth five times a second: the whole never flashes, the edge of a bar does."""
    time_s = np.arange(2 * 48_000) / 48_000
    level_pa = 0.3 * (1 + 0.1 * np.sign(np.sin(2 * np.pi * 5 * time_s)))
    return Recording(level_pa * np.sin(2 * np.pi * 1000 * time_s), 48_000.0, "swing")


@pytest.fixture
def page() -> Page:
    return Page()


@pytest.fixture
def session(page, swinging) -> Session:
    made = Session(BAR, clips_of([swinging]), page)
    made.begin()
    return made


@pytest.mark.usefixtures("session")
def test_the_page_is_told_every_pixel_as_the_firmware_shows_it(page, swinging):
    firmware = ExportedFirmware(BAR)
    light = firmware.light(adc_readings(BAR, swinging), state=firmware.running())
    codes = firmware.of_pixels(light)
    assert page.pixels.shape == (200, 24)
    assert np.abs(page.pixels - codes / 255).max() <= 0.5001 / 65_535


@pytest.mark.usefixtures("session")
def test_a_run_of_pixels_that_flashes_is_over_the_limit_on_a_screen(page):
    verdict = page.now["flash"]["board_a"]
    assert (verdict["worst"], verdict["over"]) == (5, True)
    assert "flashes 5 times in one second in pixels 1 to 2, the whole 0 times" in verdict["sentence"]


def test_turned_to_another_layout_the_seconds_round_the_playhead_come_at_once(session, page):
    control = next(one for one in page.now["setup"]["controls"] if one["key"] == "layout.kind")
    share, alike = (control["options"].index(name) for name in ("share", "all alike"))
    session.hear({"do": "turn", "key": "layout.kind", "index": share, "playhead_s": 0.5, "number": 1})
    assert session.boards.board_a.layout.kind == "share"
    lit = page.pixels.max(axis=0) > 0
    assert 0 < lit.sum() < 24
    session.hear({"do": "turn", "key": "layout.kind", "index": alike, "playhead_s": 0.5, "number": 2})
    header, _ = unframed(page.now["light"])
    assert "pixels" not in header
    assert page.now["flash"]["board_a"]["worst"] == 0
    session.hear({"do": "undo", "playhead_s": 0.5, "number": 3})
    assert session.boards.board_a.layout.kind == "share"


def test_the_seconds_ahead_tell_the_flashes_of_runs_too(swinging):
    light = Listening(swinging).window(BAR, 1.0)
    assert not light.exact
    assert light_flashes(light).worst_per_s == 0
    assert region_flashes(light).worst_per_s >= 4


def test_a_window_has_the_pixels_of_the_whole(swinging):
    heard = Listening(swinging)
    moving = replace(BAR, layout=Layout("travelling", pixels_per_second=24.0))
    part, whole = heard.window(moving, 1.0), heard.whole(moving)
    frames = slice(part.first_frame, part.first_frame + part.relative_luminance.size)
    # The group stands at the same place, and is as bright to a count or two of the ADC.
    seen, truth = part.pixels.luminance(24), whole.pixels.luminance(24)[frames]
    assert np.array_equal(seen > 0, truth > 0)
    assert np.abs(seen - truth).max() < 0.03


def test_a_passage_has_the_flashes_of_its_loop(session, page):
    session.hear({"do": "passage", "passage_s": [0.0, 0.5], "number": 1})
    light = session.boards.exact("board_a")
    assert page.now["flash"]["board_a"]["worst"] == region_flashes(light, (0.0, 0.5)).worst_per_s >= 4


def test_all_alike_has_no_runs_of_its_own(swinging):
    light = Listening(swinging).whole(replace(BAR, layout=Layout()))
    assert light.pixels is None
    assert region_flashes(light) is None


@pytest.mark.parametrize(
    ("whole", "region", "over"), [(0, 3, False), (3, 5, True), (5, 5, True), (4, 2, True)]
)
def test_what_is_told_of_flashes_is_the_worse_of_whole_and_run(whole, region, over):
    light = np.tile([1.0, 0.0], 2 * whole + 2)[: 2 * whole + 1] if whole else np.zeros(20)
    report = find_flashes(np.repeat(light, 4), 100.0)
    assert report.worst_per_s == whole
    runs = RegionFlashes((Region(2, 2), Region(0, 24)), np.array([region, whole]))
    told = flash_told(report, "Flash guard off.", 7, 0, None, runs)
    assert (told["worst"], told["over"]) == (max(whole, region), over)
    assert ("pixels 3 to 4" in told["sentence"]) == (region > max(whole, 3))
    assert told["sentence"].endswith("Flash guard off.")

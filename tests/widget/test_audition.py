"""All of it in a notebook, as far as Python sees it: picture first, then the widget; messages by comm."""

from __future__ import annotations

import io
from dataclasses import replace

import IPython.display
import numpy as np
import pytest
from matplotlib import image

from envlab.analog.detector import PeakDetector
from envlab.chain import Chain
from envlab.design_file import read_design
from envlab.errors import FileError
from envlab.sound.recording import Recording
from envlab.study.specification.specification import demo_specification
from envlab.widget.audition.audition import Audition, audition
from envlab.widget.audition.payload import filler, unframed

CHAIN = Chain()


@pytest.fixture(scope="module")
def strokes() -> Recording:
    t = np.arange(2 * 16_000) / 16_000
    wave = np.exp(-np.mod(t, 0.5) / 0.06) * np.sin(2 * np.pi * 200 * t)
    return Recording(wave, 16_000.0, "strokes").at_level(92.0)


@pytest.fixture
def shown(strokes) -> Audition:
    return Audition(CHAIN, strokes)


def test_picture_first_then_the_widget(strokes, monkeypatch):
    outputs: list[object] = []
    monkeypatch.setattr(IPython.display, "display", outputs.append)
    made = audition(CHAIN, [strokes])
    picture, widget = outputs
    assert widget is made.widget
    assert "strokes" in picture.alt
    pixels = image.imread(io.BytesIO(picture.data))
    assert pixels.shape[0] > 300
    assert pixels.shape[1] > 600
    assert pixels[..., :3].std() > 0.05


def test_nothing_said_is_the_parade_in_the_street(monkeypatch):
    monkeypatch.setattr(IPython.display, "display", lambda output: output)
    made = audition()
    specification = demo_specification()
    assert made.chain == specification.chain
    assert [clip.label for clip in made.session.clips] == [clip.label for clip in specification.clips]
    assert made.session.boards.clip.label == "drum_line 92 dB"
    assert repr(made) == "<Audition of 9 clips, no board B>"


def test_traits_go_to_the_page_with_its_script_and_style(shown):
    synced = set(shown.widget.keys)
    assert {"_esm", "_css", "setup", "state", "sound", "light", "traces", "metrics", "flash"} <= synced
    assert "export default" in shown.widget._esm
    assert ".envlab-audition" in shown.widget._css


def test_messages_of_the_page_arrive(shown, monkeypatch):
    sent: list[object] = []
    monkeypatch.setattr(shown.widget, "send", lambda message, *_: sent.append(message))
    # As the notebook's comm hands a message over.
    shown.widget._handle_msg(
        {"content": {"data": {"method": "custom", "content": {"do": "ping", "number": 3}}}, "buffers": []}
    )
    assert sent == [{"do": "pong", "number": 3}]
    shown.widget._handle_msg(
        {"content": {"data": {"method": "custom", "content": "nonsense"}}, "buffers": []}
    )
    key = "detector.release_ohm"
    controls = {control["key"]: control for control in shown.widget.setup["controls"]}
    turn = {
        "do": "turn",
        "key": key,
        "index": controls[key]["options"].index("1M"),
        "playhead_s": 0.5,
        "number": 4,
    }
    shown.widget._handle_msg({"content": {"data": {"method": "custom", "content": turn}}, "buffers": []})
    assert shown.chain == replace(CHAIN, detector=PeakDetector(4.7e3, 1e-6, 1e6))
    assert unframed(shown.widget.light)[0]["number"] == 4


def test_a_light_does_not_end_what_the_server_writes(shown, monkeypatch):
    came: list[object] = []
    monkeypatch.setattr(shown.widget, "send_state", lambda keys: came.append(set(keys)))
    monkeypatch.setattr(shown.widget, "send", lambda message, buffers: came.append((message, buffers)))
    shown.session.hear({"do": "turn", "key": "detector.release_ohm", "index": 3, "number": 4})
    lights = [place for place, traits in enumerate(came) if "light" in traits]
    assert lights
    for place in lights:
        assert came[place + 1] == ({"do": "fill"}, [filler()])


def test_the_board_in_hand_is_at_hand_and_can_be_written(shown, tmp_path):
    assert shown.chain == CHAIN
    assert shown.board_b_chain is None
    shown.session.hear({"do": "board_b", "number": 1})
    assert shown.board_b_chain == CHAIN
    assert "one board B" in repr(shown)
    path = shown.save(tmp_path / "yoke.toml")
    assert read_design(path) == CHAIN
    with pytest.raises(FileError, match="is there already"):
        shown.save(path)
    assert shown.save(path, overwrite=True) == path


def test_the_picture_is_of_the_board_in_hand(shown):
    before = shown.picture()
    assert before == shown.picture()
    # On a dark page too: no pixel of it lets the page through.
    pixels = image.imread(io.BytesIO(before))
    assert pixels.shape[2] == 3 or (pixels[..., 3] == 1).all()
    controls = {control["key"]: control for control in shown.widget.setup["controls"]}
    index = controls["detector.release_ohm"]["options"].index("10k")
    shown.session.hear({"do": "turn", "key": "detector.release_ohm", "index": index, "number": 1})
    assert shown.picture() != before

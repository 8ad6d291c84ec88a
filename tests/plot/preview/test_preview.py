"""The preview video, decoded again: colours, instants, length; the caution; whole file or none."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, replace
from pathlib import Path

import av
import colour as colour_science
import numpy as np
import pytest

import envlab.widget
from envlab.chain import Chain
from envlab.digital.firmware_settings import FirmwareSettings
from envlab.errors import EnvlabError, FileError, ParameterError
from envlab.light.curve import BrightnessMap
from envlab.light.flashes.flash import count_flashes
from envlab.light.layout.board import board_layout_table
from envlab.light.layout.layout import Layout
from envlab.light.pixels import Pixels
from envlab.plot.preview.layout import HALF_YOKE, MOST_DOTS, dots
from envlab.plot.preview.preview import CAUTION_S, render_preview
from envlab.plot.preview.scene import LIGHT_BOX
from envlab.plot.strips import LANTERN
from envlab.sound.recording import Recording
from envlab.sound.signals import tone_burst
from envlab.study.specification.specification import demo_specification

RATE_HZ = 48_000.0
ONSET_S = 0.5
# What 8-bit studio range, 4:2:0 and lossy coding leave of a flat patch; seen: 3 codes of 255.
CODEC = 6


@dataclass
class Decoded:
    """Colours (frames, 3) at the middle of a dot, 0 to 255; times in s; sound (n,) and its times."""

    colours: np.ndarray
    times_s: np.ndarray
    still: np.ndarray
    sound: np.ndarray
    sound_s: np.ndarray
    duration_s: float


def decode(path: Path, count: int, layout: str = "line", which: int = 3) -> Decoded:
    left, top, right, bottom = LIGHT_BOX
    centres, _ = dots(count, layout, right - left, bottom - top)
    x, y = round(centres[which][0]) + left, round(centres[which][1]) + top
    colours, times, changes, pieces, sound_times = [], [], [], [], []
    before = None
    with av.open(str(path)) as file:
        duration_s = file.duration / av.time_base
        for frame in file.decode(video=0):
            shown = frame.reformat(format="rgb24", src_colorspace="itu709").to_ndarray()
            colours.append(shown[y - 2 : y + 3, x - 2 : x + 3].reshape(-1, 3).mean(axis=0))
            times.append(frame.time)
            changes.append(0 if before is None else int(np.abs(shown.astype(int) - before).max()))
            before = shown
    with av.open(str(path)) as file:
        for frame in file.decode(audio=0):
            piece = frame.to_ndarray().reshape(-1).astype(float)
            pieces.append(piece)
            sound_times.append(frame.time + np.arange(piece.size) / frame.sample_rate)
    return Decoded(
        np.array(colours),
        np.array(times),
        np.array(changes),
        np.concatenate(pieces),
        np.concatenate(sound_times),
        duration_s,
    )


def struck(duration_s: float = 1.2) -> Recording:
    """Silence, and from ONSET_S on one stroke: 40 ms of 1 kHz at some 94 dB SPL."""
    burst = tone_burst(1000.0, 1.4, ONSET_S, 0.04, duration_s, RATE_HZ)
    return Recording(burst, RATE_HZ, "stroke.wav")


def hasty() -> tuple[Chain, Recording]:
    """A board whose light, unguarded, follows six strokes a second down to darkness, and these strokes."""
    chain = Chain(
        detector=replace(Chain().detector, attack_ohm=1e3, release_ohm=10e3, hold_farad=1e-6),
        firmware=FirmwareSettings(guard="off"),
    )
    strokes = sum(tone_burst(1000.0, 1.4, at / 6, 0.05, 2.0, RATE_HZ) for at in range(12))
    return chain, Recording(np.asarray(strokes), RATE_HZ, "strokes.wav")


@pytest.fixture(scope="module", params=[".mp4", ".webm"])
def made(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, object]:
    path = tmp_path_factory.mktemp("video") / f"stroke{request.param}"
    return path, render_preview(Chain(), struck(), path)


def expected_codes(chain: Chain, recording: Recording, times_s: np.ndarray) -> np.ndarray:
    result = chain.run(recording)
    frame = np.minimum((times_s * chain.frame_rate_hz + 1e-6).astype(int), result.duty.size - 1)
    linear = result.relative_luminance[frame][:, None] * np.array(LANTERN)
    # sRGB as the reference library colour-science has it (IEC 61966-2-1).
    return 255 * colour_science.cctf_encoding(linear, function="sRGB")


def test_a_dot_has_the_colour_of_the_chains_luminance_in_every_frame(made: tuple[Path, object]) -> None:
    path, _ = made
    seen = decode(path, Chain().pixels.count)
    codes = expected_codes(Chain(), struck(), seen.times_s)
    assert codes.max() > 200
    assert np.abs(seen.colours - codes).max() <= CODEC


def test_fifty_frames_a_second_as_long_as_the_sound(made: tuple[Path, object]) -> None:
    path, preview = made
    seen = decode(path, Chain().pixels.count)
    # 100 Hz of the chain: every second frame of it.
    assert preview.frames_per_s == 50
    assert np.allclose(seen.times_s, np.arange(60) / 50, atol=1e-3)
    assert preview.duration_s == pytest.approx(1.2)
    assert preview.opening_s == 0
    # One frame, or one packet of sound (20 ms of Opus, 1024 samples of AAC), more or less.
    assert seen.duration_s == pytest.approx(1.2, abs=0.022)


def test_sound_and_light_start_within_one_frame(made: tuple[Path, object]) -> None:
    path, _ = made
    seen = decode(path, Chain().pixels.count)
    heard_s = seen.sound_s[np.argmax(np.abs(seen.sound) > 0.35)]
    lit_s = seen.times_s[np.argmax(seen.colours.max(axis=1) > 30)]
    assert heard_s == pytest.approx(ONSET_S, abs=0.003)
    assert 0 <= lit_s - ONSET_S <= 2 / 50
    assert abs(lit_s - heard_s) <= 2 / 50
    assert np.abs(seen.sound).max() == pytest.approx(0.7, abs=0.1)


def test_each_dot_has_the_light_of_its_own_pixel(tmp_path: Path) -> None:
    """Full light on a share of the pixels: every fourth or so is lit, the others stay dark."""
    chain = replace(Chain(), layout=Layout("share", lit_share=0.25))
    render_preview(chain, struck(0.7), tmp_path / "share.mp4")
    lit = {pixel for pixel, rank in enumerate(board_layout_table(chain).rank_of_pixel) if rank == 0}
    assert len(lit) == 6
    times_s = decode(tmp_path / "share.mp4", 24).times_s
    alike = expected_codes(replace(chain, layout=Layout()), struck(0.7), times_s)
    for which in (0, 2, 3, 10, 23):
        seen = decode(tmp_path / "share.mp4", 24, which=which)
        # All the light there is goes to the lit ones, each over the brightest: the curve of all alike.
        wanted = alike if which in lit else 0 * alike + seen.colours[0]
        assert np.abs(seen.colours - wanted).max() <= CODEC, which


def test_a_run_of_pixels_that_flashes_is_no_more_shown_unasked_than_the_whole(tmp_path: Path) -> None:
    """A tone whose level swings five times a second: the whole has no flash, the edge of a bar five."""
    detector = replace(Chain().detector, attack_ohm=1e3, release_ohm=47e3, hold_farad=1e-6)
    chain = replace(Chain(), detector=detector, layout=Layout("from_end"))
    time_s = np.arange(round(2 * RATE_HZ)) / RATE_HZ
    level_pa = 0.3 * (1 + 0.1 * np.sign(np.sin(2 * np.pi * 5 * time_s)))
    swinging = Recording(level_pa * np.sin(2 * np.pi * 1000 * time_s), RATE_HZ, "swing.wav")
    with pytest.raises(EnvlabError, match=r"5 flashes in the worst second of pixels 1 to 2, the limit is 3"):
        render_preview(chain, swinging, tmp_path / "swing.mp4")
    shown = render_preview(replace(chain, layout=Layout()), swinging, tmp_path / "alike.mp4")
    assert shown.flashes.worst_per_s == 0


def test_both_shoulders(tmp_path: Path) -> None:
    render_preview(Chain(), struck(0.7), tmp_path / "worn.mp4", layout="shoulders")
    seen = decode(tmp_path / "worn.mp4", Chain().pixels.count, "shoulders", which=17)
    assert np.abs(seen.colours - expected_codes(Chain(), struck(0.7), seen.times_s)).max() <= CODEC


def test_flashing_is_refused_in_words(tmp_path: Path) -> None:
    chain, recording = hasty()
    duty = chain.run(recording).relative_luminance
    assert count_flashes(duty, chain.frame_rate_hz) == 6
    with pytest.raises(
        EnvlabError, match=r"strokes .*6 flashes in the second from .* limit is 3.*accept_flas"
    ):
        render_preview(chain, recording, tmp_path / "fast.mp4")
    assert list(tmp_path.iterdir()) == []


def test_what_is_shown_is_what_the_guard_lets_through(tmp_path: Path) -> None:
    chain, recording = hasty()
    guarded = replace(chain, firmware=FirmwareSettings(guard="on"))
    preview = render_preview(guarded, recording, tmp_path / "held.mp4", frames_per_s=30, longest_s=1.4)
    assert preview.flashes.worst_per_s == 3
    assert preview.opening_s == 0


def test_accepted_flashing_opens_with_a_still_and_silent_caution(tmp_path: Path) -> None:
    chain, recording = hasty()
    preview = render_preview(
        chain, recording, tmp_path / "fast.mp4", accept_flashing=True, frames_per_s=30, longest_s=1.4
    )
    assert preview.flashes.worst_per_s == 6
    assert preview.opening_s == CAUTION_S >= 5
    seen = decode(tmp_path / "fast.mp4", chain.pixels.count)
    first = CAUTION_S * preview.frames_per_s
    # The coder redraws the letters' edges now and then; a letter that came or went would be 200.
    assert seen.still[1:first].max() < 80
    assert np.median(seen.still[1:first]) == 0
    assert seen.still[first:].max() > 100
    opening = seen.sound_s < CAUTION_S - 0.03
    assert np.abs(seen.sound[opening]).max() < 1e-3
    codes = expected_codes(chain, recording, seen.times_s[first:] - CAUTION_S)
    assert np.abs(seen.colours[first:] - codes).max() <= CODEC
    assert seen.duration_s == pytest.approx(CAUTION_S + 1.4, abs=0.04)


def test_red_light_on_the_beat_is_refused_too(tmp_path: Path) -> None:
    chain, recording = hasty()
    # Swings of under 10 % of the luminance are no general flashes; of red 20 in 320 count (WCAG 2.2).
    dim = replace(chain, brightness=BrightnessMap(40.0, 114.0, curve="straight"))
    assert 20 / 320 < dim.run(recording).relative_luminance.max() < 0.1
    with pytest.raises(EnvlabError, match=r"[4-6] red flashes in the worst second"):
        render_preview(dim, recording, tmp_path / "red.mp4", colour_linear=(1.0, 0.0, 0.0))
    assert render_preview(dim, recording, tmp_path / "warm.mp4", longest_s=0.9).opening_s == 0


def test_only_the_beginning_of_a_long_recording(tmp_path: Path) -> None:
    told: list[float] = []
    preview = render_preview(
        Chain(), struck(3.0), tmp_path / "short.mp4", longest_s=0.4, frames_per_s=30, progress=told.append
    )
    assert preview.duration_s == pytest.approx(0.4)
    assert len(decode(tmp_path / "short.mp4", 24).times_s) == 12
    assert told == sorted(told)
    assert told[-1] == 1.0
    assert len(told) > 10


def test_a_demo_clip_brings_its_label(tmp_path: Path) -> None:
    specification = demo_specification()
    clip = next(clip for clip in specification.clips if clip.label == "quiet_room 38 dB")
    render_preview(specification.chain, clip, tmp_path / "room.mp4", longest_s=0.2)
    with av.open(str(tmp_path / "room.mp4")) as file:
        assert "quiet_room 38 dB" in file.metadata["title"]


@pytest.mark.parametrize(
    ("chain_hz", "video_hz"),
    [
        (100.0, 50),
        (60.0, 60),
        (120.0, 60),
        (30.0, 30),
        (40.0, 40),
        (25.0, 50),
        (20.0, 60),
        (10.0, 60),
        (77.7, 60),
    ],
)
def test_video_rate_divides_the_chains_where_it_can(chain_hz: float, video_hz: int, tmp_path: Path) -> None:
    chain = Chain(frame_rate_hz=chain_hz)
    assert render_preview(chain, struck(0.1), tmp_path / "a.mp4").frames_per_s == video_hz


def test_another_encoder_where_the_best_is_missing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("av.codec.codecs_available", {"mpeg4", "aac"})
    render_preview(Chain(), struck(0.7), tmp_path / "a.mp4")
    with av.open(str(tmp_path / "a.mp4")) as file:
        assert file.streams.video[0].codec_context.name == "mpeg4"
    seen = decode(tmp_path / "a.mp4", Chain().pixels.count)
    assert np.abs(seen.colours - expected_codes(Chain(), struck(0.7), seen.times_s)).max() <= 2 * CODEC
    with pytest.raises(FileError, match="none of the encoders libvpx-vp9, libvpx"):
        render_preview(Chain(), struck(0.7), tmp_path / "a.webm")
    assert [one.name for one in tmp_path.iterdir()] == ["a.mp4"]


def test_what_goes_wrong_in_the_middle_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "old.mp4"
    path.write_bytes(b"old")

    def stop(share: float) -> None:
        if share > 0.5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        render_preview(Chain(), struck(), path, progress=stop)
    assert [one.name for one in tmp_path.iterdir()] == ["old.mp4"]
    assert path.read_bytes() == b"old"


def test_bad_values_are_named(tmp_path: Path) -> None:
    good = tmp_path / "a.mp4"
    with pytest.raises(
        ParameterError, match=r"path is 'a.avi'; it must be a name that ends in .mp4 or .webm"
    ):
        render_preview(Chain(), struck(), tmp_path / "a.avi")
    with pytest.raises(FileError, match="no such folder"):
        render_preview(Chain(), struck(), tmp_path / "nowhere" / "a.mp4")
    (tmp_path / "folder.mp4").mkdir()
    with pytest.raises(FileError, match="is a folder"):
        render_preview(Chain(), struck(), tmp_path / "folder.mp4")
    with pytest.raises(ParameterError, match=r"longest_s is 0; it must be from 0\.1 to 600 s"):
        render_preview(Chain(), struck(), good, longest_s=0)
    with pytest.raises(ParameterError, match="layout is 'ring'; it must be one of line, shoulders"):
        render_preview(Chain(), struck(), good, layout="ring")
    with pytest.raises(ParameterError, match="frames_per_s is 25; it must be a whole number from 30 to 60"):
        render_preview(Chain(), struck(), good, frames_per_s=25)
    with pytest.raises(ParameterError, match=r"colour_linear, green is 1.5; it must be from 0 to 1"):
        render_preview(Chain(), struck(), good, colour_linear=(1.0, 1.5, 0.0))
    with pytest.raises(ParameterError, match="three shares"):
        render_preview(Chain(), struck(), good, colour_linear=(1.0, 1.0))
    with pytest.raises(ParameterError, match="it must be a Recording or a Clip"):
        render_preview(Chain(), np.zeros(100), good)
    assert not good.exists()


def test_the_yoke_is_the_pages_yoke() -> None:
    page = Path(envlab.widget.__file__).parent / "audition" / "page" / "drawing" / "geometry.js"
    drawn = re.search(r"HALF_YOKE = (\[.*?\]);", page.read_text(encoding="utf-8"), re.DOTALL)
    assert drawn
    assert json.loads(re.sub(r",\s*\]", "]", drawn[1])) == [[list(p) for p in curve] for curve in HALF_YOKE]


@pytest.mark.parametrize("layout", ["line", "shoulders"])
@pytest.mark.parametrize("count", [1, 2, 24, 120, 5000])
def test_dots_stand_apart_inside_their_box(layout: str, count: int) -> None:
    centres, radius = dots(count, layout, 1280, 382)
    assert len(centres) == min(count, MOST_DOTS)
    assert radius >= 1.5
    assert (centres - radius).min() >= 0
    assert (centres + radius <= (1280, 382)).all()
    if count > 1:
        assert np.hypot(*np.diff(centres, axis=0).T).min() > 2 * radius
    # As many to the left of the middle as to the right.
    assert np.allclose(np.sort(centres[:, 0]), np.sort(1280 - centres[:, 0]))


def test_a_costume_of_thousands_still_gets_a_video(tmp_path: Path) -> None:
    chain = Chain(pixels=Pixels(count=1000, channel_a=0.001))
    render_preview(chain, struck(0.1), tmp_path / "many.mp4")
    assert (tmp_path / "many.mp4").stat().st_size > 1000


def test_a_path_is_no_chain(tmp_path):
    with pytest.raises(ParameterError, match=r"chain is 'mine.toml'; it must be a Chain; envlab.read_design"):
        render_preview("mine.toml", None, tmp_path / "x.mp4")

"""What a clip cannot show is said, and is NaN: silent, too short, unsettled, without a beat."""

from __future__ import annotations

import math

import numpy as np
import pytest
import soundfile

from envlab.analog.detector import PeakDetector
from envlab.chain import Chain
from envlab.metrics.judgeable import has_beat, judged_columns, release_s, why_not_judged
from envlab.sound.clip import Clip
from envlab.sound.recording import Recording
from envlab.sound.stream import SoundStream, open_sound

RATE_HZ = 16_000.0
COLUMNS = (
    *("contrast_lstar", "flashes_per_s", "lit_share", "lightness_95_lstar"),
    *("counts_median", "counts_99", "clipped_share", "duty_mean", "duty_99", "duty_peak"),
)


def clip(wave: np.ndarray, *tags: str) -> Clip:
    return Clip(Recording(wave, RATE_HZ, "made"), 90.0, tags)


def tone(length_s: float) -> np.ndarray:
    return np.sin(2 * np.pi * 440 * np.arange(int(length_s * RATE_HZ)) / RATE_HZ)


def strokes(length_s: float) -> np.ndarray:
    time_s = np.arange(int(length_s * RATE_HZ)) / RATE_HZ
    return tone(length_s) * np.exp(-(time_s % 0.5) / 0.1)


def judged(one: Clip, release: float = 0.3) -> set[str]:
    """Columns that are judged, of a board with such a release, in s."""
    chain = Chain(detector=PeakDetector(4.7e3, 1e-6, release / math.log(10) / 1e-6))
    columns = {name: np.array([1.0, 2.0]) for name in COLUMNS}
    kept = judged_columns(one, one.sound(), columns, [chain])
    assert all(np.isnan(values).all() or np.array_equal(values, [1.0, 2.0]) for values in kept.values())
    return {name for name, values in kept.items() if not np.isnan(values).any()}


def test_strokes_of_some_seconds_show_everything():
    assert judged(clip(strokes(2.0), "beat")) == set(COLUMNS)


@pytest.mark.filterwarnings("ignore:.*silent clip")
def test_silence_shows_nothing():
    assert judged(clip(np.zeros(32_000), "beat")) == set()


def test_under_a_second_there_are_no_flashes_and_no_contrast():
    one = clip(strokes(0.9), "beat")
    assert judged(one) == set(COLUMNS) - {"contrast_lstar", "flashes_per_s"}
    assert why_not_judged(one, one.sound(), 0.3)["flashes_per_s"] == (
        "it lasts 0.9 s, and flashes are counted over a whole second"
    )
    assert judged(clip(strokes(1.0), "beat")) == set(COLUMNS)


def test_a_clip_shorter_than_the_release_shows_what_needs_no_settling():
    one = clip(strokes(2.0), "beat")
    assert judged(one, release=2.1) == {"clipped_share", "duty_mean", "duty_99", "duty_peak"}
    assert judged(one, release=1.9) == set(COLUMNS)
    assert why_not_judged(one, one.sound(), 2.1)["lit_share"] == "it lasts 2 s, and the release 2.1 s"


def test_each_board_has_its_own_release():
    chains = [Chain(detector=PeakDetector(4.7e3, 1e-6, ohm)) for ohm in (470e3, 2.2e6)]
    one = clip(strokes(2.0), "beat")
    kept = judged_columns(one, one.sound(), {"flashes_per_s": np.array([1.0, 2.0])}, chains)["flashes_per_s"]
    assert kept[0] == 1.0
    assert math.isnan(kept[1])


def test_without_a_beat_only_contrast_is_not_judged_and_only_where_a_beat_is_asked():
    assert judged(clip(tone(2.0), "beat")) == set(COLUMNS) - {"contrast_lstar"}
    assert judged(clip(tone(2.0), "quiet")) == set(COLUMNS)


def test_a_beat_in_one_second_is_enough_and_a_swing_of_two_decibels_is_none():
    time_s = np.arange(3 * 16_000) / RATE_HZ
    assert has_beat(clip(tone(3.0) * np.where(time_s > 2.4, 1.0, 0.3)).sound())
    assert not has_beat(clip(tone(3.0) * (1 + 0.1 * np.sin(2 * np.pi * 2 * time_s))).sound())
    assert has_beat(clip(tone(3.0) * (1 + 0.3 * np.sin(2 * np.pi * 2 * time_s))).sound())


def test_the_release_is_the_time_to_a_tenth():
    # ln 10 times R·C, while the source is below: 2.3026 · 220 kΩ · 1 µF.
    assert release_s(PeakDetector(4.7e3, 1e-6, 220e3)) == pytest.approx(math.log(10) * 0.22, rel=1e-9)


def test_a_streamed_clip_is_searched_for_its_beat_once(tmp_path, monkeypatch):
    time_s = np.arange(4 * 16_000) / 16_000
    beat = np.sin(2 * np.pi * 200 * time_s) * np.exp(-(time_s % 0.5) / 0.1)
    soundfile.write(tmp_path / "beat.wav", 0.5 * beat, 16_000)
    read = []
    pieces = SoundStream.pieces
    monkeypatch.setattr(SoundStream, "pieces", lambda sound: read.append(sound) or pieces(sound))
    for level, looks in ((90.0, 1), (90.0, 1), (80.0, 2)):
        assert has_beat(open_sound(tmp_path / "beat.wav", level, held_s=1.0))
        assert len(read) == looks

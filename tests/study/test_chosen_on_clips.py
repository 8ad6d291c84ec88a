"""What the pictures show is what the chain does, with the noise of the sweep."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from reference.small_specification import Case

from envlab.digital.followers import AttackRelease, Follower, MovingMean, PassThrough
from envlab.engine import followed_envelopes
from envlab.metrics.metrics_of_clip import clip_seed, frame_envelopes
from envlab.sound.clip import Clip
from envlab.sound.stream import Sound
from envlab.study import chosen_on_clips
from envlab.study.chosen_on_clips import (
    STROKE_S,
    light_on_clips,
    most_current,
    most_flashing,
    music_scene,
)
from envlab.study.exported.scenarios import heard_by
from envlab.study.specification.heard_sounds import sounds_of


def test_light_on_a_clip_is_what_the_chain_gives_when_it_runs_alone(case: Case) -> None:
    sounds = sounds_of(case.specification)
    for number, light in enumerate(case.lights):
        rng = np.random.default_rng(clip_seed(case.specification.judging.seed, number))
        alone = case.choice.chain.run(sounds[number], rng)
        assert np.array_equal(light.duty, alone.duty)
        assert np.array_equal(light.lightness, alone.lightness)
        assert light.duration_s == light.clip.recording().duration_s


def test_flashes_and_current_are_those_of_the_sweeps_row(case: Case) -> None:
    for light in case.lights:
        assert light.flashes.worst_per_s == case.choice.row[f"flashes_per_s [{light.clip.label}]"]
    peak_a = max(light.current_a.max() for light in case.lights)
    assert peak_a == pytest.approx(case.choice.row["supply_peak_a"], rel=1e-12)
    mean_a = most_current(case.lights).current_a.mean()
    assert mean_a == pytest.approx(case.choice.row["supply_mean_a"], rel=1e-12)
    assert most_flashing(case.lights).flashes.worst_per_s == case.choice.row["flashes_per_s"]


def test_the_scene_is_beat_music_near_street_level_and_has_room_before_it(case: Case) -> None:
    scene = case.scene
    assert "beat" in scene.clip.tags
    assert scene.span_s[1] - scene.span_s[0] == 2.0
    start_s, end_s = scene.stroke_s
    assert scene.span_s[0] <= start_s < end_s <= scene.span_s[1]
    assert np.isclose(end_s - start_s, STROKE_S)
    rate_hz = scene.result.internal_rate_hz
    held = scene.result.detector_v[round(start_s * rate_hz) : round(end_s * rate_hz)]
    assert held[-1] > 3 * held[0]


def test_the_scene_finds_the_strokes_in_a_long_quiet_clip(case: Case, tmp_path: Path) -> None:
    rate_hz = 16_000
    samples = 1e-4 * np.random.default_rng(3).standard_normal(12 * rate_hz)
    for stroke_s in (7.2, 7.7, 8.2, 8.7):
        n = round(stroke_s * rate_hz)
        samples[n : n + 1600] += np.sin(np.arange(1600) / 3) * np.exp(-np.arange(1600) / 400)
    soundfile.write(tmp_path / "late.wav", samples / 2, rate_hz)
    clip = Clip(tmp_path / "late.wav", 92.0, ("beat",))
    scene = music_scene(replace(case.specification, clips=(clip,)), case.choice.chain, length_s=2.0)
    assert scene.from_s == 7.0
    # The lead lets the voltages settle before the span: 1 s of it, so the span starts there in the piece.
    assert scene.span_s == (1.0, 3.0)


@pytest.mark.parametrize(
    "follower", [PassThrough(), MovingMean(0.01), AttackRelease(0.002, 0.1)], ids=["none", "mean", "attack"]
)
def test_what_the_firmware_heard_is_not_played_again_and_shows_the_same(
    case: Case, monkeypatch: pytest.MonkeyPatch, follower: Follower
) -> None:
    asked = replace(case.specification, chain=replace(case.choice.chain, follower=follower))
    played = light_on_clips(asked, asked.chain)
    readings = heard_by(asked.chain, asked).clips
    monkeypatch.setattr(followed_envelopes, "_AT_ONCE", 700)
    for known in ({}, dict([next(iter(readings.items()))]), readings):
        again, shares = list[str](), list[float]()
        monkeypatch.setattr(chosen_on_clips, "frame_envelopes", counting(again))
        shown = light_on_clips(asked, asked.chain, readings=known, progress=shares.append)
        assert sorted(again) == sorted(clip.file_name for clip in asked.clips if clip not in known)
        assert max(shares) == pytest.approx(1.0)
        for one, other in zip(played, shown, strict=True):
            assert np.array_equal(one.envelope_counts, other.envelope_counts)
            assert np.array_equal(one.duty, other.duty)
            assert one.clip is other.clip
    assert max(light.envelope_counts.max() for light in played) > 20


def counting(played: list[str]) -> Any:
    """frame_envelopes, with the names of the sounds that it plays noted."""

    def noted(sound: Sound, *args: Any, **options: Any) -> Any:
        played.append(sound.name)
        return frame_envelopes(sound, *args, **options)

    return noted

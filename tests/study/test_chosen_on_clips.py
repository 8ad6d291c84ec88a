"""What the pictures show is what the chain does, with the noise of the sweep."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from reference.small_specification import Case

from envlab.metrics.metrics_of_clip import clip_seed
from envlab.sound.clip import Clip
from envlab.study.chosen_on_clips import STROKE_S, most_current, most_flashing, music_scene
from envlab.study.specification.specification import Specification


def test_light_on_a_clip_is_what_the_chain_gives_when_it_runs_alone(case: Case) -> None:
    for number, light in enumerate(case.lights):
        rng = np.random.default_rng(clip_seed(case.specification.judging.seed, number))
        alone = case.choice.chain.run(light.clip.recording(), rng)
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
    scene = music_scene(
        Specification(**{**vars(case.specification), "clips": (clip,)}), case.choice.chain, length_s=2.0
    )
    assert scene.from_s == 7.0
    # The lead lets the voltages settle before the span: 1 s of it, so the span starts there in the piece.
    assert scene.span_s == (1.0, 3.0)

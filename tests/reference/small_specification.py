"""A small question for tests of pictures and report: two short pieces of demo clips, eight candidates."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import soundfile

from envlab.shipped import shipped_folder
from envlab.study.chosen_on_clips import ClipLight, MusicScene, light_on_clips, music_scene
from envlab.study.specification.specification import Specification, read_specification
from envlab.study.sweep.choice import Choice, choose
from envlab.study.sweep.sweep import sweep

DESIGN = """
[detector]
kind = "peak"
attack_ohm = "10k"
hold_farad = "220n"
release_ohm = "470k"

[[clips]]
file = "drums.wav"
levels_db_spl = [92]
tags = ["beat"]

[[clips]]
file = "voices.wav"
levels_db_spl = [72]
tags = ["quiet"]

[sweep.preamp]
feedback_ohm = { series = "E3", low = "4k7", high = "10k", tolerance_percent = 1 }

[sweep.detector]
attack_ohm = { series = "E3", low = "10k", high = "22k", tolerance_percent = 5 }
release_ohm = { series = "E3", low = "470k", high = "1M", tolerance_percent = 5 }

[targets]
flashes_per_s = { at_most = 3, scale = 1 }
beat_contrast_lstar = { at_least = 50, scale = 10 }
onset_lag_worst_ms = { at_most = 45, scale = 20 }
ripple_db = { at_most = 1.5, scale = 1 }
false_light_lstar = { at_most = 20, scale = 10 }

[judging]
street_db_spl = 92.0
seed = 7
"""
PIECES = {"drums.wav": ("drum_line.flac", 3.0), "voices.wav": ("voices_bells.flac", 2.0)}


def write_small_design(folder: Path) -> Path:
    """Write the design file and its clips into a folder; return the file's path."""
    for name, (source, length_s) in PIECES.items():
        samples, rate_hz = soundfile.read(shipped_folder("audio_samples") / source)
        soundfile.write(folder / name, samples[: round(length_s * rate_hz)], rate_hz, subtype="PCM_16")
    path = folder / "winter_night.toml"
    path.write_text(DESIGN, encoding="utf-8")
    return path


@dataclass(frozen=True)
class Case:
    """A specification, its choice, and what the chosen chain does."""

    specification: Specification
    choice: Choice
    lights: tuple[ClipLight, ...]
    scene: MusicScene


def small_case(folder: Path) -> Case:
    """Return the small question, written into a folder, swept and chosen."""
    specification = read_specification(write_small_design(folder))
    choice = choose(
        sweep(specification),
        specification,
    )
    lights = light_on_clips(specification, choice.chain)
    return Case(specification, choice, lights, music_scene(specification, choice.chain, length_s=2.0))

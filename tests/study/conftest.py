"""Short invented clips and a design file around them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from reference.small_specification import Case, small_case

RATE_HZ = 48_000


def _strokes(seconds: float, per_second: float, seed: int) -> np.ndarray:
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    since = np.mod(t, 1 / per_second)
    noise = np.random.default_rng(seed).standard_normal(t.size)
    return np.exp(-since / 0.04) * (np.sin(2 * np.pi * 180 * t) + 0.3 * noise)


def _hum(seconds: float) -> np.ndarray:
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return np.sin(2 * np.pi * 220 * t) + 0.5 * np.sin(2 * np.pi * 330 * t)


@pytest.fixture(scope="session")
def clip_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with beat.wav (1.6 s, two strokes a second), hum.wav (1.2 s), short.wav (0.3 s), silent.wav."""
    folder = tmp_path_factory.mktemp("clips")
    clips = {
        "beat": _strokes(1.6, 2.0, 3),
        "hum": _hum(1.2),
        "short": _strokes(0.3, 5.0, 4),
        "silent": np.zeros(RATE_HZ),
    }
    for name, samples in clips.items():
        peak = max(float(np.abs(samples).max()), 1e-9)
        soundfile.write(folder / f"{name}.wav", 0.5 * samples / peak, RATE_HZ, subtype="PCM_24")
    return folder


@pytest.fixture
def write_design(clip_folder: Path, tmp_path: Path) -> Callable[[str], Path]:
    """Write a design file beside copies of the clips and return its path."""

    def write(text: str) -> Path:
        for clip in clip_folder.iterdir():
            beside = tmp_path / clip.name
            if not beside.exists():
                beside.symlink_to(clip)
        path = tmp_path / "mine.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


@pytest.fixture(scope="session")
def case(tmp_path_factory: pytest.TempPathFactory) -> Case:
    """A small sweep with its choice."""
    return small_case(tmp_path_factory.mktemp("small-specification"))

"""The light that clips ask for at a board, frame by frame, as duty words."""

from __future__ import annotations

import warnings
from functools import cache
from pathlib import Path

import numpy as np

from envlab import Recording, read_design, read_recording
from envlab.errors import EnvlabWarning
from envlab.shipped import demo_design, shipped_folder

LEVELS_DB_SPL = (62.0, 68.0, 74.0, 80.0, 86.0, 92.0, 98.0, 104.0)
LONGEST_S = 15.0


@cache
def board():
    """Return the parade's board."""
    return read_design(demo_design())


def demo_clips() -> list[Path]:
    """Return the demo clips' files."""
    return sorted(shipped_folder("audio_samples").glob("*.flac"))


@cache
def wanted_light(path: Path, level_db_spl: float) -> tuple[np.ndarray, float, int]:
    """Return duty words (frames,), the frame rate in Hz, and the word of the brightest state.

    The first 15 s of a clip; a shorter one is played again until it has lasted 5 s.
    """
    recording = read_recording(path, level_db_spl)
    pressure_pa, rate_hz = recording.pressure_pa, recording.sample_rate_hz
    times = int(np.ceil(5.0 * rate_hz / pressure_pa.size))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", EnvlabWarning)
        played = np.tile(pressure_pa, times)[: int(LONGEST_S * rate_hz)]
        result = board().run(Recording(played, rate_hz), np.random.default_rng(6))
    words = np.rint(result.duty * 65_535).astype(np.int64)
    return words, result.frame_rate_hz, round(result.full_duty * 65_535)

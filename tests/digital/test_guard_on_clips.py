"""The flash guard on music: never a fourth flash, and nothing altered that keeps the limit."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from digital.guard_alternatives import WAYS
from digital.guard_clips import LEVELS_DB_SPL, demo_clips, wanted_light
from reference.recordings import open_recording_files

from envlab.digital.guard.flash_guard import guard_held_share, guard_words, run_guard
from envlab.digital.guard.guard_words import nearest_code
from envlab.light.flashes.flash import count_flashes

SHORTEST_BYTES = 100_000


def flashes(duties: np.ndarray, bits: int, brightest: int, rate_hz: float) -> int:
    """Most flashes in a second, dark before the clip, by clocks that are right and 3 % off."""
    codes = np.concatenate(([0], [nearest_code(int(duty), bits) for duty in duties]))
    share = codes / nearest_code(brightest, bits)
    return max(count_flashes(share, rate_hz * clock) for clock in (0.97, 1.0, 1.03))


def check_clip(path: Path, level_db_spl: float, bits: int) -> tuple[bool, float]:
    """Return whether the clip's light keeps the limit, and the share of frames that the guard alters."""
    wanted, rate_hz, brightest = wanted_light(path, level_db_spl)
    words = guard_words(rate_hz, bits=bits, brightest_duty=brightest)
    shown, held, _ = run_guard(words, wanted)
    assert flashes(shown, bits, brightest, rate_hz) <= 3
    keeps = flashes(wanted, bits, brightest, rate_hz) <= 3
    assert not (keeps and held.any()), f"{path.name} at {level_db_spl} dB is altered, {bits} bit"
    return keeps, guard_held_share(held)


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("level_db_spl", [72.0, 92.0, 104.0])
def test_demo_clips(level_db_spl, bits):
    results = [check_clip(path, level_db_spl, bits) for path in demo_clips()]
    assert len(results) == 6
    assert sum(keeps for keeps, _ in results) >= 2


@pytest.mark.slow
@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("level_db_spl", LEVELS_DB_SPL)
def test_demo_clips_and_open_recordings_at_every_level(level_db_spl, bits):
    open_files = [path for path in open_recording_files() if path.stat().st_size >= SHORTEST_BYTES]
    results = [check_clip(path, level_db_spl, bits) for path in (*demo_clips(), *open_files)]
    assert sum(keeps for keeps, _ in results) >= 10


@pytest.mark.parametrize("way", WAYS)
def test_the_ways_that_were_compared_all_keep_the_limit(way):
    rng = np.random.default_rng(2)
    rate_hz = 30.0
    words = guard_words(rate_hz, bits=8)
    wanted = np.repeat(rng.choice([0, 6_000, 20_000, 65_535], 120), rng.integers(1, 5, 120))
    shown = WAYS[way](words, wanted, rate_hz)
    assert flashes(shown, 8, 65_535, rate_hz) == 3
    assert (shown != wanted).any()

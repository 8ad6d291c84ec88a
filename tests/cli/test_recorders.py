"""While a night's clips are looked through, which takes minutes, the line of progress moves all the way."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

from envlab.cli.recorders import note_recorders
from envlab.shipped import demo_design
from envlab.sound.clip import Clip
from envlab.study.specification.specification import read_specification


def test_looking_at_clips_moves_by_what_their_files_hold(tmp_path: Path) -> None:
    rng, told = np.random.default_rng(1), list[tuple[str, float]]()
    clips = []
    for name, seconds in (("short", 70.0), ("long", 140.0)):
        soundfile.write(
            tmp_path / f"{name}.wav", 0.1 * rng.standard_normal(round(8000 * seconds)).clip(-5, 5), 8000
        )
        # The same file at two levels is looked at once.
        clips += [Clip(tmp_path / f"{name}.wav", level) for level in (80.0, 90.0)]
    note_recorders(clips, lambda what, share: told.append((what, share)))
    assert {what for what, _ in told} == {"Looking at the clips"}
    shares = [share for _, share in told]
    assert shares == sorted(shares)
    assert shares[-1] == 1
    # Each is read four times, a piece of 8 s at a time.
    assert len(shares) >= 4 * 210 * 8000 / 65_536
    assert np.diff(shares).max() < 0.05
    assert any(abs(share - 1 / 3) < 1e-3 for share in shares)


def test_the_demos_have_no_recorder_to_look_for() -> None:
    told = list[tuple[str, float]]()
    note_recorders(read_specification(demo_design()).clips, lambda what, share: told.append((what, share)))
    assert not told

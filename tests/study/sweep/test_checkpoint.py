"""A sweep that stops and goes on gives what an uninterrupted one gives, and trusts no damaged file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile

from envlab.analog.parts import PartRange
from envlab.chain import Chain
from envlab.errors import EnvlabWarning, FileError, ParameterError
from envlab.sound.clip import Clip
from envlab.study.specification.specification import Specification
from envlab.study.sweep.checkpoint import Checkpoint
from envlab.study.sweep.sweep import sweep

RANGES = {"detector.release_ohm": PartRange("E3", 47e3, 220e3), "adc.reference_v": (1.8, 3.3)}


@pytest.fixture
def clips(tmp_path: Path) -> list[Clip]:
    rng = np.random.default_rng(5)
    for name in ("one", "two"):
        soundfile.write(tmp_path / f"{name}.wav", 0.1 * rng.standard_normal(8000), 8000)
    return [Clip(tmp_path / "one.wav", 90.0, ("beat",)), Clip(tmp_path / "two.wav", 70.0, ("quiet",))]


def test_an_interrupted_sweep_goes_on(tmp_path: Path, clips: list[Clip]) -> None:
    whole = sweep(Specification(Chain(), clips, RANGES))
    folder = tmp_path / "kept"

    def stop_at_the_last_clip(_: str, share: float) -> None:
        if share > 0.9:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        sweep(Specification(Chain(), clips, RANGES), checkpoint=folder, progress=stop_at_the_last_clip)
    kept = Checkpoint(folder, "").done()
    assert len(kept) >= 4
    stamps = {path: path.stat().st_mtime_ns for path in folder.glob("*.npz")}
    again = sweep(Specification(Chain(), clips, RANGES), checkpoint=folder)
    pd.testing.assert_frame_equal(again, whole, check_exact=True)
    assert all(path.stat().st_mtime_ns == stamp for path, stamp in stamps.items())


@pytest.mark.parametrize(
    "damage", [lambda data: data[:200], lambda data: data[:400] + b"\xff" * 40 + data[440:], lambda _: b""]
)
def test_a_damaged_step_is_computed_anew(
    tmp_path: Path, clips: list[Clip], damage: Callable[[bytes], bytes]
) -> None:
    folder = tmp_path / "kept"
    whole = sweep(Specification(Chain(), clips, RANGES), checkpoint=folder)
    victim = folder / "0-clip-0.npz"
    victim.write_bytes(damage(victim.read_bytes()))
    with pytest.warns(EnvlabWarning, match="damaged"):
        again = sweep(Specification(Chain(), clips, RANGES), checkpoint=folder)
    pd.testing.assert_frame_equal(again, whole, check_exact=True)


@pytest.mark.filterwarnings("ignore::envlab.errors.EnvlabWarning")
def test_no_damaged_byte_is_trusted_or_stops_the_sweep(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("os.fsync", lambda _: None)  # thousands of files, none of which has to last
    written, anew = {"one": np.arange(5.0), "two": np.linspace(0, 1, 7)}, {"one": np.array([-1.0])}
    kept = Checkpoint(tmp_path, "question")
    kept.step("bench", lambda: written)
    path = tmp_path / "bench.npz"
    whole = path.read_bytes()
    # All of the archive's table of contents, which no checksum guards, and some of what comes before.
    contents = whole.index(b"PK\x01\x02")
    for place in [*range(0, contents, 9), *range(contents, len(whole))]:
        path.write_bytes(whole[:place] + bytes([whole[place] ^ 0x81]) + whole[place + 1 :])
        # Some bytes are of no account, as those of the time of writing.
        found = kept.step("bench", lambda: anew)
        right = written if "two" in found else anew
        assert found.keys() == right.keys(), place
        assert all(np.array_equal(found[name], right[name]) for name in right), place


def test_a_folder_that_cannot_be_written_is_said_before_the_work(tmp_path: Path, clips: list[Clip]) -> None:
    folder = tmp_path / "one.wav" / "kept"
    said: list[float] = []
    with pytest.raises(FileError, match=r"one\.wav/kept: cannot be written \(Not a directory\)"):
        sweep(
            Specification(Chain(), clips, RANGES),
            checkpoint=folder,
            progress=lambda _, share: said.append(share),
        )
    assert said == []


def test_a_step_that_was_half_written_is_not_there(tmp_path: Path, clips: list[Clip]) -> None:
    folder = tmp_path / "kept"
    whole = sweep(Specification(Chain(), clips, RANGES), checkpoint=folder)
    step = folder / "0-clip-1.npz"
    (folder / "0-clip-1.partial").write_bytes(step.read_bytes()[:300])
    step.unlink()
    again = sweep(Specification(Chain(), clips, RANGES), checkpoint=folder)
    pd.testing.assert_frame_equal(again, whole, check_exact=True)
    assert not list(folder.glob("*.partial"))


def test_another_question_finds_nothing_of_ours(tmp_path: Path, clips: list[Clip]) -> None:
    folder = tmp_path / "kept"
    sweep(Specification(Chain(), clips, RANGES), checkpoint=folder)
    louder = [Clip(clip.path, clip.level_db_spl + 6, clip.tags) for clip in clips]
    with pytest.warns(EnvlabWarning, match="another question"):
        again = sweep(Specification(Chain(), louder, RANGES), checkpoint=folder)
    pd.testing.assert_frame_equal(again, sweep(Specification(Chain(), louder, RANGES)), check_exact=True)


def test_groups_with_different_adcs_keep_the_candidates_order(clips: list[Clip]) -> None:
    both = sweep(Specification(Chain(), clips, RANGES))
    for reference_v in RANGES["adc.reference_v"]:
        alone = sweep(Specification(Chain(), clips, RANGES | {"adc.reference_v": (reference_v,)}))
        mine = both[both["adc.reference_v"] == reference_v].reset_index(drop=True)
        pd.testing.assert_frame_equal(mine, alone, check_exact=True, check_names=False)


def test_too_many_candidates_are_counted_and_timed(clips: list[Clip]) -> None:
    ranges = {f"detector.{key}": PartRange("E192", low, 1e4 * low) for key, low in
              (("attack_ohm", 10.0), ("hold_farad", 1e-9), ("release_ohm", 1e3))}  # fmt: skip
    with pytest.raises(ParameterError, match=r"candidates is 45\d{7}.*at most 200000.*hours"):
        sweep(Specification(Chain(), clips, ranges))

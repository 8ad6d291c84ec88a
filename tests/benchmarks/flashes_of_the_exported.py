"""Flashes a second of the exported firmware, at every sensitivity and level, guard off and on.

    python tests/benchmarks/flashes_of_the_exported.py [design.toml]

Prints tables in Markdown. Every demo clip, and every recording of a second or more in the folder that
ENVLAB_OPEN_RECORDINGS names, is played at 62 to 104 dB SPL in steps of 6 dB after a quiet minute, which is
counted too; recordings shorter than LEAST_S are played again and again. Without noise of the board.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from envlab.chain import Chain
from envlab.design_file import read_design
from envlab.light.flashes.flash import FLASHES_ALLOWED_PER_S, count_flashes
from envlab.shipped import demo_design, shipped_folder
from envlab.sound.recording import Recording, read_recording
from envlab.study.exported.light import ExportedFirmware
from envlab.study.exported.rows import Setting
from envlab.study.exported.scenarios import QUIET_S, joined, lasting
from envlab.study.exported.shown import adc_readings
from envlab.units import IntArray

LEVELS_DB_SPL = tuple(range(62, 105, 6))
QUIET_FILE, QUIET_DB_SPL = "quiet_room.flac", 38.0
LEAST_S = 6.0


@dataclass(frozen=True)
class Count:
    """Flashes in the worst second of one setting on one recording at one level, without and with guard.

    held_share: of the frames, those that the guard changed, 0 to 1.
    """

    setting: Setting
    recording: str
    level_db_spl: int
    free: int
    guarded: int
    held_share: float


def every_setting(chain: Chain) -> dict[Setting, ExportedFirmware]:
    """Return the firmware of every sensitivity, each step of the button apart."""
    settings = [Setting("none")]
    button = ExportedFirmware(chain, "steps")
    settings += [Setting("steps", step, f"step {step}") for step in range(button.steps)]
    settings += [Setting("automatic")]
    return {setting: ExportedFirmware(chain, setting.sensitivity, step=setting.step) for setting in settings}


def counts_of(
    chain: Chain, recordings: Iterable[tuple[str, Recording]], levels: Iterable[int]
) -> Iterator[Count]:
    """Yield the counts of recordings at levels, dB SPL, at every setting, after a quiet minute."""
    runs, quiet = every_setting(chain), quiet_minute(chain)
    for name, recording in recordings:
        for level in levels:
            readings = joined((quiet, adc_readings(chain, recording.at_level(float(level)))))
            for setting, firmware in runs.items():
                free = firmware.light(readings, guard=False)
                guarded = firmware.light(readings, guard=True)
                yield Count(
                    setting,
                    name,
                    level,
                    count_flashes(free.luminance, chain.frame_rate_hz),
                    count_flashes(guarded.luminance, chain.frame_rate_hz),
                    guarded.held_share,
                )


def quiet_minute(chain: Chain) -> IntArray:
    """Return what the board reads in a minute of the quiet room."""
    room = read_recording(shipped_folder("audio_samples") / QUIET_FILE, QUIET_DB_SPL)
    return lasting(adc_readings(chain, room), QUIET_S, chain)


def demo_clips() -> Iterator[tuple[str, Recording]]:
    """Yield the demo clips by name."""
    for path in sorted(shipped_folder("audio_samples").glob("*.flac")):
        yield path.stem, read_recording(path, 94.0)


def open_recordings(folder: Path) -> Iterator[tuple[str, Recording]]:
    """Yield the recordings of a folder that last a second or more, long enough to be judged."""
    for path in sorted(folder.rglob("*.flac")):
        recording = read_recording(path, 94.0)
        if recording.duration_s >= 1.0:
            times = int(np.ceil(LEAST_S / recording.duration_s))
            yield path.stem, replace(recording, pressure_pa=np.tile(recording.pressure_pa, times))


def table_of(counts: list[Count], key: str, heading: str) -> str:
    """Return a Markdown table: one line for each value of a field, one column for each setting.

    A cell is the worst second, "without / with guard", and in how many of its runs it is above three without.
    """
    settings = list(dict.fromkeys(count.setting for count in counts))
    lines = [f"| {heading} | " + " | ".join(setting.name for setting in settings) + " |"]
    lines += ["|---" * (len(settings) + 1) + "|"]
    for value in dict.fromkeys(getattr(count, key) for count in counts):
        cells = [_cell([c for c in counts if getattr(c, key) == value and c.setting == s]) for s in settings]
        lines.append(f"| {value} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def _cell(counts: list[Count]) -> str:
    over = sum(count.free > FLASHES_ALLOWED_PER_S for count in counts)
    worst = f"{max(count.free for count in counts)} / {max(count.guarded for count in counts)}"
    return f"{worst} ({over} of {len(counts)})" if over else worst


def main() -> None:
    """Print the tables."""
    chain = read_design(sys.argv[1] if len(sys.argv) > 1 else demo_design())
    demos = list(counts_of(chain, demo_clips(), LEVELS_DB_SPL))
    print(
        "Flashes in the worst second, without / with the guard, and in how many runs without it over three."
    )
    print("\nDemo clips, worst level:\n\n" + table_of(demos, "recording", "clip"))
    print("\nDemo clips, by level:\n\n" + table_of(demos, "level_db_spl", "dB SPL"))
    counts = demos
    if folder := os.environ.get("ENVLAB_OPEN_RECORDINGS"):
        published = list(counts_of(chain, open_recordings(Path(folder)), LEVELS_DB_SPL))
        names = len({count.recording for count in published})
        print(f"\n{names} published recordings:\n\n" + table_of(published, "level_db_spl", "dB SPL"))
        counts = demos + published
    most = max(counts, key=lambda count: count.held_share)
    print(
        f"\nThe guard changed most in {most.recording} at {most.level_db_spl} dB SPL, {most.setting.name}: "
        f"{100 * most.held_share:.2f} % of the frames."
    )


if __name__ == "__main__":
    main()

"""How much memory an evening of music takes: a sweep of a thousand candidates, straight from the file.

    python tests/benchmarks/bench_streamed.py [--short 600] [--long 7200] [--candidates 1000] [--compare 120]

A file of each length (the mixed minute, over and over, FLAC at 48 kHz) is swept in a process of its own, all
figures of the clip; what grows from the short to the long one is the largest memory that the process ever had
(resident set). Before that, --compare seconds are swept twice, held in memory and streamed: every metric must
be the same to the last bit. Two hours take some minutes of processor time.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile

from envlab.analog.detector import PeakDetector
from envlab.chain import Chain
from envlab.metrics.metrics_of_clip import clip_columns
from envlab.sound.recording import read_recording
from envlab.sound.stream import Sound, SoundStream, open_sound
from envlab.study.specification.specification import demo_specification
from envlab.units import FloatArray

LEVEL_DB_SPL = 92.0
SEED = (1, 1, 0)


def candidates(count: int) -> list[Chain]:
    """Return the parade's board with so many detectors."""
    rng = np.random.default_rng(5)
    parts = 10 ** rng.uniform((2.7, -6.7, 4.5), (4.7, -5.3, 6.2), (count, 3))
    return [replace(demo_specification().chain, detector=PeakDetector(*row)) for row in parts]


def write_song(folder: Path, seconds: float) -> Path:
    """Write the mixed minute, over and over, and return the file."""
    minute = next(clip.path for clip in demo_specification().clips if clip.path.stem == "mixed_minute")
    samples, rate_hz = soundfile.read(minute)
    path = folder / f"song_{seconds:g}.flac"
    missing = round(seconds * rate_hz)
    with soundfile.SoundFile(path, "w", rate_hz, 1, "PCM_16") as file:
        while missing > 0:
            file.write(samples[:missing])
            missing -= samples.size
    return path


def swept(sound: Sound, count: int) -> dict[str, FloatArray]:
    chains = candidates(count)
    return clip_columns(sound, chains, [chain.brightness_table() for chain in chains], seed=SEED)


def sweep_here(path: Path, count: int) -> None:
    """Sweep a file in this process and print its largest memory, MB, wall and processor time, s."""
    began = time.perf_counter()
    sound = open_sound(path, LEVEL_DB_SPL, held_s=0)
    assert isinstance(sound, SoundStream)
    swept(sound, count)
    used = resource.getrusage(resource.RUSAGE_SELF)
    print(used.ru_maxrss / 1024, time.perf_counter() - began, used.ru_utime + used.ru_stime)


def sweep_apart(path: Path, count: int) -> tuple[float, float, float]:
    """The same in a process of its own."""
    command = [sys.executable, __file__, "--here", str(path), "--candidates", str(count)]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
    return float(said[0]), float(said[1]), float(said[2])


def compare(path: Path, count: int) -> None:
    """Print whether the sweep of a file is the same held and streamed."""
    held = swept(read_recording(path, LEVEL_DB_SPL), count)
    streamed = swept(open_sound(path, LEVEL_DB_SPL, held_s=0), count)
    same = all(np.array_equal(held[name], streamed[name]) for name in held)
    print(f"{path.name}: held and streamed, {len(held)} metrics of {count} candidates equal: {same}")
    if not same:
        raise SystemExit(1)


def main() -> None:
    """Print memory and time."""
    arguments = argparse.ArgumentParser(description="Memory of a streamed sweep.")
    arguments.add_argument("--short", type=float, default=600.0, help="seconds")
    arguments.add_argument("--long", type=float, default=7200.0, help="seconds")
    arguments.add_argument("--compare", type=float, default=120.0, help="seconds")
    arguments.add_argument("--candidates", type=int, default=1000)
    arguments.add_argument("--here", type=Path, help=argparse.SUPPRESS)
    asked = arguments.parse_args()
    if asked.here:
        sweep_here(asked.here, asked.candidates)
        return
    peaks = []
    with tempfile.TemporaryDirectory() as folder:
        compare(write_song(Path(folder), asked.compare), asked.candidates)
        for seconds in (asked.short, asked.long):
            path = write_song(Path(folder), seconds)
            peak_mb, wall_s, busy_s = sweep_apart(path, asked.candidates)
            took = f"{wall_s:.0f} s wall, {busy_s:.0f} s processor time"
            print(f"{seconds:g} s of music: largest memory {peak_mb:.0f} MB, {took}")
            peaks.append(peak_mb)
    print(f"grown by {peaks[1] - peaks[0]:.0f} MB")


if __name__ == "__main__":
    main()

"""How much memory a long night takes through the commands: design with its report, simulate, tolerance.

    python tests/benchmarks/bench_night.py [--seconds 120 600] [--formats flac mp3] [--designs parade]

Each command runs in a process of its own, on a clip of each length (the mixed minute over and over, both
channels a little apart, 48 kHz, FLAC of 16 bit or MP3). Printed is the largest memory that the process ever
had (resident set), its time, and what the memory grew by from the first length to the last; status 1 where
one takes more than --most MB. envlab itself is one process; with --pdf a browser prints the report, another
program: the largest sum over both is told beside it. Compiled loops must lie in the cache, as a first run
leaves them: a process that compiles all of them takes some 250 MB more. Two hours of design take a quarter of
an hour of processor time.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile
import tomlkit
from memory_of import Used, memory_of

from envlab.shipped import demo_design
from envlab.study.specification.specification import demo_specification

FORMATS = {
    "flac": {"format": "FLAC", "subtype": "PCM_16"},
    "mp3": {"format": "MP3", "subtype": "MPEG_LAYER_III"},
}
COMMANDS = {
    "design": ("--no-pdf", "--accept-misses", "--out"),
    "simulate": ("--out",),
    "tolerance": ("--boards", "40", "--out"),
}
OUT = {"design": "night", "simulate": "night.csv", "tolerance": "boards.csv"}
# Refused for flashes, or nothing to be judged: the command has done all its work.
DONE = (0, 3, 4)
SWEEP = {"detector": {"release_ohm": ["100k", "220k"], "hold_farad": ["1u", "2u2"]}}


def write_night(folder: Path, seconds: float, kind: str) -> Path:
    """Write the mixed minute, over and over, in stereo, and return the file."""
    minute = next(clip.path for clip in demo_specification().clips if clip.path.stem == "mixed_minute")
    samples, rate_hz = soundfile.read(minute)
    path, missing, turn = folder / f"night_{seconds:g}.{kind}", round(seconds * rate_hz), 0
    if path.exists():
        return path
    rng = np.random.default_rng(3)
    with soundfile.SoundFile(path, "w", rate_hz, 2, **FORMATS[kind]) as file:
        while missing > 0:
            right = np.roll(samples, 1 + 37 * (turn % 7))
            both = np.stack((0.9 * samples, 0.8 * right), axis=1)[:missing]
            file.write((both + rng.normal(0, 1e-4, both.shape)).clip(-1, 1))
            missing, turn = missing - len(both), turn + 1
    return path


def write_design(clip: Path, design: str) -> Path:
    """Write a design file of four candidates for a clip: of the parade's board, or of the usual parts."""
    text = demo_design().read_text(encoding="utf-8") if design == "parade" else ""
    asked = tomlkit.parse(text)
    asked["clips"] = [{"file": clip.name, "levels_db_spl": [92], "tags": ["beat"]}]
    asked["sweep"] = SWEEP
    if design == "defaults":
        asked["targets"] = {"flashes_per_s": {"at_most": 3, "scale": 1}}
        asked["tolerance"] = {"boards": 40}
    path = clip.with_name(f"{design}_{clip.stem}_{clip.suffix[1:]}.toml")
    path.write_text(tomlkit.dumps(asked), encoding="utf-8")
    return path


def used_by(command: str, design: Path, *, pdf: bool) -> Used:
    """Run a command on a design file; its memory and time."""
    options = [one for one in COMMANDS[command] if not (pdf and one == "--no-pdf")]
    words = [sys.executable, "-m", "envlab", command, str(design), *options, OUT[command], "--force"]
    used = memory_of(words)
    if used.status not in DONE:
        raise SystemExit(f"{' '.join(words)} ended with status {used.status}")
    return used


def told(used: Used) -> str:
    """Memory and time in words."""
    with_others = f" ({used.together_mb:.0f} MB with all that it started)" * (
        used.together_mb > used.alone_mb
    )
    took = f"{used.wall_s:.0f} s wall, {used.busy_s:.0f} s processor time"
    return f"largest memory {used.alone_mb:.0f} MB{with_others}, {took}"


def main() -> None:
    """Print memory and time."""
    arguments = argparse.ArgumentParser(description="Memory of a long night.")
    arguments.add_argument("--seconds", type=float, nargs="+", default=[120.0, 600.0])
    arguments.add_argument("--formats", nargs="+", choices=FORMATS, default=list(FORMATS))
    arguments.add_argument(
        "--designs", nargs="+", choices=("defaults", "parade"), default=["defaults", "parade"]
    )
    arguments.add_argument("--commands", nargs="+", choices=COMMANDS, default=list(COMMANDS))
    arguments.add_argument("--pdf", action="store_true", help="let a browser print the report as well")
    arguments.add_argument("--folder", type=Path, help="where the clips are kept, and found again")
    arguments.add_argument("--most", type=float, default=600.0, help="MB")
    asked = arguments.parse_args()
    largest = 0.0
    with contextlib.ExitStack() as stack:
        folder = asked.folder or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        folder.mkdir(parents=True, exist_ok=True)
        os.chdir(folder)
        for kind in asked.formats:
            clips = [write_night(Path.cwd(), seconds, kind) for seconds in asked.seconds]
            for design in asked.designs:
                files = [write_design(clip, design) for clip in clips]
                for command in asked.commands:
                    peaks_mb = []
                    for seconds, file in zip(asked.seconds, files, strict=True):
                        used = used_by(command, file, pdf=asked.pdf)
                        peaks_mb.append(used.alone_mb)
                        print(f"{command}, {design}, {kind}, {seconds:g} s: {told(used)}", flush=True)
                    grown_mb = peaks_mb[-1] - peaks_mb[0]
                    print(f"{command}, {design}, {kind}: grown by {grown_mb:.0f} MB", flush=True)
                    largest = max(largest, *peaks_mb)
    print(f"largest {largest:.0f} MB, asked {asked.most:.0f} MB at most")
    raise SystemExit(largest > asked.most)


if __name__ == "__main__":
    main()

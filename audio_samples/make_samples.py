"""Make the demo clips of the lantern parade, and SOURCES.md beside them.

    python make_samples.py                 write all clips and SOURCES.md beside this script
    python make_samples.py --check         make them in memory and compare with the files

All sound is synthetic: seeded noise, membrane modes, harmonics and formants; needs numpy, scipy, soundfile.
One seed per clip, so that one clip can change without the others. The same seed gives the same samples with
the same numpy; another numpy or mathematics library may round a sample or two differently.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import clips
import numpy as np
import soundfile
from numpy.typing import NDArray
from shaping import RATE_HZ, FloatArray

HERE = Path(__file__).resolve().parent
ROUNDING_LSB = 2


@dataclass(frozen=True)
class Clip:
    """One demo clip: file, tag, levels in dB SPL (Leq, unweighted) at which the demos use it, seed, maker."""

    name: str
    tag: str
    levels_db_spl: tuple[int, ...]
    seed: int
    make: Callable[[np.random.Generator], FloatArray]
    heard: str


CLIPS = (
    Clip(
        "drum_line",
        "beat",
        (72, 92, 104),
        2101,
        clips.make_drum_line,
        "Seven drummers in a street: deep drums on the beat at about 100 strokes a minute, middle drums "
        "lightly off the beat, rattle drums that fill in, two rolls, one bar of rest after its first stroke.",
    ),
    Clip(
        "brass_drone",
        "",
        (72, 92),
        2102,
        clips.make_brass_drone,
        "Five low brass players on a drone over 58 Hz, slightly out of tune with each other, who swell three "
        "times and breathe in turn.",
    ),
    Clip(
        "voices_bells",
        "quiet",
        (72,),
        2103,
        clips.make_voices_bells,
        "Six people singing vowels in octaves, four small hand bells about once a beat.",
    ),
    Clip(
        "quiet_room",
        "room",
        (38,),
        2104,
        clips.make_quiet_room,
        "A rehearsal room before anybody plays: air, a fan, soft talk at the far end, a cough next door, one "
        "step in the corridor.",
    ),
    Clip(
        "walking",
        "walking",
        (78,),
        2105,
        clips.make_walking,
        "The wearer walks through snow: footfall, a scarf that rubs over the microphone's port, gusts, the "
        "wearer's own voice, and four strokes on the wearer's own drum at the shoulder.",
    ),
    Clip(
        "mixed_minute",
        "beat",
        (92,),
        2106,
        clips.make_mixed_minute,
        "The parade passes: a murmuring crowd, drums that come nearer, singers and bells, brass, a halt, a "
        "long roll, the whole troupe, a last stroke, cheers.",
    ),
)


def samples_of(clip: Clip) -> NDArray[np.int16]:
    """The clip as 16-bit samples."""
    sound = clip.make(np.random.default_rng(clip.seed))
    return np.rint(sound * 32767).astype(np.int16)


def path_of(clip: Clip, folder: Path) -> Path:
    """Where the clip stands in `folder`."""
    return folder / f"{clip.name}.flac"


def write(clip: Clip, folder: Path) -> None:
    """Make one clip and write it."""
    soundfile.write(path_of(clip, folder), samples_of(clip), RATE_HZ, subtype="PCM_16", format="FLAC")


def largest_difference(clip: Clip, folder: Path) -> int:
    """Largest difference in LSB between the file and the clip made again; -1 if rate or length differ."""
    stored, rate_hz = soundfile.read(path_of(clip, folder), dtype="int16")
    made = samples_of(clip)
    if rate_hz != RATE_HZ or stored.shape != made.shape:
        return -1
    return int(np.max(np.abs(stored.astype(np.int32) - made.astype(np.int32))))


def sources(folder: Path) -> str:
    """The text of SOURCES.md for the files as they stand in `folder`."""
    lines = [
        "# Demo clips: where they come from",
        "",
        "Every clip is synthetic and ours: made by `make_samples.py` in this folder from seeded noise,",
        "membrane modes, harmonics and formants. No recording, no real person, no existing tune. You may use",
        "the clips as you like, under CC0 1.0 or under the MIT licence of this project, whichever suits you.",
        "",
        "The level is what the demos assume: Leq over the whole clip in dB SPL, unweighted. A file has no",
        "pascals; the level is given when it is read.",
        "",
        "| file | tag | level, dB SPL | length, s | rate, Hz | channels | bits | seed | SHA-256 of file |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for clip in CLIPS:
        path = path_of(clip, folder)
        info = soundfile.info(path)
        levels = " / ".join(str(level) for level in clip.levels_db_spl)
        lines.append(
            f"| {path.name} | {clip.tag or '-'} | {levels} | {info.frames / info.samplerate:.1f} "
            f"| {info.samplerate} | {info.channels} | 16 | {clip.seed} "
            f"| {hashlib.sha256(path.read_bytes()).hexdigest()} |"
        )
    lines += ["", "## What one hears", ""]
    lines += [f"- **{path_of(clip, folder).name}**: {clip.heard}" for clip in CLIPS]
    lines += [
        "",
        "`beat` marks music whose beat the lights should show, `quiet` soft music on which they should",
        "still be lit, `room` a place where nobody plays and they stay dark, `walking` sounds that are no",
        "music. At the wearer's shoulder those are louder than the singers, so that the parade's lights",
        "follow them too; what is asked is how bright they may get (`false_light_lstar`).",
        "",
    ]
    return "\n".join(lines)


def check(folder: Path) -> int:
    """Compare every clip with its file; print what differs; number of clips that do."""
    wrong = 0
    for clip in CLIPS:
        difference = largest_difference(clip, folder)
        if not 0 <= difference <= ROUNDING_LSB:
            wrong += 1
            print(f"{clip.name}: differs from its file ({difference} LSB, at most {ROUNDING_LSB} allowed)")
    return wrong


def main(arguments: Sequence[str] | None = None) -> int:
    """Write or check the clips; exit status."""
    parser = argparse.ArgumentParser(description="Make the demo clips of the lantern parade.")
    parser.add_argument("--check", action="store_true", help="compare with the files, write nothing")
    parser.add_argument("--only", choices=[clip.name for clip in CLIPS], help="write one clip only")
    parser.add_argument(
        "--out", type=Path, default=HERE, help="folder of the clips (default: beside this script)"
    )
    options = parser.parse_args(arguments)
    if options.check:
        return 1 if check(options.out) else 0
    for clip in CLIPS:
        if options.only in (None, clip.name):
            write(clip, options.out)
            print(f"{path_of(clip, options.out).name} written")
    (options.out / "SOURCES.md").write_text(sources(options.out), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())

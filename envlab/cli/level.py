"""Verbs for what the microphone will meet: level, span."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import TYPE_CHECKING

import click

from envlab.cli.group import main
from envlab.cli.options import design_argument, force_option, quiet_option, refuse_existing, stated_level
from envlab.cli.saying import note, say, say_lines
from envlab.errors import FileError, ParameterError
from envlab.sound.level_text import LARGEST_UNCERTAINTY_DB, StatedLevel, parse_level
from envlab.sound.metering.usual_levels import usual_levels_lines

if TYPE_CHECKING:
    from envlab.sound.clip import Clip
    from envlab.sound.metering.metered import MeteredLevel
    from envlab.sound.stream import Sound

_USUAL = "\n".join(f"  {line}" for line in usual_levels_lines())


# From here on the moving display is what makes the level doubtful, dB.
DISPLAY_DOUBT_DB = 2.0
CLIPPED_WORTH_A_WORD = 0.01
FIRMER = (
    "The display jumps too much on this music to be read: set the meter to Leq, or read its maximum (Fmax)."
)


def stated_time(ctx: click.Context, param: click.Parameter, value: str | None) -> float | None:
    """Return a time in s, written as 12 or 12s, as an option's callback."""
    from envlab.units import parse_value

    if value is None:
        return None
    try:
        return parse_value(value, "s")
    except ParameterError as problem:
        raise click.BadParameter(
            f"{problem.value!r} is not a time in seconds, as in 12s.", ctx, param
        ) from None


def stated_step(
    ctx: click.Context, param: click.Parameter, value: str | None
) -> tuple[StatedLevel, float] | None:
    """Return a level and the smallest step with which it is written, dB, as an option's callback."""
    level = stated_level(ctx, param, value)
    if level is None or value is None:
        return None
    digits = re.search(r"\.(\d+)", value)
    return level, 10.0 ** -len(digits[1]) if digits else 1.0


@main.command(
    short_help="Find a recording's level from what a meter showed.",
    epilog="\b\nExamples:\n  envlab level song.flac --shown 88.4dBA --from 12s --to 20s\n"
    "  envlab level song.flac --shown 91dBA --from 12s --to 20s --reading F \\\n"
    "      --meter phone\n"
    "  envlab level song.flac --shown 94 --meter calibrator --from 2s --to 8s \\\n"
    "      --measured-in tone.wav\n\n"
    "\b\nUsual levels, and what ears bear, where no meter is at hand (sources:\nenvlab/bibliography.py):\n"
    f"{_USUAL}",
)
@click.argument("recording", type=click.Path(path_type=Path))
@click.option(
    "--shown",
    callback=stated_step,
    metavar="DB",
    help="What the meter showed: 88.4dBA, as most meters read, 92dBC, 92dBZ. Without a letter A is taken.",
)
@click.option("--from", "from_s", callback=stated_time, metavar="S", help="Start of the stretch, s.")
@click.option("--to", "to_s", callback=stated_time, metavar="S", help="End of the stretch, s.")
@click.option(
    "--reading",
    type=click.Choice(["Leq", "F", "S", "Fmax", "Smax"]),
    default="Leq",
    show_default=True,
    help="What it was set to: Leq over the stretch, F or S as the eye reads it, or their maximum.",
)
@click.option(
    "--meter",
    type=click.Choice(["class 1", "class 2", "phone", "calibrator"]),
    default="class 2",
    show_default=True,
    help="What showed it: a meter by its class, a phone's own, or a calibrator's tone in the recording.",
)
@click.option(
    "--measured-in",
    type=click.Path(path_type=Path),
    help="The stretch lies in this recording, made by the same recorder at the same settings.",
)
@quiet_option
def level(
    recording: Path,
    shown: tuple[StatedLevel, float] | None,
    from_s: float | None,
    to_s: float | None,
    reading: str,
    meter: str,
    measured_in: Path | None,
) -> None:
    """Find how loud RECORDING is, from what a meter beside the recorder showed during a stretch of it.

    A file has no pascals, a meter does. Prints the level of the whole recording, not weighted (Leq), how sure
    it is with each cause of doubt, and the lines for a design file. Most meters read dB(A), which leaves out
    the bass: a drum line of 92 dB reads 82.4 dB(A). Also says what the recorder did to the sound: flat tops,
    limiter, automatic gain. Without --shown it says that, and what a meter set to A would show less.
    """
    from envlab.sound.metering.metered import MeterReading, metered_level
    from envlab.sound.recorder.findings import recorder_findings
    from envlab.sound.stream import open_unscaled

    sound = open_unscaled(recording)
    if shown is None:
        if (from_s, to_s, measured_in) != (None, None, None):
            raise FileError(
                "--from, --to, --measured-in are given without --shown; say what the meter showed"
            )
        _say_difference(recording, sound)
    else:
        if from_s is None or to_s is None:
            raise FileError("--shown is given without --from and --to; say when, as in --from 12s --to 20s")
        (shown_db_spl, weighting), step_db = shown
        read = MeterReading(shown_db_spl, from_s, to_s, weighting or "A", reading, meter, step_db)
        measured = None if measured_in is None else open_unscaled(measured_in)
        _say_level(recording, metered_level(sound, read, measured))
        if meter == "calibrator" and measured is None:
            note(
                "the calibrator's tone is part of the recording and counts in its level; cut it off, or keep "
                "it in a file of its own (--measured-in)"
            )
    say()
    for one in recorder_findings(sound):
        say(one.text)


def _say_difference(recording: Path, sound: Sound) -> None:
    """What can be said without any meter: no level, but how two ways to state it differ."""
    from envlab.sound.level import leq_of

    less_db = {kind: leq_of(sound, "Z") - leq_of(sound, kind) for kind in ("A", "C")}
    if not math.isfinite(less_db["A"]):
        raise FileError(f"{recording}: silent; nothing in it has a level")
    say(
        f"{recording.name}: no file says how loud it was; --shown, --from and --to find it from what a meter "
        f"showed. Of this recording a meter set to A shows {less_db['A']:.1f} dB less than its level without "
        f"weighting, one set to C {less_db['C']:.1f} dB less."
    )


def _say_level(recording: Path, found: MeteredLevel) -> None:
    from envlab.sound.metering.usual_levels import WORKDAY_H, hours_a_day

    say(
        f"{recording.name}: {found.level_db_spl:.1f} dB SPL over the whole recording, not weighted, "
        f"±{found.expanded_db:.1f} dB (k = 2: right 19 times in 20). With A it is {found.a_db_spl:.1f} dB(A)."
    )
    hours = hours_a_day(found.a_db_spl)
    if hours < WORKDAY_H:
        told = f"{hours:.1f} hours" if hours >= 2 else f"{60 * hours:.0f} minutes"
        say(f"Ears bear that for about {told} a day (NIOSH 98-126); protect them.")
    say()
    say_lines("standard uncertainty, dB")
    for term in found.terms:
        say_lines(f"  {term.standard_db:5.2f}  {term.name:<18}{term.why}")
    say_lines(f"  {found.standard_db:5.2f}  root sum of squares")
    say()
    if found.expanded_db > LARGEST_UNCERTAINTY_DB:
        say(
            f"That is too unsure to design for. {FIRMER}"
            if found.of("display") > found.standard_db / 2
            else "That is too unsure to design for; a better meter, or a longer stretch, would tell more."
        )
        return
    if found.of("display") > DISPLAY_DOUBT_DB:
        say(FIRMER)
        say()
    say_lines("\n".join(clip_lines(recording.name, found)))


def clip_lines(file: str, found: MeteredLevel) -> list[str]:
    """The section of a design file with the clip, its level and how sure that is."""
    return [
        "[[clips]]",
        f"file = {json.dumps(file, ensure_ascii=False)}",
        f"levels_db_spl = [{found.level_db_spl:.1f}]",
        f"level_uncertainty_db = {max(found.expanded_db, 0.1):.1f}",
    ]


def clip_at(ctx: click.Context, param: click.Parameter, value: str) -> tuple[Path, StatedLevel]:
    """Return file and level of "quiet.wav@60dBA", as an option's callback."""
    name, at, level_text = value.rpartition("@")
    if not at or not name:
        raise click.BadParameter(f"{value!r} is not a file and its level, as in quiet.wav@60.", ctx, param)
    try:
        return Path(name), parse_level(level_text)
    except ParameterError as problem:
        raise click.BadParameter(f"{problem.value!r} is not {problem.limit}.", ctx, param) from None


@main.command(
    short_help="Set floor and ceiling of the light from two clips.",
    epilog="\b\nExamples:\n  envlab span mine.toml --floor quiet.wav@60 --ceiling loud.flac@104\n"
    "  envlab span mine.toml --floor quiet.wav@52dBA --ceiling loud.flac@104 \\\n"
    "      --out mine-2.toml",
)
@design_argument
@click.option(
    "--floor",
    "soft",
    required=True,
    callback=clip_at,
    metavar="FILE@DB",
    help="On this the light stays dark.",
)
@click.option(
    "--ceiling", "loud", required=True, callback=clip_at, metavar="FILE@DB", help="This takes it to full."
)
@click.option("--out", type=click.Path(path_type=Path), help="Design file with both set, beside DESIGN.")
@force_option
@quiet_option
def span(
    design: Path | None,
    soft: tuple[Path, StatedLevel],
    loud: tuple[Path, StatedLevel],
    out: Path | None,
    force: bool,
) -> None:
    """Find floor_db_spl and ceiling_db_spl of DESIGN from two clips and their levels.

    Through the design's own envelope, frame by frame. The floor is 1 dB above what the envelope of the first
    clip exceeds in 5 % of its frames; the ceiling is what that of the second exceeds in 1 %. Both in dB SPL
    of a 1 kHz sine, in steps of 0.5 dB. Prints the lines for the design file; with --out writes the whole
    file, comments kept.
    """
    from envlab.design_file import with_parts
    from envlab.files.whole import write_whole
    from envlab.shipped import demo_design
    from envlab.study.span_from_clips import span_from_clips
    from envlab.study.specification.specification import read_specification

    source = design or demo_design()
    specification = read_specification(source)
    if out is not None:
        refuse_existing(out, force=force)
        if design is not None and out.resolve().parent != design.resolve().parent:
            raise FileError(f"{out}: must lie beside {design}, or its clips are not found")
    clips = [_clip(*asked, specification.judging.weighting) for asked in (soft, loud)]
    found = span_from_clips(specification.chain, clips[0], clips[1], seed=specification.judging.seed)
    say_lines(
        f"[brightness]\nfloor_db_spl = {found.floor_db_spl:.1f}\nceiling_db_spl = {found.ceiling_db_spl:.1f}"
    )
    say()
    say(
        f"{clips[0].label}: 5 % of its frames lie over {found.soft_counts:.1f} counts. {clips[1].label}: 1 % "
        f"lie over {found.loud_counts:.1f} counts."
    )
    if found.one_count:
        note("the soft clip stays under one count of this converter; the floor is that of one count")
    if found.clipped_share >= CLIPPED_WORTH_A_WORD:
        note(
            f"the loud clip drives a stage of this board to its limit for {100 * found.clipped_share:.0f} % "
            "of its time; with less gain its ceiling would lie higher"
        )
    if out is not None:
        values = {"floor_db_spl": found.floor_db_spl, "ceiling_db_spl": found.ceiling_db_spl}
        text = with_parts(
            source.read_text(encoding="utf-8"), {f"brightness.{key}": value for key, value in values.items()}
        )
        write_whole(out, text.encode())
        say(f"Both are set in {out}.")


def _clip(file: Path, level: StatedLevel, weighting: str) -> Clip:
    from envlab.shipped import shipped_folder
    from envlab.sound.clip import Clip

    demo = shipped_folder("audio_samples") / file
    level_db_spl, written = level
    return Clip(
        demo if not file.exists() and demo.is_file() else file, level_db_spl, (), written or weighting
    )

"""Options that verbs share, and the specification that they ask for."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from envlab.cli.saying import remember_quiet
from envlab.errors import FileError, ParameterError
from envlab.shipped import DEMOS
from envlab.sound.level_text import StatedLevel, parse_level

if TYPE_CHECKING:
    from envlab.study.specification.specification import Specification

Command = TypeVar("Command", bound=Callable[..., Any])
# Where click keeps the name of a demo until the argument DESIGN is read.
_DEMO = "envlab.demo"


def stated_level(ctx: click.Context, param: click.Parameter, value: str | None) -> StatedLevel | None:
    """Return the level in dB SPL of an option, and the weighting written with it, as an option's callback."""
    if value is None:
        return None
    try:
        return parse_level(value)
    except ParameterError as problem:
        raise click.BadParameter(f"{problem.value!r} is not {problem.limit}.", ctx, param) from None


def stated_value(unit: str) -> Callable[[click.Context, click.Parameter, str | None], float | None]:
    """Return an option's callback that reads a value as it is written on the part, SI."""

    def read(ctx: click.Context, param: click.Parameter, value: str | None) -> float | None:
        from envlab.units import parse_value

        if value is None:
            return None
        try:
            return parse_value(value, unit)
        except ParameterError as problem:
            raise click.BadParameter(f"{problem.value!r} is not {problem.limit}.", ctx, param) from None

    return read


def _demo_named(ctx: click.Context, param: click.Parameter, value: str | None) -> None:
    """Keep the name of a demo for the argument DESIGN, as an option's callback."""
    del param
    ctx.meta[_DEMO] = value


def _design_or_demo(ctx: click.Context, param: click.Parameter, value: Path | None) -> Path | None:
    """Return the design file that is named, itself or as a demo, as an argument's callback."""
    from envlab.shipped import demo_design

    del param
    demo = ctx.meta.get(_DEMO)
    if demo is None:
        return value
    if value is not None:
        raise click.UsageError(f"--demo {demo} and the design {value} are both given; name one of them.", ctx)
    return demo_design(demo)


def design_argument(command: Command) -> Command:
    """Give a verb the argument DESIGN, and the option that names a demo in its place."""
    named = click.option(
        "--demo",
        type=click.Choice(DEMOS),
        is_eager=True,
        expose_value=False,
        callback=_demo_named,
        help=f"A design that comes along, in place of DESIGN.  [default: {DEMOS[0]}]",
    )
    design = click.argument(
        "design", required=False, type=click.Path(path_type=Path), callback=_design_or_demo
    )
    return design(named(command))


force_option = click.option("--force", is_flag=True, help="Replace results that are there already.")
quiet_option = click.option(
    "--quiet",
    is_flag=True,
    expose_value=False,
    callback=remember_quiet,
    help="Say nothing but errors: no progress, no notes.",
)
clip_option = click.option(
    "--clip", type=click.Path(path_type=Path), help="A recording: WAV, FLAC, OGG or MP3."
)
level_option = click.option(
    "--level",
    "level",
    callback=stated_level,
    metavar="DB",
    help="How loud the clip is where the microphone hangs: Leq in dB SPL, not weighted; 92dBA if the meter "
    "was set to A, as most are, 92dBC for C. envlab level finds it.",
)

sensitivity_option = click.option(
    "--sensitivity",
    type=click.Choice(["none", "steps", "automatic"]),
    help="What moves floor and ceiling in the field: nothing, a button in 3 dB steps, or the music.  "
    "[default: the design's]",
)
accept_option = click.option(
    "--accept-misses",
    is_flag=True,
    help="Export what breaks a target all the same, with its numbers; too many flashes only if the guard "
    "holds them.",
)


def asked_specification(
    design: Path | None,
    clip: Path | None = None,
    level: StatedLevel | None = None,
    *,
    most: int | None = None,
) -> Specification:
    """Return the specification of a design file (the parade's without one).

    With a clip in place of its own.
    """
    from envlab.shipped import demo_design
    from envlab.study.specification.ranges import MOST_CANDIDATES
    from envlab.study.specification.specification import read_specification

    most = MOST_CANDIDATES if most is None else most
    if clip is None and level is not None:
        raise FileError("--level is given without --clip; levels of the design's own clips stand in its file")
    if clip is not None and level is None:
        raise FileError("--clip is given without --level; say how loud it is meant to be, as in --level 95")
    if clip is None or level is None:
        specification = read_specification(design or demo_design(), most=most)
        if not specification.clips:
            raise FileError(f"{specification.name}: has no clips; give one with --clip and --level")
        return specification
    if not clip.is_file():
        raise FileError(f"{clip}: no such file")
    return read_specification(design or demo_design(), most=most, clips=()).with_clip(clip, *level)


def refuse_existing(out: Path, *, force: bool) -> None:
    """Raise FileError, before any work, if a result file is there already or cannot come to be."""
    if out.exists() and not force:
        raise FileError(f"{out}: exists already; give --force to replace it, or another --out")
    if out.is_dir():
        raise FileError(f"{out}: is a folder; this result is one file")
    if not out.parent.is_dir():
        raise FileError(f"{out}: cannot be written: there is no folder {out.parent}")
    if not os.access(out.parent, os.W_OK):
        raise FileError(f"{out}: cannot be written: the folder {out.parent} is not yours to write to")

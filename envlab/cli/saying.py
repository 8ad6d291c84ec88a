"""What the command says, and how: quiet when asked, coloured on terminals only, 80 columns wide."""

from __future__ import annotations

import math
import os
import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from typing import TYPE_CHECKING

import click

from envlab.study.sentences import of_kind, texts
from envlab.units import NO_BREAK, keep_together

if TYPE_CHECKING:
    from envlab.study.colour_verdict import ColourVerdict
    from envlab.study.power.power_verdict import PowerVerdict
    from envlab.study.power.rows import AskedRow

MOST_WIDE, LEAST_WIDE = 79, 40
_QUIET = "asked to be quiet"


def remember_quiet(ctx: click.Context, param: click.Parameter, value: bool) -> bool:
    """Keep --quiet for the whole run of the command, as a callback of the option."""
    del param
    ctx.meta[_QUIET] = value
    return value


def is_quiet(ctx: click.Context | None = None) -> bool:
    """Return whether the running command was given --quiet; ctx: its context, where this thread has none."""
    running = ctx or click.get_current_context(silent=True)
    return bool(running and running.meta.get(_QUIET, False))


def counted(count: int, what: str) -> str:
    """As in "1 clip", "9 clips"."""
    return f"{count} {what}{'s' * (count != 1)}"


def paint(text: str, **style: object) -> str:
    """Return text in a style, or plain where NO_COLOR is set; on anything but a terminal click strips it."""
    return text if os.environ.get("NO_COLOR") else click.style(text, **style)  # type: ignore[arg-type]


def say(text: str = "") -> None:
    """Print a paragraph, wrapped, on standard output, unless the command is quiet."""
    if not is_quiet():
        click.echo(_wrapped(text))


def say_meanwhile(text: str) -> None:
    """Print a paragraph that is no result, wrapped, on standard error, unless the command is quiet."""
    if not is_quiet():
        click.echo(_wrapped(text), err=True)


def say_lines(lines: str) -> None:
    """Print lines as they are, a table for instance, unless the command is quiet."""
    if not is_quiet():
        click.echo(lines)


def note(text: str, ctx: click.Context | None = None) -> None:
    """Print a caution on standard error, unless the command is quiet; ctx as for is_quiet."""
    if not is_quiet(ctx):
        click.echo(_wrapped(f"Note: {text}").replace("Note:", paint("Note:", fg="yellow"), 1), err=True)


def _wrapped(text: str) -> str:
    """Lines no wider than a narrow terminal, nor than 80 columns; no number parts from its unit."""
    width = max(LEAST_WIDE, min(MOST_WIDE, shutil.get_terminal_size().columns - 1))
    lines = click.wrap_text(keep_together(text), width=width, subsequent_indent="  ")
    return lines.replace(NO_BREAK, " ")


@contextmanager
def progress() -> Iterator[Callable[[str, float], None]]:
    """A progress line with time left, on a terminal, gone when all is done; elsewhere nothing moves.

    What it yields takes what is being done and the share of it that is done, 0 to 1, or NaN where nobody
    knows. A share that falls begins something new, whose time left does not lean on what went before.
    """
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    console = Console(stderr=True)
    console.quiet = is_quiet() or not console.is_terminal
    columns = (TextColumn("{task.description:<24.24}"), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("Starting", total=1.0, start=False)
        last, doing = math.nan, "Starting"

        def compiling(name: str | None) -> None:
            now = doing if name is None else f"Compiling {name.replace('_', ' ')}"
            bar.update(task, description=now)

        def report(what: str, share: float) -> None:
            nonlocal last, doing
            doing = what
            if math.isnan(share):
                bar.reset(task, start=False, description=what)
            elif not share >= last:
                bar.reset(task, description=what)
            bar.update(task, description=what, completed=0.0 if math.isnan(share) else share)
            last = share

        with nullcontext() if console.quiet else _compiling_told(compiling):
            yield report


def _compiling_told(tell: Callable[[str | None], None]) -> AbstractContextManager[None]:
    # Loads numba, which the command's help does without.
    from envlab.files.compiling import compiling_told

    return compiling_told(tell)


def say_power(verdict: PowerVerdict) -> None:
    """Say row by row what feeds a board, then what is not kept, and what was taken for what is not stated."""
    _say_rows("What feeds it", verdict.rows)
    for row in verdict.missed:
        say(paint(" ".join(texts(verdict.about(row))), fg="red"))
    for sentence in of_kind(verdict.sentences, "power_layout", "power_assumed"):
        say(sentence.text)


def say_colour(verdict: ColourVerdict) -> None:
    """Say row by row what a board's colour does, then what follows."""
    _say_rows("The colour", verdict.rows)
    for sentence in verdict.sentences:
        broken = sentence.kind in ("colour_red", "colour_relief") and not verdict.keeps
        say(paint(sentence.text, fg="red") if broken else sentence.text)


def say_verdicts(power: PowerVerdict, colour: ColourVerdict | None) -> None:
    """Say both, with a line between them; of a board without a colour the first alone."""
    say_power(power)
    if colour is not None:
        say()
        say_colour(colour)


def _say_rows(title: str, rows: Sequence[AskedRow]) -> None:
    table = [
        (title, "this design", "asked", ""),
        *((one.name, one.value, one.asked, one.verdict) for one in rows),
    ]
    widths = [max(len(line[column]) for line in table) for column in range(3)]
    lines = [
        "  ".join((*(cell.ljust(width) for cell, width in zip(line, widths, strict=False)), line[3])).rstrip()
        for line in table
    ]
    say_lines("\n".join(lines))

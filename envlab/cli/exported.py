"""What the verbs do with the judgement of the exported firmware: say it, and refuse what breaks a target."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from envlab.cli.group import FLASHING_EXIT, REFUSED_EXIT
from envlab.cli.saying import paint, say, say_lines

if TYPE_CHECKING:
    from envlab.study.exported.judgement import ExportedJudgement, SettingResult
    from envlab.study.sentences import Sentence


def exit_of_refusal(judgement: ExportedJudgement, sensitivity: str, *, guard: bool, accept: bool) -> int:
    """Return the exit status with which an export is refused: 0 if it is not.

    accept: misses are accepted. Too many flashes are so only if the guard, on, brings them down.
    """
    if not judgement.keeps_flash_limit(sensitivity):
        held = guard and judgement.keeps_flash_limit(sensitivity, guard=True)
        return 0 if accept and held else FLASHING_EXIT
    return 0 if accept or judgement.keeps_all(sensitivity) else REFUSED_EXIT


def say_sentences(said: tuple[Sentence, ...]) -> None:
    """Say what was judged, what is broken in red."""
    for one in said:
        say(paint(one.text, fg="red") if one.kind == "broken" else one.text)


def say_results(results: tuple[SettingResult, ...]) -> None:
    """Say what each setting showed, as a table."""
    from envlab.study.exported.words import HEADINGS, table_lines

    rows = (HEADINGS, *table_lines(results))
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEADINGS))]
    say_lines(
        "\n".join(
            "  ".join((row[0].ljust(widths[0]), *map(str.rjust, row[1:], widths[1:]))).rstrip()
            for row in rows
        )
    )


def refuse(status: int, what: str, *, guard: bool) -> None:
    """End with a status, after one line on what was left out and what would bring it; 0: go on."""
    if status == 0:
        return
    way = "--accept-misses exports it with these numbers"
    if status == FLASHING_EXIT:
        way += ", if the flash guard holds the flashes" if guard else ': only with guard = "on"'
    click.echo(f"{paint('Error:', fg='red', bold=True)} {what}: a target is broken; {way}", err=True)
    raise click.exceptions.Exit(status)

"""What is said on the terminal of what feeds a board, and of its colour: rows, then what is not kept."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from envlab.cli.saying import paint, say, say_lines
from envlab.study.sentences import of_kind, texts

if TYPE_CHECKING:
    from envlab.study.colour_verdict import ColourVerdict
    from envlab.study.power.power_verdict import PowerVerdict
    from envlab.study.power.rows import AskedRow


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

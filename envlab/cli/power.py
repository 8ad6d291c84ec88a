"""What is said on the terminal of what feeds a board."""

from __future__ import annotations

from typing import TYPE_CHECKING

from envlab.cli.saying import paint, say, say_lines
from envlab.study.sentences import of_kind, texts

if TYPE_CHECKING:
    from envlab.study.power.power_verdict import PowerVerdict


def say_power(verdict: PowerVerdict) -> None:
    """Say row by row what feeds a board, then what is not kept, and what was taken for what is not stated."""
    lines = [(row.name, row.value, row.asked, row.verdict) for row in verdict.rows]
    table = [("What feeds it", "this design", "asked", ""), *lines]
    widths = [max(len(line[column]) for line in table) for column in range(3)]
    say_lines(
        "\n".join(
            "  ".join(
                (*(cell.ljust(width) for cell, width in zip(line, widths, strict=False)), line[3])
            ).rstrip()
            for line in table
        )
    )
    for row in verdict.missed:
        say(paint(" ".join(texts(verdict.about(row))), fg="red"))
    for sentence in of_kind(verdict.sentences, "power_assumed"):
        say(sentence.text)

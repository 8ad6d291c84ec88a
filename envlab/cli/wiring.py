"""Verbs for the moment before lights and microphone share a supply: feedback, supply."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from envlab.cli.group import main
from envlab.cli.options import asked_specification, design_argument, quiet_option, stated_value
from envlab.cli.saying import say

if TYPE_CHECKING:
    from envlab.light.power.cells import Cells
    from envlab.light.power.pulses import Pulses
    from envlab.study.sentences import Sentence


@main.command(
    short_help="Say whether the lights disturb the microphone.",
    epilog="\b\nExamples:\n  envlab feedback my-night/design.toml\n"
    "  envlab feedback mine.toml --ground-ohm 20m --decoupling-farad 47u",
)
@design_argument
@click.option(
    "--rail-ohm",
    callback=stated_value("ohm"),
    metavar="OHM",
    help="Of supply and wires that pixels and microphone share.  [default: 50m]",
)
@click.option(
    "--rail-rejection-db", type=float, metavar="DB", help="Of the regulator between.  [default: 40]"
)
@click.option(
    "--decoupling-ohm",
    callback=stated_value("ohm"),
    metavar="OHM",
    help="Before the microphone.  [default: 100]",
)
@click.option(
    "--decoupling-farad",
    callback=stated_value("F"),
    metavar="F",
    help="Behind it, to ground.  [default: 10u]",
)
@click.option(
    "--microphone-rejection-db",
    type=float,
    metavar="DB",
    help="How much less of its supply than of "
    "its signal the microphone hands on.  [default: 0, a two-wire electret]",
)
@click.option(
    "--ground-ohm",
    callback=stated_value("ohm"),
    metavar="OHM",
    help="Ground wire that pixels and microphone share.  [default: 0]",
)
@click.option("--pwm-hz", type=float, metavar="HZ", help="At which the pixels switch.  [default: 400]")
@quiet_option
def feedback(design: Path | None, **stated: float | None) -> None:
    """Say how much of the lights' current comes back through the microphone of DESIGN.

    Pixels and microphone share a supply and a ground. What the current does to them stands in the signal
    and lights up again: at a loop gain of 1 a light keeps itself alight. Under one half is asked. Says what
    of it comes over the rail and what over the ground, what is left after a knock, and which capacitor or
    which ground would mend it. The wiring's values are guesses until the board is there: measure them, and
    state them.
    """
    from envlab.design_file import read_design
    from envlab.light.power.coupling import coupling_at
    from envlab.shipped import demo_design
    from envlab.study.feedback_verdict import judge_feedback

    chain = read_design(design or demo_design())
    wired = coupling_at(chain.coupling, chain.pixels)
    coupling = replace(wired, **{name: value for name, value in stated.items() if value is not None})
    for sentence in judge_feedback(chain, coupling).sentences:
        say(sentence.text)


@main.command(
    short_help="Say whether the supply feeds the pixels' pulses, and for how long.",
    epilog="\b\nExamples:\n  envlab supply my-night/design.toml --pwm-hz 19200\n"
    "  envlab supply mine.toml --pwm-hz 400 --phases 3 --bulk-farad 4m7\n"
    "  envlab supply mine.toml --cell-ohm 40m --temperature-c -5",
)
@design_argument
@click.option(
    "--pwm-hz",
    type=float,
    metavar="HZ",
    help="At which the pixels switch, by data sheet.  [default: 400, or what DESIGN states]",
)
@click.option(
    "--phases",
    type=int,
    metavar="N",
    help="Groups that begin one after the other.  [default: 1, all together, or what DESIGN states]",
)
@click.option(
    "--bulk-farad",
    callback=stated_value("F"),
    metavar="F",
    help="Of the capacitor where the pixels are fed.  [default: DESIGN's, or else the parts list's]",
)
@click.option(
    "--droop-v", type=float, metavar="V", help="By how much the rail may fall.  [default: a twentieth]"
)
@click.option(
    "--cell-ohm",
    callback=stated_value("ohm"),
    metavar="OHM",
    help="Inside resistance of a cell, by data sheet: then how long the pack lasts is said, too.",
)
@click.option("--capacity-ah", type=float, metavar="AH", help="Of a cell.  [default: 3]")
@click.option("--cells", type=int, metavar="N", help="In series.  [default: 2]")
@click.option("--temperature-c", type=float, metavar="C", help="Of the cells.  [default: 25]")
@click.option(
    "--hours", is_flag=True, help="Say how long the pack of DESIGN lasts, with what its [pack] states."
)
@quiet_option
def supply(
    design: Path | None,
    pwm_hz: float | None,
    phases: int | None,
    bulk_farad: float | None,
    droop_v: float | None,
    temperature_c: float | None,
    hours: bool,
    **cells: float | None,
) -> None:
    """Say what the pixels of DESIGN ask of converter, bulk capacitor, wires and pack.

    The table keeps the mean current under the supply's limit, less its margin. Pixels switch: where all begin
    together, all of them are at full for a part of each period and dark for the rest. Says how high and how
    long these pulses are, by how much the rail falls at the largest duty, what trips a converter, and what
    would do: a larger capacitor, a faster PWM, groups that begin one after the other, a smaller duty. Then
    what the wires leave the last pixel. With --hours, or any of a cell's values, also how long the pack feeds
    the board on the design's clips, the lowest rail on their loudest beat, and whether the controller resets.
    """
    from envlab.design_file import read_design
    from envlab.light.power.cells import cells_of
    from envlab.light.power.pulses import pulses_of
    from envlab.shipped import demo_design
    from envlab.study.power.feed_verdict import judge_feed
    from envlab.study.supply_verdict import judge_supply

    stated = {"pwm_hz": pwm_hz, "phases": phases}
    chain = read_design(design or demo_design())
    given = {name: value for name, value in stated.items() if value is not None}
    pulses = replace(pulses_of(chain.pixels), **given)  # type: ignore[arg-type]
    verdict = judge_supply(chain, pulses, bulk=bulk_farad, asked_v=droop_v)
    rail_v = max(0.1, verdict.volts - verdict.droop_v)
    said = [*verdict.sentences, *judge_feed(chain, rail_v, pulses).sentences]
    of_cell = {name: value for name, value in cells.items() if value is not None}
    if of_cell or hours or temperature_c is not None:
        celsius = 25.0 if temperature_c is None else temperature_c
        asked_cells = cells_of(replace(chain.pack, **of_cell))  # type: ignore[arg-type]
        said += _pack_sentences(design, asked_cells, celsius, pulses, bulk_farad)
    for sentence in said:
        say(sentence.text)


def _pack_sentences(
    design: Path | None, cells: Cells, celsius: float, pulses: Pulses, farad: float | None
) -> tuple[Sentence, ...]:
    """What a pack of cells gives on the design's clips."""
    from envlab.study.pack_verdict import judge_pack

    asked = asked_specification(design)
    board = asked.chain
    if farad is not None:
        board = replace(board, supply=replace(board.supply, bulk_farad=farad))
    return judge_pack(asked, board, cells, celsius, pulses=pulses).sentences

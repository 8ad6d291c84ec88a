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
    short_help="Say whether the supply feeds the pixels' pulses.",
    epilog="\b\nExamples:\n  envlab supply my-night/design.toml --pwm-hz 19200\n"
    "  envlab supply mine.toml --pwm-hz 400 --phases 3 --bulk-farad 4m7",
)
@design_argument
@click.option(
    "--pwm-hz", type=float, metavar="HZ", help="At which the pixels switch, by data sheet.  [default: 400]"
)
@click.option(
    "--phases",
    type=int,
    metavar="N",
    help="Groups that begin one after the other.  [default: 1, all together]",
)
@click.option(
    "--bulk-farad",
    callback=stated_value("F"),
    metavar="F",
    help="Of the capacitor where the pixels are fed.  [default: the parts list's]",
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
@quiet_option
def supply(
    design: Path | None,
    pwm_hz: float | None,
    phases: int | None,
    bulk_farad: float | None,
    **cells: float | None,
) -> None:
    """Say what the pixels of DESIGN ask of converter and bulk capacitor, pulse by pulse.

    The table keeps the mean current under the supply's limit. Pixels switch: where all begin together, all of
    them are at full for a part of each period and dark for the rest. Says how high and how long these pulses
    are, by how much the rail falls at the largest duty, and what would do: a larger capacitor, a faster PWM,
    groups that begin one after the other, a smaller duty. With --cell-ohm also how long a pack of cells feeds
    the board on the design's clips, and where their loudest beat stops it.
    """
    from envlab.design_file import read_design
    from envlab.light.power.pulses import Pulses
    from envlab.shipped import demo_design
    from envlab.study.supply_verdict import judge_supply

    stated = {"pwm_hz": pwm_hz, "phases": phases}
    pulses = Pulses(**{name: value for name, value in stated.items() if value is not None})  # type: ignore[arg-type]
    chain = read_design(design or demo_design())
    said = list(judge_supply(chain, pulses, bulk=bulk_farad).sentences)
    given = {name: value for name, value in cells.items() if value is not None}
    if given:
        said += _pack_sentences(design, given)
    for sentence in said:
        say(sentence.text)


def _pack_sentences(design: Path | None, given: dict[str, float]) -> tuple[Sentence, ...]:
    """What a pack of cells gives on the design's clips; their resistance must be among what is given."""
    from envlab.errors import ParameterError
    from envlab.light.power.battery import Pack
    from envlab.light.power.cells import Cells
    from envlab.study.pack_verdict import judge_pack

    if "cell_ohm" not in given:
        limit = "stated where hours are asked; it stands in the cell's data sheet, 20 to 100 mΩ for many"
        raise ParameterError("cell_ohm", None, limit)
    counted = {name: given[name] for name in ("capacity_ah", "cells") if name in given}
    cells = Cells(given["cell_ohm"], Pack(**counted))  # type: ignore[arg-type]
    asked = asked_specification(design)
    return judge_pack(asked, asked.chain, cells, given.get("temperature_c", 25.0)).sentences

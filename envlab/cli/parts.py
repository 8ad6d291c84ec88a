"""The verb for those who know how the light should move, but not which parts do it: parts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from envlab.cli.group import main
from envlab.cli.options import quiet_option
from envlab.cli.saying import say, say_lines

if TYPE_CHECKING:
    from envlab.study.inverse_design import Found, Wanted


@main.command(
    short_help="Find attack, hold and release parts for wanted times.",
    epilog="\b\nExamples:\n  envlab parts --attack 10 --release 300\n"
    "  envlab parts --attack 20 --release 500 --ripple 0.5 --wave half",
)
@click.option("--attack", "attack_ms", type=float, required=True, metavar="MS", help="Burst to 90 %, ms.")
@click.option("--release", "release_ms", type=float, required=True, metavar="MS", help="Its end to 10 %, ms.")
@click.option("--ripple", "ripple_db", type=float, metavar="DB", help="Most ripple at 60 Hz, dB.")
@click.option(
    "--wave", type=click.Choice(["full", "half"]), default="full", show_default=True, help="Of the rectifier."
)
@click.option("--resistors", default="E24", show_default=True, help="E series that the resistors come from.")
@click.option("--capacitors", default="E6", show_default=True, help="E series that the capacitor comes from.")
@quiet_option
def parts(
    attack_ms: float, release_ms: float, ripple_db: float | None, wave: str, resistors: str, capacitors: str
) -> None:
    """Find purchasable parts of a peak detector for the attack and release that you want.

    Through the simulated detector behind a precision rectifier, not through R·C: 2.2·R·C is not the attack
    time. Attack is that of a 1 kHz burst out of silence, to 90 % of where it settles; release from its end to
    10 %. Ripple, at 60 Hz, is a limit: where it asks for more, both times grow together. Prints the parts,
    what they really give, and the lines for a design file.
    """
    from envlab.analog.rectifiers.ideal import Rectifier
    from envlab.study.inverse_design import Wanted, parts_for

    wanted = Wanted(attack_ms, release_ms, ripple_db)
    found = parts_for(wanted, Rectifier(kind=wave), resistors=resistors, capacitors=capacitors)
    say_lines("\n".join(design_lines(found)))
    say()
    for line in words_of(found, wanted):
        say(line)


def design_lines(found: Found) -> list[str]:
    """The section of a design file with the parts that can be bought."""
    from envlab.units import format_value

    bought = found.bought
    return [
        "[detector]",
        'kind = "peak"',
        f'attack_ohm = "{format_value(bought.attack_ohm, "ohm")}"',
        f'hold_farad = "{format_value(bought.hold_farad, "F")}"',
        f'release_ohm = "{format_value(bought.release_ohm, "ohm")}"',
    ]


def words_of(found: Found, wanted: Wanted) -> list[str]:
    """What these parts give, and what the ripple limit has cost."""
    gives = found.gives
    lines = [
        f"They give an attack of {1e3 * gives.attack_s:.3g} ms and a release of {1e3 * gives.release_s:.3g} "
        f"ms at 1 kHz, and {found.gives_60hz.ripple_db:.2g} dB of ripple at 60 Hz."
    ]
    if wanted.ripple_db is not None and not found.ripple_met:
        lines.append(f"No set nearby keeps the ripple within {wanted.ripple_db:g} dB.")
    if found.miss_percent >= 0.5:
        aims = "of the times that you asked for"
        lines.append(f"The worse {aims} is missed by {found.miss_percent:.0f} %.")
    rule_ms = 2.2e3 * found.bought.attack_ohm * found.bought.hold_farad
    lines.append(f"(2.2·R·C of the attack would be {rule_ms:.3g} ms.)")
    return lines

"""What feeds the board, as far as it is known, and what is to be tried or stated where it is not."""

from __future__ import annotations

import math

from envlab.chain import Chain
from envlab.circuit.supplies import bulk_farad
from envlab.light.pixels import idle_current_a
from envlab.light.power.battery import Pack, battery_hours, supply_power_w
from envlab.study.sentences import Sentence
from envlab.study.sweep.choice import Choice
from envlab.units import format_value

# Energy of a power bank of which the running time is told: a design file has no capacity.
TOLD_WH = 10.0
COLD_C, WARM_C = 0.0, 25.0
_TOLD = Pack(cells=1, capacity_ah=TOLD_WH / Pack().cell_v)


def bank_sentences(chain: Chain) -> list[Sentence]:
    """Return what no model here says of a power bank, and how to find out; nothing for cells."""
    if not chain.supply.is_power_bank:
        return []
    farad, idle_a = bulk_farad(chain.supply, chain.pixels), idle_current_a(chain.pixels)
    text = (
        "Two things of a power bank are not judged; try them before the night. Does it start with C30 "
        f"({format_value(farad, 'F')}) empty? It may take that for a short. Does it stay on for a quarter of "
        f"an hour of darkness, at {idle_a:.2g} A and what the controller takes? Many switch off at so little "
        "(common practice, no source)."
    )
    return [Sentence("not judged", text, {"bulk_farad": farad, "idle_a": idle_a})]


def feed_sentences(choice: Choice) -> list[Sentence]:
    """Return how long the pack lasts for what it holds, and what no current here allows for."""
    return [_running_time(choice), _not_counted(choice.chain)]


def _running_time(choice: Choice) -> Sentence:
    """Hours of the cells that are listed; of a power bank, of which no capacity is known, for TOLD_WH."""
    supply, mean_a = choice.chain.supply, float(choice.row["supply_mean_a"])
    if math.isnan(mean_a) or mean_a <= 0:
        text = "How long it lasts is not judged: no clip shows what is drawn."
        return Sentence("running time", text, {"supply_mean_a": mean_a})
    pack = _TOLD if supply.is_power_bank else choice.chain.pack
    power_w = supply_power_w(mean_a, supply)
    warm_h, cold_h = (battery_hours(power_w, pack, at_c) for at_c in (WARM_C, COLD_C))
    many = "cell" if pack.cells == 1 else "cells in series"
    held = f"{pack.cells} {many} of {pack.capacity_ah:g} Ah, as listed, last"
    asked, yours = "", "envlab supply"
    if supply.is_power_bank:
        yours = "Notebook 03"
        held = f"each {TOLD_WH:g} Wh of it last"
        asked = (
            "How long the power bank lasts is not judged, for a design file states no capacity; "
            f"{pack.capacity_ah:.2g} Ah at {pack.cell_v:g} V are {TOLD_WH:g} Wh. "
        )
    text = (
        f"{asked}On the clip that takes most, pixels and controller draw {mean_a:.2g} A in the mean, "
        f"{power_w:.2g} W out of the cells: {held} {warm_h:.2g} h at {WARM_C:g} °C and {cold_h:.2g} h at "
        f"{COLD_C:g} °C, {100 * pack.usable_share:.0f} % of them used (common practice, no source). {yours} "
        "takes the capacity of yours."
    )
    behind = {"supply_mean_a": mean_a, "power_w": power_w, "warm_h": warm_h, "cold_h": cold_h}
    return Sentence("running time", text, behind)


def _not_counted(chain: Chain) -> Sentence:
    what = (
        "fuse, its holder, plugs and wires drop"
        if chain.supply.is_power_bank
        else "plugs and wires between converter and pixels drop"
    )
    text = (
        f"Not counted in these currents: what {what}. Measure at the last pixel with all at full: it is fed "
        f"with less than the {chain.supply.volts:g} V that are counted with."
    )
    return Sentence("not counted", text, {"volts": chain.supply.volts})

"""How long a pack of cells feeds a board on its clips, and where the loudest beat stops it.

The clips are taken as the night: their mean current flows all the time, their loudest frame comes whenever it
likes. Only what the pixels take is counted.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from envlab.chain import Chain
from envlab.errors import ParameterError
from envlab.light.power.battery import supply_power_w
from envlab.light.power.cells import Cells, cell_v, charge_at_the_end, hours_until_the_end
from envlab.study.chosen_on_clips import light_on_clips
from envlab.study.sentences import Sentence
from envlab.study.specification.specification import Specification


@dataclass(frozen=True)
class PackVerdict:
    """What a pack gives a board on its clips.

    mean_w, peak_w: out of the pack. full_v: of the whole pack at the loudest beat, full; NaN where full cells
    cannot give it. lowest_v: at which the board stops. charge_left: share of the charge at which the loudest
    beat pulls the pack down to that; 1: at once. hours: from full until then.
    """

    cells: Cells
    temperature_c: float
    mean_w: float
    peak_w: float
    full_v: float
    lowest_v: float
    charge_left: float
    hours: float

    @property
    def sentences(self) -> tuple[Sentence, ...]:
        """What follows, for people."""
        return tuple(_told(self))


def judge_pack(
    specification: Specification, chain: Chain, cells: Cells, temperature_c: float = 25.0
) -> PackVerdict:
    """Return how long cells feed a board on the clips of a specification.

    Parameters
    ----------
    specification : Specification
        Its clips are the night.
    chain : Chain
        The board.
    cells : Cells
        What feeds it.
    temperature_c : float
        Of the cells, -20 to 60 °C.

    Returns
    -------
    PackVerdict
    """
    if chain.supply.is_power_bank:
        limit = "'cells': a power bank has cells and converter inside, and shows neither"
        raise ParameterError("fed_by", chain.supply.fed_by, limit)
    current_a = np.concatenate([one.current_a for one in light_on_clips(specification, chain)])
    mean_w = supply_power_w(float(current_a.mean()), chain.supply)
    peak_w = max(mean_w, supply_power_w(float(current_a.max()), chain.supply))
    many = cells.pack.cells
    return PackVerdict(
        cells,
        temperature_c,
        mean_w,
        peak_w,
        many * cell_v(peak_w, cells, 1.0, temperature_c),
        many * cells.pack.empty_cell_v,
        charge_at_the_end(peak_w, cells, temperature_c),
        hours_until_the_end(mean_w, peak_w, cells, temperature_c),
    )


def _told(verdict: PackVerdict) -> Iterator[Sentence]:
    pack = verdict.cells.pack
    who = f"{pack.cells} cell{'s' * (pack.cells != 1)} of {pack.capacity_ah:g} Ah and"
    power = f"{verdict.mean_w:.2g} W out of the pack in the mean and {verdict.peak_w:.2g} W"
    behind = {"mean_w": verdict.mean_w, "peak_w": verdict.peak_w}
    yield Sentence("pack_power", f"The clips take {power} in their loudest frame.", behind)
    yield Sentence("pack_hours", f"{who} {_ohm(verdict)}: {_lasts(verdict)}", _behind(verdict))
    yield Sentence(
        "pack_assumed",
        f"Taken for that: {100 * pack.usable_share:.0f} % of the capacity (age), cells at"
        f" {verdict.temperature_c:g} °C, voltages at no load of common lithium-ion cells, the clips over and"
        " over; of the controller's current nothing. The data sheet of your cells goes before that.",
        {"usable_share": pack.usable_share, "temperature_c": verdict.temperature_c},
    )


def _behind(verdict: PackVerdict) -> dict[str, float]:
    return {"hours": verdict.hours, "charge_left": verdict.charge_left, "lowest_v": verdict.lowest_v}


def _ohm(verdict: PackVerdict) -> str:
    at = verdict.cells.ohm_at(0.5, verdict.temperature_c)
    return f"{1e3 * verdict.cells.ohm:.3g} mΩ each, {1e3 * at:.3g} mΩ at {verdict.temperature_c:g} °C"


def _lasts(verdict: PackVerdict) -> str:
    least = f"{verdict.lowest_v:.1f} V"
    if verdict.charge_left >= 1:
        fall = f"fall to {verdict.full_v:.1f} V"
        gives_way = "cannot give that at all" if math.isnan(verdict.full_v) else fall
        return (
            f"full as they are, they {gives_way} at the loudest beat, where {least} is the least; the"
            " board stops at once. Cells of less resistance, more of them side by side, or a smaller largest"
            " duty."
        )
    hours = f"{verdict.hours:.1f} hours"
    if verdict.charge_left <= 0:
        return f"{hours}, until they are empty; no beat pulls the pack under {least} before."
    return (
        f"{hours}; then, with {100 * verdict.charge_left:.0f} % of the charge left, the loudest beat pulls"
        f" the pack to {least}, and the board stops."
    )

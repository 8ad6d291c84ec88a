"""How long the pack lasts in the cold, and what flows out of it.

Lithium cells: fuse at the pack, never charge below 0 °C, keep them dry, no bare contacts near the body. The
figures below are common practice without a source; your cell's data sheet goes before them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from envlab.errors import check_positive, check_range
from envlab.light.lightness import check_whole
from envlab.light.pixels import Supply
from envlab.light.power.cell_tables import (
    COLD_DERATING,
    COLDER,
    EMPTIER,
    OPEN_V,
    Points,
    check_points,
    check_whole_charge,
)


@dataclass(frozen=True)
class Pack:
    """The cells: rated capacity of one cell in parallel with its like, how many in series, their voltages.

    Of no account with a power bank, which shows none of it.

    Parameters
    ----------
    capacity_ah : float
        Of one cell, with what stands parallel to it, Ah.
    cells : int
        How many in series.
    cell_v : float
        Mean while discharging.
    empty_cell_v : float
        Where the board must stop.
    usable_share : float
        Of the capacity, before age and the cut-off take the rest.
    derating : tuple
        (°C, share) points in rising order, straight between: of its capacity, what a cell gives in the cold.
    cell_ohm : float or None
        Inside resistance of one cell with what stands parallel to it, for direct current, half full at 25 °C,
        0 to 10 Ω, of its data sheet; None: not known.
    open_v : tuple
        (share of charge, V at no load) points from 0 to 1.
    ohm_over_c : tuple
        (°C, times the resistance at 25 °C) points.
    ohm_over_charge : tuple
        (share of charge, times the resistance at half charge) points from 0 to 1.
    """

    capacity_ah: float = 3.0
    cells: int = 2
    cell_v: float = 3.6
    empty_cell_v: float = 3.0
    usable_share: float = 0.8
    derating: Points = COLD_DERATING
    cell_ohm: float | None = None
    open_v: Points = OPEN_V
    ohm_over_c: Points = COLDER
    ohm_over_charge: Points = EMPTIER

    def __post_init__(self) -> None:
        check_positive("capacity_ah", self.capacity_ah, unit="Ah")
        check_range("capacity_ah", self.capacity_ah, high=1000.0, unit="Ah")
        check_whole("cells", self.cells, 1, 20)
        check_range("cell_v", self.cell_v, 1.0, 5.0, unit="V")
        check_range("empty_cell_v", self.empty_cell_v, 0.9, self.cell_v, unit="V")
        check_range("usable_share", self.usable_share, 0.05, 1.0)
        check_points("derating", self.derating, "(°C, share)", 0.01, 1.0)
        if self.cell_ohm is not None:
            check_range("cell_ohm", self.cell_ohm, 0.0, 10.0, unit="ohm")
        check_points("open_v", self.open_v, "(share, V)", 0.1, 5.0)
        check_points("ohm_over_c", self.ohm_over_c, "(°C, times)", 0.01, 100.0)
        check_points("ohm_over_charge", self.ohm_over_charge, "(share, times)", 0.01, 100.0)
        check_whole_charge("open_v", self.open_v)
        check_whole_charge("ohm_over_charge", self.ohm_over_charge)

    def cold_share(self, temperature_c: float) -> float:
        """Return the share of the capacity at a cell temperature in °C; outside the table it is refused."""
        celsius, share = zip(*self.derating, strict=True)
        check_range("temperature_c", temperature_c, celsius[0], celsius[-1], unit="°C")
        return float(np.interp(temperature_c, celsius, share))


def supply_power_w(current_a: float, supply: Supply) -> float:
    """Return the power in W out of the pack for a current in A out of the converter."""
    check_range("current_a", current_a, 0.0, supply.limit_a * (1.0 + 1e-9), unit="A")
    return supply.losses.input_w(current_a * supply.volts)


def battery_hours(power_w: float, pack: Pack, temperature_c: float = 25.0) -> float:
    """Return how many hours a pack gives a mean power in W at a cell temperature in °C."""
    check_positive("power_w", power_w, unit="W")
    energy_wh = pack.capacity_ah * pack.cells * pack.cell_v
    return energy_wh * pack.usable_share * pack.cold_share(temperature_c) / power_w


def pack_current_a(power_w: float, pack: Pack) -> float:
    """Return the current in A out of a nearly empty pack at a power in W: the fuse must carry it."""
    check_range("power_w", power_w, 0.0, unit="W")
    return power_w / (pack.cells * pack.empty_cell_v)

"""The pack as cells with an inside resistance: what the loudest beat does to their voltage, and for how long.

A cell is its voltage at no load, which falls with its charge, behind a resistance that grows in the cold and
near the end. The converter takes power: the lower the cells, the more current, the lower the cells. The board
stops where the loudest beat pulls them to their lowest voltage, and that is before they are empty.

Voltages and factors below are of common lithium-ion cells (common practice, no source); a data sheet goes
before them. Fuse at the pack, a cell's own protection beneath; never charge below 0 °C.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from envlab.errors import ParameterError, check_positive, check_range
from envlab.light.power.battery import Pack
from envlab.light.power.cell_tables import ASSUMED_CELL_OHM, COLDER, EMPTIER, OPEN_V, Points
from envlab.units import FloatArray

# How finely the charge is stepped for the time that it lasts.
_STEPS = 2001
# Into how many classes of like power the frames of music are put.
_CLASSES = 256


@dataclass(frozen=True)
class Cells:
    """Cells with a resistance.

    Parameters
    ----------
    ohm : float
        Of one cell with what stands parallel to it, Ω, half full at 25 °C, 0 to 10: of its data sheet, for
        direct current.
    pack : Pack
        How many, their capacity, and their lowest voltage; of the capacity usable_share is there (age).
    open_v : tuple
        (share of charge, V at no load) in rising order of both, from 0 to 1, straight between.
    colder : tuple
        (°C, times ohm) points.
    emptier : tuple
        (share of charge, times ohm) points.
    """

    ohm: float
    pack: Pack = field(default_factory=Pack)
    open_v: Points = OPEN_V
    colder: Points = COLDER
    emptier: Points = EMPTIER

    def __post_init__(self) -> None:
        check_range("ohm", self.ohm, 0.0, 10.0, unit="ohm")
        charge, volts = np.array(self.open_v).T
        rising = np.all(np.diff(charge) > 0) and np.all(np.diff(volts) >= 0)
        if not (rising and charge[0] == 0 and charge[-1] == 1 and volts[0] > 0):
            raise ParameterError("open_v", self.open_v, "(share, V) points rising from a share of 0 to 1")

    def no_load_v(self, charge: float) -> float:
        """Return the voltage in V of one cell at no load, at a share of charge 0 to 1."""
        check_range("charge", charge, 0.0, 1.0)
        return _between(self.open_v, charge)

    def ohm_at(self, charge: float, temperature_c: float) -> float:
        """Return the resistance in Ω of one cell at a share of charge and a temperature in °C, −20 to 60."""
        check_range("temperature_c", temperature_c, self.colder[0][0], self.colder[-1][0], unit="°C")
        return self.ohm * _between(self.colder, temperature_c) * _between(self.emptier, charge)


def cells_of(pack: Pack) -> Cells:
    """Return the cells of a pack whose resistance is stated; ParameterError if it is not."""
    if pack.cell_ohm is None:
        where = "cell_ohm in [pack], or --cell-ohm"
        limit = f"stated where hours are asked ({where}); the cell's data sheet has it, 20 to 100 mΩ for many"
        raise ParameterError("cell_ohm", None, limit)
    return Cells(pack.cell_ohm, pack, pack.open_v, pack.ohm_over_c, pack.ohm_over_charge)


def assumed_cells(pack: Pack) -> Cells:
    """Return the cells of a pack, of ASSUMED_CELL_OHM where none is stated; who shows that, says so."""
    ohm = ASSUMED_CELL_OHM if pack.cell_ohm is None else pack.cell_ohm
    return Cells(ohm, pack, pack.open_v, pack.ohm_over_c, pack.ohm_over_charge)


def cell_current_a(power_w: float, cells: Cells, charge: float, temperature_c: float = 25.0) -> float:
    """Return the current in A out of the cells at a power in W; NaN where they cannot give it.

    The smaller root of E·i − r·i² = P per cell: the one at which the voltage is the higher.
    """
    check_range("power_w", power_w, 0.0, unit="W")
    share_w = power_w / cells.pack.cells
    open_v, ohm = cells.no_load_v(charge), cells.ohm_at(charge, temperature_c)
    left = open_v**2 - 4 * ohm * share_w
    # 2P/(E + √…) is (E − √…)/2r without its loss of digits, and right for r = 0.
    return 2 * share_w / (open_v + math.sqrt(left)) if left >= 0 else math.nan


def cell_v(power_w: float, cells: Cells, charge: float, temperature_c: float = 25.0) -> float:
    """Return the voltage in V of one cell at a power in W out of all; NaN where they cannot give it."""
    current_a = cell_current_a(power_w, cells, charge, temperature_c)
    return cells.no_load_v(charge) - cells.ohm_at(charge, temperature_c) * current_a


def charge_at_the_end(peak_w: float, cells: Cells, temperature_c: float = 25.0) -> float:
    """Return the share of charge (0..1) at which a peak power in W pulls a cell down to its lowest voltage.

    0 where it never does, 1 where full cells cannot bear it.
    """
    return charge_at(cells.pack.empty_cell_v, peak_w, cells, temperature_c)


def charge_at(down_to_v: float, peak_w: float, cells: Cells, temperature_c: float = 25.0) -> float:
    """Return the share of charge (0..1) at which a peak power in W pulls a cell down to a voltage in V.

    0 where it never does, 1 where it does from the start.
    """
    from scipy.optimize import brentq

    def spare_v(charge: float) -> float:
        volts = cell_v(peak_w, cells, charge, temperature_c)
        # Cells that cannot give the power at all are further below than any that can.
        return -down_to_v if math.isnan(volts) else volts - down_to_v

    if spare_v(0.0) >= 0:
        return 0.0
    if spare_v(1.0) <= 0:
        return 1.0
    return float(brentq(spare_v, 0.0, 1.0, xtol=1e-9))


def hours_until_the_end(mean_w: float, peak_w: float, cells: Cells, temperature_c: float = 25.0) -> float:
    """Return how many hours full cells give a mean power in W until its peak pulls them down too far.

    Parameters
    ----------
    mean_w, peak_w : float
        Out of the pack, W, above 0; the peak no less than the mean.
    cells : Cells
        What gives it.
    temperature_c : float
        Of the cells, −20 to 60 °C.

    Returns
    -------
    float
        h; 0 where full cells cannot bear the peak.

    Examples
    --------
    >>> from envlab.light.power.cells import Cells, hours_until_the_end
    >>> round(hours_until_the_end(5.0, 15.0, Cells(0.05)), 1)
    3.4
    """
    check_positive("mean_w", mean_w, unit="W")
    check_range("peak_w", peak_w, mean_w, unit="W")
    end = charge_at_the_end(peak_w, cells, temperature_c)
    return Discharge(np.array([mean_w]), cells, temperature_c).hours(1.0, end)


class Discharge:
    """How the charge of cells falls under a power that comes and goes, as frames of music have it.

    Of the charge q nothing is known but what flows: capacity · dq/dt = −i(q), the mean over all frames of the
    current that each frame's power takes at that charge. A loud frame takes more of it than its share, for
    its current pulls the cells down. So the hours from q1 to q2 are capacity · ∫ dq/i(q).
    """

    def __init__(self, power_w: FloatArray, cells: Cells, temperature_c: float = 25.0) -> None:
        """power_w: of each frame, shape (frames,), W out of the pack, 0 or more, some above 0."""
        check_range("power_w", float(np.min(power_w)), 0.0, unit="W")
        check_positive("power_w", float(np.mean(power_w)), unit="W")
        self._cells, self._temperature_c = cells, temperature_c
        # Frames of like power are taken together: current is smooth in it.
        ordered = np.sort(np.asarray(power_w, dtype=np.float64))
        parts = np.array_split(ordered, min(ordered.size, _CLASSES))
        self._share_w = np.array([part.mean() for part in parts]) / cells.pack.cells
        self._weight = np.array([part.size for part in parts]) / ordered.size

    def mean_current_a(self, charges: FloatArray) -> FloatArray:
        """Return the mean current in A out of the cells at charges of 0 to 1, any shape.

        Infinite where they cannot give some frame's power.
        """
        at = np.asarray(charges, dtype=np.float64)[..., None]
        open_v = _along(self._cells.open_v, at)
        ohm = self._cells.ohm_at(0.5, self._temperature_c) / _along(self._cells.emptier, np.array(0.5))
        left = open_v**2 - 4 * ohm * _along(self._cells.emptier, at) * self._share_w
        with np.errstate(invalid="ignore"):
            current_a = (2 * self._share_w / (open_v + np.sqrt(left))) @ self._weight
        return np.asarray(np.where(np.isnan(current_a), np.inf, current_a))

    def hours(self, begin: float, end: float) -> float:
        """Return how many hours the charge takes from begin down to end, shares of 0 to 1.

        0 where it need not fall.
        """
        if end >= begin:
            return 0.0
        charges = np.linspace(end, begin, _STEPS)
        return float(np.trapezoid(1 / self.mean_current_a(charges), charges)) * self._whole_ah

    def hours_down_to(self, charges: FloatArray) -> FloatArray:
        """Return how many hours the charge takes from the first of charges down to each, shape (charges,).

        charges: shares of 0 to 1, falling, two or more. What hours says of each, in one integral.
        """
        between = -(-(_STEPS - 1) // (charges.size - 1))
        place = np.arange((charges.size - 1) * between + 1) / between
        fine = np.interp(place, np.arange(charges.size), charges)
        per_ampere = 1 / self.mean_current_a(fine)
        steps = 0.5 * (per_ampere[1:] + per_ampere[:-1]) * -np.diff(fine)
        hours: FloatArray = np.concatenate(([0.0], np.cumsum(steps)))[::between] * self._whole_ah
        return hours

    def charge_after(self, hours: float, begin: float = 1.0) -> float:
        """Return the charge, 0 to 1, left of begin after some hours; 0 if it does not last so long."""
        charges = np.linspace(begin, 0.0, _STEPS)
        per_ampere = 1 / self.mean_current_a(charges)
        steps = 0.5 * (per_ampere[1:] + per_ampere[:-1]) * (begin / (_STEPS - 1)) * self._whole_ah
        return float(np.interp(hours, np.concatenate(([0.0], np.cumsum(steps))), charges))

    @property
    def _whole_ah(self) -> float:
        return self._cells.pack.capacity_ah * self._cells.pack.usable_share


def _along(points: Points, at: FloatArray) -> FloatArray:
    where, value = np.array(points).T
    return np.asarray(np.interp(at, where, value))


def _between(points: Points, at: float) -> float:
    where, value = zip(*points, strict=True)
    return float(np.interp(at, np.array(where), np.array(value)))

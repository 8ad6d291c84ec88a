"""Parts one can buy: E series and tolerance.

Source of the series: [IEC60063], through the package eseries.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

from envlab.errors import ParameterError, check_choice, check_range

# Wide enough for anything on a reel or a shelf, in ohm or farad: 1 fF to 1 TΩ.
SOLD = (1e-15, 1e12)
SERIES = ("E3", "E6", "E12", "E24", "E48", "E96", "E192")


@dataclass(frozen=True)
class PartRange:
    """All values of one E series from low to high, SI units, both ends included.

    Parameters
    ----------
    series : str
        "E3" to "E192" [IEC60063].
    low, high : float
        Ends, both included, SI (ohm, farad), 1e-15 to 1e12.
    tolerance_percent : float
        What the parts list says of the part that is bought, 0 to 50.

    Raises
    ------
    ParameterError
        For a range that has no value.

    References
    ----------
    [IEC60063] IEC 60063:2015, Preferred number series for resistors and capacitors.

    Examples
    --------
    >>> from envlab import PartRange
    >>> PartRange("E6", 1e3, 10e3).values
    (1000.0, 1500.0, 2200.0, 3300.0, 4700.0, 6800.0, 10000.0)
    """

    series: str
    low: float
    high: float
    tolerance_percent: float = 5.0

    def __post_init__(self) -> None:
        check_choice("series", self.series, SERIES)
        check_range("low", self.low, *SOLD)
        check_range("high", self.high, *SOLD)
        check_range("tolerance_percent", self.tolerance_percent, 0, 50, unit="%")
        if self.low > self.high:
            raise ParameterError("low", self.low, f"at most high ({self.high:g})")
        if not self.values:
            raise ParameterError("low", self.low, f"such that {self.series} has a value up to {self.high:g}")

    @property
    def values(self) -> tuple[float, ...]:
        """The series' values in rising order, in SI (ohm, farad)."""
        return series_values(self.series, self.low, self.high)


@functools.cache
def series_values(series: str, low: float, high: float) -> tuple[float, ...]:
    """Return the values of an E series from low to high, in SI (ohm, farad), both included."""
    import eseries

    check_choice("series", series, SERIES)
    within = eseries.erange(eseries.ESeries[series], low * (1 - 1e-9), high * (1 + 1e-9))
    return tuple(float(f"{value:.6g}") for value in within)


def nearest_value(series: str, value: float) -> float:
    """Return the value of the series that is nearest by ratio (logarithmic), the smaller one at a tie."""
    check_range("value", value, *SOLD)
    near = series_values(series, value / 10, value * 10)
    return min(near, key=lambda candidate: abs(math.log(candidate / value)))

"""A capture: what came back from the bench, with its own time stamps and all that is known
to be wrong with it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from envlab.errors import ParameterError, check_choice
from envlab.units import FloatArray

# Node → what one value of it is.
CAPTURED = {"adc_counts": "counts", "detector_v": "V"}
_FEWEST = 16


@dataclass(frozen=True, eq=False)
class Capture:
    """Values of one node over time.

    Parameters
    ----------
    node : str
        "adc_counts": readings of the board's own converter, counts; "detector_v": the voltage on the hold
        capacitor against ground, V.
    time_s : ndarray of float
        Shape (n,), rising, s on the capture's own clock.
    values : ndarray of float
        Shape (n,), counts or V; NaN where a value is missing.
    name : str
        Where it came from.
    bits : int or None
        Of the converter, where the capture says so.
    rate_hz : float or None
        Of the converter, Hz, where the capture says so.
    export_mark : int or None
        Of the design whose firmware wrote it, where the capture says so.
    is_partial : bool
        Whether it broke off.
    notes : tuple of str
        What was found on the way: lost frames, doubled frames, damaged ones.

    Raises
    ------
    ParameterError
        For arrays that do not fit each other, times that do not rise, or fewer than 16 values.
    """

    node: str
    time_s: FloatArray
    values: FloatArray
    name: str = ""
    bits: int | None = None
    rate_hz: float | None = None
    export_mark: int | None = None
    is_partial: bool = False
    notes: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        check_choice("node", self.node, tuple(CAPTURED))
        time_s = np.asarray(self.time_s, dtype=np.float64)
        values = np.asarray(self.values, dtype=np.float64)
        if time_s.ndim != 1 or time_s.shape != values.shape:
            raise ParameterError("values", values.shape, f"as many as there are times, {time_s.shape}")
        if int(np.isfinite(values).sum()) < _FEWEST:
            raise ParameterError("values", int(np.isfinite(values).sum()), f"at least {_FEWEST} values")
        if np.isinf(values).any():
            at = int(np.flatnonzero(np.isinf(values))[0])
            raise ParameterError(
                f"values[{at}]", float(values[at]), "a finite number, or NaN where none came"
            )
        if not np.isfinite(time_s).all() or (np.diff(time_s) <= 0).any():
            at = int(np.flatnonzero(~(np.diff(time_s) > 0))[0]) + 1
            raise ParameterError(f"time_s[{at}]", float(time_s[at]), "later than the one before it")
        object.__setattr__(self, "time_s", time_s)
        object.__setattr__(self, "values", values)

    @property
    def is_counts(self) -> bool:
        """Whether the values are a converter's readings."""
        return self.node == "adc_counts"

    @property
    def unit(self) -> str:
        """Of the values: "counts" or "V"."""
        return CAPTURED[self.node]

    def one_count(self, lsb_v: float) -> float:
        """How far one count of a converter moves a value, counts or V; lsb_v: of the converter, V."""
        return 1.0 if self.is_counts else lsb_v

    @property
    def duration_s(self) -> float:
        """From the first value to the last, s on its own clock."""
        return float(self.time_s[-1] - self.time_s[0])

    @property
    def typical_rate_hz(self) -> float:
        """Values a second, by the median distance of two, Hz."""
        return float(1 / np.median(np.diff(self.time_s)))

    def evenly(self, rate_hz: float) -> FloatArray:
        """Return the values at even times from the first one on, straight between them; shape (n,).

        rate_hz: Hz. Missing values are bridged.
        """
        times_s = self.time_s[0] + np.arange(int(self.duration_s * rate_hz) + 1) / rate_hz
        there = np.isfinite(self.values)
        return np.asarray(np.interp(times_s, self.time_s[there], self.values[there]))

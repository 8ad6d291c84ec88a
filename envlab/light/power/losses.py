"""What a converter loses: a part that is always there, and a share of what it gives.

Control and switching take the same at any load; diodes and switches take a share of what flows. So P_in =
P_out + fixed + share·P_out, and the efficiency at an output P is P/(P + fixed + share·P): it falls towards
small loads, as data sheets show. Two points (P1, η1) and (P2, η2) of a data sheet give both parts: the loss
at each is L = P·(1/η − 1), so share = (L2 − L1)/(P2 − P1) and fixed = L1 − share·P1. (Common practice, no
source. Resistance, whose loss goes with the square of the current, is left out: two points cannot tell it
apart. Where a data sheet's curve falls again towards full load, take both points from below its top, or one
number for all, the lowest that is met.) One point alone gives no fixed part.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from envlab.errors import ParameterError
from envlab.units import FloatArray

# A point that lies on the line but for its last digit.
_ROUNDING = 1e-9


@dataclass(frozen=True)
class Losses:
    """fixed_w: lost at any load, W. share: of the output power, lost on top of it."""

    fixed_w: float
    share: float

    def input_w(self, output_w: float) -> float:
        """Return the power in W that goes in where output_w come out."""
        return output_w * (1 + self.share) + self.fixed_w

    def inputs_w(self, output_w: FloatArray) -> FloatArray:
        """Return the powers in W that go in where output_w, any shape, come out."""
        return np.asarray(output_w * (1 + self.share) + self.fixed_w)

    def efficiency(self, output_w: float) -> float:
        """Return the share of the power that comes out, 0 to 1, at an output in W, 0 or more."""
        return output_w / self.input_w(output_w) if output_w > 0 else 0.0


def losses_of_one(efficiency: float) -> Losses:
    """Return the losses of a converter of which one efficiency is known, above 0 to 1.

    >>> losses_of_one(0.8)
    Losses(fixed_w=0.0, share=0.25)
    """
    return Losses(0.0, 1 / efficiency - 1)


def losses_of_two(light_w: float, light_efficiency: float, full_w: float, efficiency: float) -> Losses:
    """Return the losses of a converter of which two points are known.

    light_w, full_w: outputs, W. light_efficiency, efficiency: there, shares of 1. Raises ParameterError where
    no fixed part and no share, both 0 or more, give them.

    >>> losses_of_two(1.0, 0.5, 10.0, 0.8)
    Losses(fixed_w=0.8333333333333333, share=0.16666666666666666)
    """
    light_loss_w, full_loss_w = (
        light_w * (1 / light_efficiency - 1),
        full_w * (1 / efficiency - 1),
    )
    if light_efficiency > efficiency * (1 + _ROUNDING):
        limit = (
            f"at most the efficiency of {efficiency:g}, for a converter loses more of little; where the data"
            " sheet's curve falls towards full load, state the lower one alone"
        )
        raise ParameterError("light_load_efficiency", light_efficiency, limit)
    if light_loss_w > full_loss_w * (1 + _ROUNDING):
        least = light_w / (light_w + full_loss_w)
        limit = (
            f"at least {least:.3g}, or the converter would lose more at {light_w:g} W than at {full_w:g} W"
        )
        raise ParameterError("light_load_efficiency", light_efficiency, limit)
    share = max(0.0, (full_loss_w - light_loss_w) / (full_w - light_w))
    return Losses(max(0.0, light_loss_w - share * light_w), share)

"""The rail that the pixels and the controller hang on: what a pack that falls leaves of it.

A converter holds its output down to a least voltage at its input. Below that one that only steps down hands
on what it gets, less what it needs; any other lets go. A controller resets where its supply falls under its
brown-out voltage: it starts anew, dark, and does so at every loud beat from then on.
"""

from __future__ import annotations

import math

from envlab.light.pixels import Supply
from envlab.light.power.battery import Pack

# What a converter that only steps down needs between input and output, V, and at which share of its supply a
# controller resets: 4.3 V of 5 V (common practice, no source).
NEEDS_V, BROWN_OUT_SHARE = 0.5, 0.86


def steps_down(supply: Supply, pack: Pack) -> bool:
    """Whether the pack, empty, still stands above the rail."""
    return pack.cells * pack.empty_cell_v > supply.volts


def least_input_v(supply: Supply, pack: Pack) -> float:
    """Return the least voltage in V at which the converter holds its output, as stated or as taken for it.

    Taken: that of the empty pack, and of one that only steps down half a volt more than its output.
    """
    if supply.least_input_v is not None:
        return supply.least_input_v
    return supply.volts + NEEDS_V if steps_down(supply, pack) else pack.cells * pack.empty_cell_v


def brown_out_v(supply: Supply) -> float:
    """Return the voltage of the rail in V at which the controller resets, as stated or as taken for it."""
    return BROWN_OUT_SHARE * supply.volts if supply.brown_out_v is None else supply.brown_out_v


def rail_v(pack_v: float, supply: Supply, pack: Pack) -> float:
    """Return the converter's output in V with pack_v at its input; 0 where it lets go.

    pack_v: V; NaN where the cells cannot give what is asked.

    Examples
    --------
    Two cells and a rail of 5 V: 5.3 V at the input are 0.2 V too little.

    >>> from envlab.light.pixels import Supply
    >>> from envlab.light.power.battery import Pack
    >>> round(rail_v(5.3, Supply(), Pack()), 3), rail_v(3.0, Supply(), Pack(cells=1))
    (4.8, 5.0)
    """
    if math.isnan(pack_v):
        return 0.0
    least_v = least_input_v(supply, pack)
    # A pack that is said to be at just this voltage is there, whatever its last digit.
    if pack_v >= least_v - 1e-9:
        return supply.volts
    return max(0.0, supply.volts - (least_v - pack_v)) if steps_down(supply, pack) else 0.0


def pack_v_of_rail(at_v: float, supply: Supply, pack: Pack) -> float:
    """Return the pack's voltage in V at which the rail is down at at_v, below its own voltage."""
    least_v = least_input_v(supply, pack)
    return least_v - (supply.volts - at_v) if steps_down(supply, pack) else least_v

"""What a topology asks of its amplifiers on a board, against what their data sheet gives; as data.

Who warns, lists parts or chooses an amplifier makes sentences of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from envlab.analog.amplifier import Amplifier
from envlab.analog.rectifiers.active import ActiveRectifier
from envlab.analog.rectifiers.diodeless import Diodeless
from envlab.analog.rectifiers.pumps import Bridge

# The dead time may take this part of a period of TONE_HZ, while the signal stands a tenth of its peak above
# what is held; common practice, no source. So much of the quietest peak may the offset be.
TONE_HZ = 1000.0
TREBLE_HZ = 10_000.0
DEAD_SHARE = 0.1
OVERDRIVE_SHARE = 0.1
OFFSET_SHARE = 0.2
# An inverter's corner lies so many times above TREBLE_HZ: there it then loses half a percent.
INVERTER_CORNERS = 10.0


@dataclass(frozen=True)
class Requirement:
    """One thing that a topology asks of its amplifiers.

    Parameters
    ----------
    quantity : str
        Name of the Amplifier's field.
    needed, offered : float
        What the field must be at most or at least, and what it is, in the unit of its name.
    at_most : bool
        Whether needed is an upper limit; else a lower one.
    why : str
        What it follows from, a phrase.
    """

    quantity: str
    needed: float
    offered: float
    at_most: bool
    why: str

    @property
    def is_met(self) -> bool:
        """Whether the data sheet gives it."""
        return self.offered <= self.needed if self.at_most else self.offered >= self.needed


def requirements(
    rectifier: ActiveRectifier,
    *,
    bias_v: float,
    supply_v: float,
    least_peak_v: float,
    most_peak_v: float,
) -> tuple[Requirement, ...]:
    """Return what the topology asks of its amplifiers.

    Parameters
    ----------
    rectifier : ActiveRectifier
        The topology and its amplifiers.
    bias_v, supply_v : float
        V against ground.
    least_peak_v, most_peak_v : float
        Peak at the rectifier's input of the quietest sound that must be told from silence, and of the loudest
        one, V, above 0.

    Returns
    -------
    tuple of Requirement
        Common-mode range, lowest and highest output, gain-bandwidth, slew rate, offset.

    Examples
    --------
    >>> from envlab.analog.rectifiers.difference_superdiodes import DifferenceSuperdiodes
    >>> from envlab.analog.rectifiers.requirements import requirements
    >>> asked = requirements(
    ...     DifferenceSuperdiodes(), bias_v=1.65, supply_v=3.3, least_peak_v=0.0103, most_peak_v=1.0
    ... )
    >>> [one.quantity for one in asked if not one.is_met]
    ['output_low_v']
    """
    part, node_v = rectifier.amplifier_part, rectifier.reference_node_v
    rests = rectifier.resting_inputs_v(bias_v)
    lowest_v = min(rests.values()) - (most_peak_v if isinstance(rectifier, Diodeless) else 0.0)
    highest_v = max(node_v + most_peak_v, *rests.values())
    drop_v = rectifier.diode_part.drop_v(1e-6)
    asked = [
        ("input_low_v", lowest_v, True, f"its inputs go down to {lowest_v:.3g} V"),
        ("input_high_v", supply_v - highest_v, True, f"its inputs go up to {highest_v:.3g} V"),
        ("output_low_v", *_output_low(rectifier, least_peak_v)),
        (
            "output_high_v",
            supply_v - (node_v + most_peak_v + drop_v),
            True,
            f"a super-diode's output goes a drop above {node_v + most_peak_v:.3g} V",
        ),
        ("gain_bandwidth_hz", _gain_bandwidth_hz(rectifier, part, least_peak_v, drop_v), False, _DEAD),
        (
            "slew_v_per_s",
            2 * math.pi * TREBLE_HZ * most_peak_v,
            False,
            _STEEP,
        ),
        ("offset_v", OFFSET_SHARE * least_peak_v, True, "an offset stands beside the quietest sound"),
    ]
    return _against(part, asked)


def inverter_requirements(
    bridge: Bridge, *, bias_v: float, supply_v: float, most_peak_v: float
) -> tuple[Requirement, ...]:
    """Return what a bridge driven from both ends asks of the inverter of its other end.

    Parameters
    ----------
    bridge : Bridge
        The topology and its amplifier.
    bias_v, supply_v : float
        V against ground.
    most_peak_v : float
        Peak at the rectifier's input of the loudest sound, V, above 0.

    Returns
    -------
    tuple of Requirement
        Common-mode range, lowest and highest output, gain-bandwidth, slew rate.

    Examples
    --------
    >>> from envlab.analog.rectifiers.pumps import Bridge
    >>> from envlab.analog.rectifiers.requirements import inverter_requirements
    >>> asked = inverter_requirements(
    ...     Bridge(amplifier="general_purpose"), bias_v=1.65, supply_v=3.3, most_peak_v=1.0
    ... )
    >>> [one.quantity for one in asked if not one.is_met]
    ['output_low_v', 'output_high_v']
    """
    gain = bridge.inverter_feedback_ohm / bridge.inverter_input_ohm
    swing_v, rests = gain * most_peak_v, f"its inputs rest at {bias_v:.3g} V"
    reach = f"the loudest sound takes its output {swing_v:.3g} V to either side of the bias"
    late = f"else the other end is late and small at {TREBLE_HZ:g} Hz"
    asked = [
        ("input_low_v", bias_v, True, rests),
        ("input_high_v", supply_v - bias_v, True, rests),
        ("output_low_v", bias_v - swing_v, True, reach),
        ("output_high_v", supply_v - bias_v - swing_v, True, reach),
        ("gain_bandwidth_hz", INVERTER_CORNERS * (1 + gain) * TREBLE_HZ, False, late),
        ("slew_v_per_s", 2 * math.pi * TREBLE_HZ * swing_v, False, _STEEP),
    ]
    return _against(bridge.amplifier_part, asked)


def _against(part: Amplifier, asked: Sequence[tuple[str, float, bool, str]]) -> tuple[Requirement, ...]:
    return tuple(
        Requirement(quantity, needed, getattr(part, quantity), at_most, why)
        for quantity, needed, at_most, why in asked
    )


_STEEP = f"the loudest sound at {TREBLE_HZ:g} Hz is that steep"
_DEAD = "blocked, its output must come up to the diode's drop before the quietest sound is over"


def _output_low(rectifier: ActiveRectifier, least_peak_v: float) -> tuple[float, bool, str]:
    """Return (most that the lowest output may be, True, why)."""
    node_v = rectifier.reference_node_v
    if isinstance(rectifier, Diodeless):
        return 0.5 * least_peak_v, True, "twice the lowest output stands in silence"
    if node_v == 0:
        return least_peak_v, True, "the lowest output stands in silence"
    return node_v, True, "the reference node must lie above the lowest output"


def _gain_bandwidth_hz(
    rectifier: ActiveRectifier, part: Amplifier, least_peak_v: float, drop_v: float
) -> float:
    way_v = max(0.0, rectifier.reference_node_v - part.output_low_v) + least_peak_v + drop_v
    return way_v / (2 * math.pi * OVERDRIVE_SHARE * least_peak_v * DEAD_SHARE / TONE_HZ)


def must_only_source(rectifier: ActiveRectifier) -> str:
    """Return which of its amplifiers must give current to the attack resistor and never take it.

    An amplifier without a diode in its loop there would empty the hold capacitor through the attack resistor:
    the release would be the attack.

    Parameters
    ----------
    rectifier : ActiveRectifier
        The topology.

    Examples
    --------
    >>> from envlab.analog.rectifiers.diodeless import Diodeless
    >>> from envlab.analog.rectifiers.requirements import must_only_source
    >>> must_only_source(Diodeless())
    'U2C'
    """
    places = [
        f"U2{chr(ord('A') + place)}"
        for place, role in enumerate(rectifier.amplifiers)
        if role.startswith("super-diode")
    ]
    return " and ".join(places)

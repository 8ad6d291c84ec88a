"""Parts of a netlist: plain numbers in SI units, and the names of the nodes that their pins are on.

Node "0" is ground. Nothing here, nor in the other files of this folder, comes from the package under test.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.constants import Boltzmann, elementary_charge

GROUND = "0"
ROOM_K = 298.15


def thermal_v(kelvin: float = ROOM_K) -> float:
    """kT/q, V: 25.852 mV at 300 K."""
    return Boltzmann * kelvin / elementary_charge


@dataclass(frozen=True)
class Resistor:
    """ohm between a and b."""

    name: str
    a: str
    b: str
    ohm: float


@dataclass(frozen=True)
class Capacitor:
    """farad between a and b; its state is the voltage of a above b."""

    name: str
    a: str
    b: str
    farad: float


@dataclass(frozen=True)
class VoltageSource:
    """plus stands volts + per_wave·wave above minus; wave: which of the waves that the run is given."""

    name: str
    plus: str
    minus: str
    volts: float = 0.0
    per_wave: float = 0.0
    wave: int = 0


@dataclass(frozen=True)
class CurrentSource:
    """amps + per_wave·wave flow inside the source from a to b, so out of node a and into node b."""

    name: str
    a: str
    b: str
    amps: float = 0.0
    per_wave: float = 0.0
    wave: int = 0


@dataclass(frozen=True)
class ControlledSource:
    """Ideal: out stands gain·(plus − minus) above foot, kept between low_v and high_v."""

    name: str
    plus: str
    minus: str
    out: str
    foot: str = GROUND
    gain: float = 1.0
    low_v: float = -math.inf
    high_v: float = math.inf


@dataclass(frozen=True)
class Diode:
    """i = Is·(exp(v/slope_v) − 1) and leakage_ohm beside it, series_ohm before both; slope_v is n·kT/q."""

    name: str
    anode: str
    cathode: str
    saturation_a: float
    slope_v: float
    series_ohm: float = 0.0
    leakage_ohm: float = math.inf


@dataclass(frozen=True)
class Transistor:
    """NPN after Ebers and Moll, transport form.

    Collector (iF − iR) − iR/reverse_gain, base iF/forward_gain + iR/reverse_gain, with
    iF = Is·(exp(v_be/slope_v) − 1) and iR the same of v_bc.
    """

    name: str
    collector: str
    base: str
    emitter: str
    saturation_a: float
    slope_v: float
    forward_gain: float
    reverse_gain: float = 1.0


@dataclass(frozen=True)
class Amplifier:
    """One pole, da/dt = 2π·GBW·(plus + offset − minus), at most the slew rate; a kept from low_v to high_v.

    The output stands at a, less low_ohm or high_ohm times the current that it takes or gives: the pole is
    inside a loop, so that the resistance shows at the limits only. low_v, high_v, input_low_v and
    input_high_v are volts against ground; beyond the latter two an input is no longer felt. bias_a flows into
    each input. open_loop_gain at rest, 140 dB if not said otherwise, leaves one state of rest only.
    """

    name: str
    plus: str
    minus: str
    out: str
    gain_bandwidth_hz: float
    slew_v_per_s: float = math.inf
    low_v: float = -math.inf
    low_ohm: float = 0.0
    high_v: float = math.inf
    high_ohm: float = 0.0
    input_low_v: float = -math.inf
    input_high_v: float = math.inf
    offset_v: float = 0.0
    bias_a: float = 0.0
    open_loop_gain: float = 1e7


Part = (
    Resistor | Capacitor | VoltageSource | CurrentSource | ControlledSource | Diode | Transistor | Amplifier
)

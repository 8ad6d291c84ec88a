"""Every topology of the rectifier as parts and nodes, and the detector behind it.

It is fed by the node before, which rests at the bias B. Rectifier, hold capacitor and release resistor refer
to the reference node N. What the rectifier offers is on the node "rectified", from which the attack resistor
leads to "detector". Amplifiers are U2A, U2B … in the order of the signal.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from types import MappingProxyType
from typing import Any

from envlab.analog.detector import AverageDetector, Detector
from envlab.analog.hold_capacitor import HoldCapacitor
from envlab.analog.preamps.preamp import Preamp
from envlab.analog.rectifiers.pumps import PumpRectifier
from envlab.analog.stage import fitted_parts
from envlab.circuit.description import Component
from envlab.circuit.elements import amplifier, diode, fitted, section

STAGE = "rectifier"
OUT, HELD, BIAS, SUPPLY = "rectified", "detector", "bias", "analog_supply"


@dataclass(frozen=True)
class Surrounded:
    """A rectifier and the nodes round it: before, the signal, which rests at bias_v; node, N."""

    rectifier: Any
    before: str
    node: str
    bias_v: float

    def network(self, joints: Mapping[str, tuple[str, str]]) -> list[Component]:
        """Return resistors and capacitors, each between the nodes named for its reference."""
        by_field = {
            field: joints[part.reference]
            for field, part, _ in fitted_parts(self.rectifier)
            if part.reference in joints
        }
        return list(fitted(self.rectifier, STAGE, by_field))

    def amplifier(self, number: int, plus: str, minus: str, out: str) -> Component:
        """Return the amplifier of a number, from 0, with the offset that it has on this board."""
        roles = self.rectifier.amplifiers
        reference = section("U2", number) if len(roles) > 1 else "U2"
        sheet = asdict(self.rectifier.amplifier_part)
        own_v = getattr(self.rectifier, f"offset_u2{chr(ord('a') + number)}_v", 0.0)
        data = sheet | {"offset_v": own_v, "offset_limit_v": sheet["offset_v"]}
        return amplifier(reference, plus, minus, out, roles[number], STAGE, data, rail=SUPPLY)

    def diode(self, number: int, anode: str, cathode: str, role: str) -> Component:
        """Return the diode of a number, from 1."""
        own = self.rectifier
        return diode(f"D{number}", anode, cathode, role, STAGE, own.diode_part, own.diode)

    def super_diode(self, number: int, drive: str, diode_number: int) -> list[Component]:
        """Return an amplifier with a diode inside its loop: it only gives current to "rectified"."""
        out = f"rectifier_{chr(ord('a') + number)}_out"
        return [
            self.amplifier(number, drive, OUT, out),
            self.diode(diode_number, out, OUT, "keeps the amplifier from emptying the hold capacitor"),
        ]

    def last(self, drive: str) -> str:
        """Return what the amplifier before the blocking one makes: "rectified" if that one is left out."""
        return drive if self.rectifier.blocking == "super_diode" else OUT

    def blocked(self, number: int, drive: str, diode_number: int) -> list[Component]:
        """Return the super-diode behind an amplifier that would take back; [] if it is left out."""
        return self.super_diode(number, drive, diode_number) if self.last(drive) == drive else []

    def difference(self, number: int, plus: str, minus: str, out: str, first: int) -> list[Component]:
        """Return a difference stage: N + g·(plus − minus), four resistors from R{first} on."""
        at = f"rectifier_{chr(ord('a') + number)}"
        ends = (
            (plus, f"{at}_plus"),
            (f"{at}_plus", self.node),
            (minus, f"{at}_minus"),
            (f"{at}_minus", out),
        )
        joints = {f"R{first + n}": end for n, end in enumerate(ends)}
        return [*self.network(joints), self.amplifier(number, f"{at}_plus", f"{at}_minus", out)]


UPPER, LOWER = "rectifier_upper", "rectifier_lower"
FOLDED, SHIFTED, COUPLED = "rectifier_folded", "rectifier_shifted", "rectifier_coupled"
INVERTED, HALF = "rectifier_inverted", "rectifier_half"


def _difference_superdiodes(at: Surrounded) -> list[Component]:
    return [
        *at.difference(0, at.before, BIAS, UPPER, 20),
        *at.difference(1, BIAS, at.before, LOWER, 24),
        *at.super_diode(2, UPPER, 1),
        *at.super_diode(3, LOWER, 2),
    ]


def _absolute_value(at: Surrounded) -> list[Component]:
    minus, out, sum_minus = "rectifier_a_minus", "rectifier_a_out", "rectifier_b_minus"
    return [
        *at.network({"R20": (at.before, minus), "R21": (minus, HALF)}),
        at.amplifier(0, BIAS, minus, out),
        at.diode(1, out, minus, "closes the loop during the other half waves"),
        at.diode(2, HALF, out, "lets one half wave through"),
        *at.network({"R22": (at.before, sum_minus), "R23": (HALF, sum_minus), "R24": (sum_minus, FOLDED)}),
        at.amplifier(1, BIAS, sum_minus, FOLDED),
        *at.difference(2, FOLDED, BIAS, at.last(SHIFTED), 25),
        *at.blocked(3, SHIFTED, 3),
    ]


def _diodeless(at: Surrounded) -> list[Component]:
    plus, minus, half, folded = "rectifier_a_plus", "rectifier_b_minus", HALF, at.last(FOLDED)
    joints = {
        "C10": (at.before, COUPLED),
        "R15": (COUPLED, at.node),
        "R20": (COUPLED, plus),
        "R21": (COUPLED, minus),
        "R22": (minus, folded),
    }
    return [
        *at.network(joints),
        at.amplifier(0, plus, half, half),
        at.amplifier(1, half, minus, folded),
        *at.blocked(2, FOLDED, 1),
    ]


def _bias_superdiodes(at: Surrounded) -> list[Component]:
    return [*_inverter(at), *at.super_diode(1, at.before, 1), *at.super_diode(2, INVERTED, 2)]


def _coupled(at: Surrounded) -> tuple[list[Component], str]:
    """Straight from the signal, through a coupling capacitor, or moved by nothing that can be bought."""
    coupled = at.network({"C10": (at.before, COUPLED), "R15": (COUPLED, at.node)})
    if coupled:
        return coupled, COUPLED
    return [], SHIFTED if without_parts(at.rectifier, at.bias_v) else at.before


def _transistor_detector(at: Surrounded) -> list[Component]:
    coupled, start = _coupled(at)
    resistor = at.network({"R20": (start, "rectifier_base")})
    base = "rectifier_base" if resistor else start
    junction = at.rectifier.diode_part
    data = {
        "saturation_a": junction.saturation_now_a,
        "emission": junction.emission,
        "slope_v": junction.slope_v,
        "series_ohm": junction.series_ohm,
        "leakage_ohm": junction.leakage_ohm,
        "current_gain": at.rectifier.current_gain,
    }
    pins = (("base", base), ("collector", SUPPLY), ("emitter", OUT))
    role = "charges the hold capacitor from the supply"
    transistor = Component("Q1", "transistor", pins, role, stage=STAGE, data=MappingProxyType(data))
    return [*coupled, *resistor, transistor]


def _passive_half_wave(at: Surrounded) -> list[Component]:
    coupled, start = _coupled(at)
    count = getattr(at.rectifier, "diodes_in_path", 1)
    ends = [start, *(f"rectifier_diode_{n}" for n in range(1, count)), OUT]
    role = "lets current only into the hold capacitor"
    return coupled + [at.diode(n + 1, *pair, role) for n, pair in enumerate(itertools.pairwise(ends))]


def _bridge(at: Surrounded) -> list[Component]:
    one, other, up = (
        "rectifier_end",
        "rectifier_other_end",
        "leads the end that is high to the hold capacitor",
    )
    down = "leads the other end back to the reference node"
    return [
        *_inverter(at),
        *at.network({"C10": (at.before, one), "C11": (INVERTED, other)}),
        at.diode(1, one, OUT, up),
        at.diode(2, other, OUT, up),
        at.diode(3, at.node, one, down),
        at.diode(4, at.node, other, down),
    ]


def _voltage_doubler(at: Surrounded) -> list[Component]:
    return [
        *at.network({"C10": (at.before, COUPLED)}),
        at.diode(1, at.node, COUPLED, "charges the coupling capacitor in the lower half wave"),
        at.diode(2, COUPLED, OUT, "leads both halves to the hold capacitor"),
    ]


def without_parts(part: Any, bias_v: float) -> str:
    """Return what of a rectifier no parts make, in a word or three; "" if parts make all of it.

    bias_v: what the signal rests at, V against ground.
    """
    if part.topology in _NOT_BUILT:
        return _NOT_BUILT[part.topology]
    off_node = abs(part.reference_node_v - bias_v) > 1e-9
    moved = part.topology in _DIRECT and part.reference == "node" and off_node
    return "ideal level shift" if moved else ""


_DIRECT = ("passive_half_wave", "transistor_detector")
_NOT_BUILT = {"ideal": "ideal rectifier", "passive_full_wave": "ideal splitter"}
_REMARKS = {
    "": (),
    "ideal rectifier": ("The rectifier is ideal: it is the limit of good ones, and no parts make it.",),
    "ideal splitter": (
        "The passive full wave is offered both half waves at once, and no parts here make them: its diodes"
        ' are neither drawn nor listed; topology "bridge" is built from both ends.',
    ),
    "ideal level shift": (
        "The signal rests at the bias, and no parts here carry it to the diode's reference node: give"
        ' reference = "coupled" with coupling_farad and return_ohm, or "bias".',
    ),
}


def _inverter(at: Surrounded) -> list[Component]:
    minus = "rectifier_a_minus"
    return [
        *at.network({"R20": (at.before, minus), "R21": (minus, INVERTED)}),
        at.amplifier(0, BIAS, minus, INVERTED),
    ]


def detector(part: Detector, capacitor: HoldCapacitor, node: str) -> tuple[Component, ...]:
    """Return the resistor in the way, the hold capacitor and what empties it, on the node N."""
    average = isinstance(part, AverageDetector)
    way, across = ("smoothing_ohm", "load_ohm") if average else ("attack_ohm", "release_ohm")
    joints = {way: (OUT, HELD), "hold_farad": (HELD, node), across: (HELD, node)}
    parts = fitted(part, "detector", joints)
    if capacitor.material == "ideal":
        return parts
    name = capacitor.material
    shown = name.upper() if any(map(str.isdigit, name)) else name
    data = MappingProxyType({"dielectric": shown, "rated_v": capacitor.rated_v})
    return tuple(replace(one, data=data) if one.kind == "capacitor" else one for one in parts)


def highest_v(rectifier: Any, preamp: Preamp) -> dict[str, float]:
    """Return node → the most that it can be at, V, where that is not the analog supply."""
    if not isinstance(rectifier, PumpRectifier):
        return {}
    # Both peaks add up, drops left out.
    most_v = rectifier.reference_node_v + preamp.swing_up_v + preamp.swing_down_v
    ends = (OUT, HELD, COUPLED, "rectifier_end", "rectifier_other_end")
    return dict.fromkeys(ends, max(preamp.supply_v, most_v))


_TOPOLOGIES: Mapping[str, Callable[[Surrounded], list[Component]]] = {
    "difference_superdiodes": _difference_superdiodes,
    "absolute_value": _absolute_value,
    "diodeless": _diodeless,
    "bias_superdiodes": _bias_superdiodes,
    "passive_half_wave": _passive_half_wave,
    "bridge": _bridge,
    "voltage_doubler": _voltage_doubler,
    "transistor_detector": _transistor_detector,
}


def rectifier(part: Any, before: str, node: str, bias_v: float) -> tuple[list[Component], tuple[str, ...]]:
    """Return (parts, remarks) of a rectifier of any topology between a signal and the node "rectified".

    before: the signal's node, which rests at bias_v, V against ground. node: N.
    """
    missing = without_parts(part, bias_v)
    if part.topology in _NOT_BUILT:
        return [], _REMARKS[missing]
    return _TOPOLOGIES[part.topology](Surrounded(part, before, node, bias_v)), _REMARKS[missing]

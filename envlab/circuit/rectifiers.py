"""Every topology of the rectifier as parts and nodes, and the detector behind it.

It is fed by the node before, which rests at the bias B. Rectifier, hold capacitor and release resistor refer to
the reference node N. What the rectifier offers is on the node "rectified", from which the attack resistor leads
to "detector". Amplifiers are U2A, U2B … in the order of the signal.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from envlab.analog.detector import AverageDetector, Detector
from envlab.analog.preamp import Preamp
from envlab.analog.stage import fitted_parts
from envlab.circuit.description import Component
from envlab.circuit.elements import amplifier, diode, fitted, section

STAGE = "rectifier"
OUT, HELD, BIAS, SUPPLY = "rectified", "detector", "bias", "analog_supply"


@dataclass(frozen=True)
class Surrounded:
    """A rectifier and the nodes round it. before: the signal. node: N. data: of its amplifiers, SI."""

    rectifier: Any
    before: str
    node: str
    data: Mapping[str, float]
    sections: int

    def network(self, joints: Mapping[str, tuple[str, str]]) -> list[Component]:
        """Return resistors and capacitors, each between the nodes named for its reference."""
        by_field = {
            field: joints[part.reference]
            for field, part, _ in fitted_parts(self.rectifier)
            if part.reference in joints
        }
        return list(fitted(self.rectifier, STAGE, by_field))

    def amplifier(self, number: int, plus: str, minus: str, out: str, role: str) -> Component:
        """Return the amplifier of a number, from 0."""
        reference = section("U2", number) if self.sections > 1 else "U2"
        return amplifier(reference, plus, minus, out, role, STAGE, self.data, rail=SUPPLY)

    def diode(self, number: int, anode: str, cathode: str, role: str) -> Component:
        """Return the diode of a number, from 1."""
        return diode(f"D{number}", anode, cathode, role, STAGE, self.rectifier.diode_part, self.rectifier.diode)

    def super_diode(self, number: int, drive: str, diode_number: int) -> list[Component]:
        """Return an amplifier with a diode inside its loop: it gives current to "rectified" and takes none."""
        out = f"rectifier_{chr(ord('a') + number)}_out"
        return [
            self.amplifier(number, drive, OUT, out, "charges, and only charges"),
            self.diode(diode_number, out, OUT, "keeps the amplifier from discharging the hold capacitor"),
        ]

    def difference(self, number: int, plus: str, minus: str, out: str, first: int, role: str) -> list[Component]:
        """Return a difference stage: N + g·(plus − minus), four resistors from R{first} on."""
        at = f"rectifier_{chr(ord('a') + number)}"
        ends = ((plus, f"{at}_plus"), (f"{at}_plus", self.node), (minus, f"{at}_minus"), (f"{at}_minus", out))
        joints = {f"R{first + n}": end for n, end in enumerate(ends)}
        return [*self.network(joints), self.amplifier(number, f"{at}_plus", f"{at}_minus", out, role)]


def _difference_superdiodes(at: Surrounded) -> list[Component]:
    upper = at.difference(0, at.before, BIAS, "rectifier_upper", 20, "carries the signal from the bias to the node")
    if at.rectifier.kind == "half":
        return [*upper, *at.super_diode(1, "rectifier_upper", 1)]
    lower = at.difference(1, BIAS, at.before, "rectifier_lower", 24, "the same, upside down")
    return [
        *upper, *lower, *at.super_diode(2, "rectifier_upper", 1), *at.super_diode(3, "rectifier_lower", 2)
    ]  # fmt: skip


def _absolute_value(at: Surrounded) -> list[Component]:
    half, minus, out = "rectifier_half", "rectifier_a_minus", "rectifier_a_out"
    summed, sum_minus = "rectifier_folded", "rectifier_b_minus"
    return [
        *at.network({"R20": (at.before, minus), "R21": (minus, half)}),
        at.amplifier(0, BIAS, minus, out, "turns the upper half waves over"),
        at.diode(1, out, minus, "closes the loop during the other half waves"),
        at.diode(2, half, out, "lets one half wave through"),
        *at.network({"R22": (at.before, sum_minus), "R23": (half, sum_minus), "R24": (sum_minus, summed)}),
        at.amplifier(1, BIAS, sum_minus, summed, "adds the wave and twice its half"),
        *at.difference(2, summed, BIAS, "rectifier_shifted", 25, "carries it from the bias to the node"),
        *at.super_diode(3, "rectifier_shifted", 3),
    ]


def _bias_superdiodes(at: Surrounded) -> list[Component]:
    if at.rectifier.kind == "half":
        return at.super_diode(0, at.before, 1)
    return [*_inverter(at), *at.super_diode(1, at.before, 1), *at.super_diode(2, "rectifier_inverted", 2)]


def _inverter(at: Surrounded) -> list[Component]:
    minus, out = "rectifier_a_minus", "rectifier_inverted"
    return [
        *at.network({"R20": (at.before, minus), "R21": (minus, out)}),
        at.amplifier(0, BIAS, minus, out, "turns the wave over, round the bias"),
    ]


def detector(part: Detector, node: str) -> tuple[Component, ...]:
    """Return the resistor in the way, the hold capacitor and what empties it, on the node N."""
    way, across = ("smoothing_ohm", "load_ohm") if isinstance(part, AverageDetector) else ("attack_ohm", "release_ohm")
    return fitted(part, "detector", {way: (OUT, HELD), "hold_farad": (HELD, node), across: (HELD, node)})


def highest_v(rectifier: Any, preamp: Preamp) -> dict[str, float]:
    """Return node → the most that it can be at, V, where that is not the analog supply."""
    del rectifier, preamp
    return {}


_TOPOLOGIES: Mapping[str, tuple[int, Callable[[Surrounded], list[Component]]]] = {
    "difference_superdiodes": (4, _difference_superdiodes),
    "absolute_value": (4, _absolute_value),
    "bias_superdiodes": (3, _bias_superdiodes),
}


def rectifier(part: Any, before: str, node: str) -> tuple[tuple[Component, ...], tuple[str, ...]]:
    """Return (parts, remarks) of a rectifier of any topology between a signal and the node "rectified"."""
    topology = getattr(part, "topology", "ideal")
    if topology == "ideal":
        return (), ("The rectifier is ideal: it is the limit of good ones, and no parts make it.",)
    sections, make = _TOPOLOGIES[topology]
    return tuple(make(Surrounded(part, before, node, {}, sections))), ()

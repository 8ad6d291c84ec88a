"""Parts of a circuit made from what a stage says of itself, or from values that a rule gives."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from envlab.analog.diodes.diode import Diode
from envlab.analog.stage import fitted_parts
from envlab.circuit.description import GROUND, Component

UNITS = {"ohm": ("resistor", "ohm"), "farad": ("capacitor", "F")}


def fitted(
    stage: Any, name: str, joints: Mapping[str, tuple[str, str]], *, where: str = ""
) -> tuple[Component, ...]:
    """Return the parts of a stage that stand on the board, each between the two nodes named for its field.

    name: the stage's field in the chain. joints: field → nodes of pin 1 and pin 2. A field without joints is
    left out: what draws and buys it must know where it is.
    """
    made = []
    for field, part, value in fitted_parts(stage):
        if field not in joints:
            continue
        kind, unit = UNITS[field.rsplit("_", 1)[-1]]
        one, two = joints[field]
        made.append(
            Component(
                part.reference,
                kind,
                (("1", one), ("2", two)),
                part.purpose,
                float(value),
                unit,
                f"{name}.{field}",
                where or name,
                part.usual_percent,
            )
        )
    return tuple(made)


def resistor(
    reference: str, one: str, two: str, ohm: float, role: str, stage: str, percent: float = 1.0
) -> Component:
    """Return a resistor whose value no key of the design sets; ohm in Ω, 1 % if not said otherwise."""
    pins = (("1", one), ("2", two))
    return Component(reference, "resistor", pins, role, ohm, "ohm", "", stage, percent)


def capacitor(
    reference: str, one: str, two: str, farad: float, role: str, stage: str, percent: float = 10.0
) -> Component:
    """Return a capacitor whose value no key of the design sets; farad in F, 10 % if not said otherwise."""
    pins = (("1", one), ("2", two))
    return Component(reference, "capacitor", pins, role, farad, "F", "", stage, percent)


def amplifier(
    reference: str,
    plus: str,
    minus: str,
    out: str,
    role: str,
    stage: str,
    data: Mapping[str, float],
    *,
    rail: str,
) -> Component:
    """Return one amplifier between a rail and ground; data: its data sheet, SI (envlab.analog.amplifier)."""
    pins = (("in+", plus), ("in-", minus), ("out", out), ("v+", rail), ("v-", GROUND))
    return Component(reference, "amplifier", pins, role, stage=stage, data=MappingProxyType(dict(data)))


def diode(
    reference: str, anode: str, cathode: str, role: str, stage: str, part: Diode, material: str
) -> Component:
    """Return one diode with its law at its temperature."""
    data = {
        "saturation_a": part.saturation_now_a,
        "emission": part.emission,
        "slope_v": part.slope_v,
        "series_ohm": part.series_ohm,
        "leakage_ohm": part.leakage_ohm,
        "material": material,
    }
    pins = (("anode", anode), ("cathode", cathode))
    return Component(reference, "diode", pins, role, stage=stage, data=MappingProxyType(data))


def section(package: str, number: int) -> str:
    """Return the reference of a package's amplifier, counted from 0: "U2B" is the second of U2."""
    return f"{package}{chr(ord('A') + number)}"

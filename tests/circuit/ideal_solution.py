"""A linear circuit at one frequency, solved from its description alone, without the stages' own formulas.

Modified nodal analysis as textbooks have it: Kirchhoff's current law at every node, resistors and capacitors
as admittances, amplifiers ideal (equal inputs, whatever current their output needs; a nullor). Diodes are a
short or an open, as they are told.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from envlab.circuit.description import Circuit


def solved(
    circuit: Circuit,
    held_v: Mapping[str, complex],
    *,
    frequency_hz: float = 0.0,
    without: tuple[str, ...] = (),
    conducting: tuple[str, ...] = (),
) -> dict[str, complex]:
    """Return node → V. held_v: nodes at a known voltage. without: references that are left out.

    conducting: diodes that are a short; the others are open. A node that nothing holds is at 0 V.
    """
    parts = [one for one in circuit.components if one.reference not in without]
    names = [one.name for one in circuit.nodes if one.name != "ground"]
    place = {name: n for n, name in enumerate(names)}
    amplifiers = [
        one for one in parts if one.kind == "amplifier" and one.node_at("out") not in {*held_v, "ground"}
    ]
    size = len(names) + len(amplifiers) + len(held_v)
    equations, right = np.zeros((size, size), complex), np.zeros(size, complex)

    def connect(one: str, other: str, siemens: complex) -> None:
        for here, there in ((one, other), (other, one)):
            if here in place:
                equations[place[here], place[here]] += siemens
                if there in place:
                    equations[place[here], place[there]] -= siemens

    for part in parts:
        if part.kind == "resistor":
            connect(*part.nodes, 1 / part.value)
        elif part.kind == "capacitor" and frequency_hz:
            connect(*part.nodes, 2j * math.pi * frequency_hz * part.value)
        elif part.kind == "diode" and part.reference in conducting:
            connect(*part.nodes, 1e6)
    for name in names:
        equations[place[name], place[name]] += 1e-15
    row = len(names)
    for part in amplifiers:
        equations[place[part.node_at("out")], row] = 1
        for pin, sign in (("in+", 1), ("in-", -1)):
            if part.node_at(pin) in place:
                equations[row, place[part.node_at(pin)]] += sign
        row += 1
    for name, volts in held_v.items():
        equations[place[name], row] = 1
        equations[row, place[name]] = 1
        right[row] = volts
        row += 1
    found = np.linalg.solve(equations, right)
    return {name: complex(found[n]) for name, n in place.items()} | {"ground": 0j}

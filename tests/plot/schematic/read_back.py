"""Which pins a drawing joins, read from where its pins, wires, dots and names lie, and from nothing else.

Two things at one point are joined. A wire joins its ends. What ends on the middle of a wire is joined to it
where there is a dot; two wires that only cross are not. All places with the name of one node are joined.
"""

from __future__ import annotations

import math

from envlab.plot.schematic.pen import Drawn, Point

NEAR = 1e-6


def joined_pins(drawn: Drawn) -> set[frozenset[tuple[str, str]]]:
    """Return the sets of pins, each (reference, pin), that the drawing joins."""
    leader: dict[object, object] = {}

    def find(one: object) -> object:
        while leader.setdefault(one, one) != one:
            one = leader[one]
        return one

    def join(one: object, other: object) -> None:
        leader[find(one)] = find(other)

    for start, end in drawn.wires:
        join(at(start), at(end))
    for dot in drawn.dots:
        for wire in drawn.wires:
            if on_wire(dot, wire):
                join(at(dot), at(wire[0]))
    for point, node in drawn.names:
        join(at(point), node)
    for reference, pin, point in drawn.pins:
        join(("pin", reference, pin), at(point))
    found: dict[object, set[tuple[str, str]]] = {}
    for reference, pin, _ in drawn.pins:
        found.setdefault(find(("pin", reference, pin)), set()).add((reference, pin))
    return {frozenset(some) for some in found.values()}


def at(point: Point) -> tuple[str, int, int]:
    """Return a point as something that is equal for points that are."""
    # A grid whose lines lie where no coordinate does.
    return "point", math.floor(point[0] * 1e3 + 0.137), math.floor(point[1] * 1e3 + 0.137)


def on_wire(point: Point, wire: tuple[Point, Point]) -> bool:
    """Whether a point lies on a wire."""
    (x, y), ((x1, y1), (x2, y2)) = point, wire
    across = (x2 - x1) * (y - y1) - (y2 - y1) * (x - x1)
    within = min(x1, x2) - NEAR <= x <= max(x1, x2) + NEAR and min(y1, y2) - NEAR <= y <= max(y1, y2) + NEAR
    return within and abs(across) < NEAR * 10


def branches(drawn: Drawn, point: Point) -> int:
    """Return how many wires, pins and grounds end at a point; a wire that passes counts twice.

    The sections of a package share their supply pins.
    """
    pins = {(name.rstrip("ABCD"), pin) for name, pin, place in drawn.pins if at(point) == at(place)}
    count = len(pins) + sum(at(point) == at(place) for place, node in drawn.names if node == "ground")
    for wire in drawn.wires:
        ends = [at(end) for end in wire]
        if at(point) in ends:
            count += ends[0] != ends[1]
        elif on_wire(point, wire):
            count += 2
    return count

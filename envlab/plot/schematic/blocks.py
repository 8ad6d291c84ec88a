"""The stages of a circuit drawn: each from a point on, and returns where the signal goes on.

What is joined to what stands in the circuit's description; here stands where it lies on the sheet.
"""

from __future__ import annotations

from envlab.circuit.description import GROUND, Component
from envlab.plot.schematic.pen import INPUT_Y, Pen, Point

BACK_UP = 1.1


def microphone(pen: Pen, at: Point) -> Point:
    """Draw the microphone: a ready module, or an electret with its load."""
    x, y = at
    part = pen.circuit.component("MK1")
    told = f"{part.data['sensitivity_dbv_pa']:g} dBV/Pa".replace("-", "−")
    if not pen.circuit.has("R7"):
        pen.capsule((x + 0.5, y))
        box = pen.box((x + 1.0, y), ("MK1", "microphone", told), least_height=1.6)
        top, bottom = (box.middle[0], box.high), (box.middle[0], box.low)
        for pin, point in (("out", (box.right, y)), ("supply", top), ("ground", bottom)):
            pen.pin("MK1", pin, point)
        pen.rail(top, part.node_at("supply"))
        pen.potential(bottom, GROUND)
        return pen.wire((box.right, y), (box.right + 0.2, y))
    capsule = (x + 1.0, y - 1.3)
    drain, foot = (capsule[0], y), (capsule[0], capsule[1] - 0.5)
    pen.capsule(capsule)
    pen.pin("MK1", "+", (capsule[0], capsule[1] + 0.5))
    pen.pin("MK1", "-", foot)
    pen.wire((capsule[0], capsule[1] + 0.5), drain)
    pen.dot(drain)
    pen.potential(pen.wire(foot, (foot[0], foot[1] - 0.2)), GROUND)
    top = (capsule[0], y + 1.5)
    pen.down("R7", top, words="left")
    pen.rail(top, pen.circuit.component("R7").node_at("1"))
    rated = f"{told}\nat {part.data['rated_load_ohm'] / 1e3:g} kΩ"
    pen.word(f"MK1\nelectret\n{rated}", (capsule[0], foot[1] - 0.9), va="top")
    return pen.wire(drain, (x + 2.0, y))


_STAGES = (("C1", "R1", "R2", "C2", "R3"), ("C4", "R8", "R9", "C5", "R10"))


def preamp(pen: Pen, at: Point) -> Point:
    """Draw one or two non-inverting stages, each from its coupling capacitor on."""
    amplifiers = [one for one in pen.circuit.of_stage("preamp") if one.kind == "amplifier"]
    for amplifier, references in zip(amplifiers, _STAGES, strict=False):
        at = _stage(pen, at, amplifier.reference, references)
    return pen.named(at, "preamp")


def _stage(pen: Pen, at: Point, amplifier: str, references: tuple[str, ...]) -> Point:
    coupling, tie, leg, leg_capacitor, feedback = references
    node = pen.dot(pen.across(coupling, at))
    to_node(pen, tie, node, words="left")
    plus = pen.wire(node, (node[0] + 1.6, node[1]))
    out = pen.amplifier(amplifier, plus)
    minus = (plus[0], plus[1] - 2 * INPUT_Y)
    knot = pen.wire(minus, (minus[0] - 0.35, minus[1]), (minus[0] - 0.35, minus[1] - 1.25))
    pen.dot(knot)
    back = pen.across(feedback, knot, out[0] + 0.5 - knot[0], pins="2,1")
    output = pen.wire(out, (back[0], out[1]))
    pen.wire(back, output)
    pen.dot(output)
    if pen.circuit.has(leg_capacitor):
        to_node(pen, leg_capacitor, pen.down(leg, knot, 1.6), 0.9)
    else:
        to_node(pen, leg, knot, 1.6)
    return output


def to_node(pen: Pen, reference: str, top: Point, length: float = 1.5, *, words: str = "right") -> None:
    """Draw a part downwards, length in units of the drawing, to the potential that its second pin is on."""
    end = pen.down(reference, top, length, words=words)
    pen.potential(end, pen.circuit.component(reference).node_at("2"))


def band_filter(pen: Pen, at: Point) -> Point:
    """Draw the sections of the band filter in their order, each with its amplifier of unity gain."""
    amplifiers = [one.reference for one in pen.circuit.of_stage("band_filter") if one.kind == "amplifier"]
    ways = (("C6", "R11", "C7", "R12"), ("R13", "C8", "R14", "C9"))
    fitted = [some for some in ways if pen.circuit.has(some[0])]
    for amplifier, (way, other, second, shunt) in zip(amplifiers, fitted, strict=True):
        if pen.circuit.has(second):
            at = _second_order(pen, at, amplifier, (way, second), (other, shunt))
        else:
            node = pen.dot(pen.across(way, at))
            to_node(pen, other, node, words="left")
            at = follower(pen, pen.wire(node, (node[0] + 1.3, node[1])), amplifier)
    return pen.named(at, "band_filter")


def _second_order(
    pen: Pen, at: Point, amplifier: str, ways: tuple[str, str], others: tuple[str, str]
) -> Point:
    between = pen.across(ways[0], pen.wire(at, (at[0] + 0.2, at[1])))
    node = pen.across(ways[1], pen.wire(between, (between[0] + 0.3, between[1])))
    pen.dot(between)
    pen.dot(node)
    to_node(pen, others[1], node, words="left")
    end = follower(pen, pen.wire(node, (node[0] + 1.3, node[1])), amplifier)
    over = between[1] + 1.25
    corner = pen.wire(between, (between[0], over))
    back = pen.across(others[0], corner, end[0] - 0.3 - between[0])
    pen.wire(back, (end[0] - 0.3, over), (end[0] - 0.3, end[1]))
    pen.dot((end[0] - 0.3, end[1]))
    return end


def follower(pen: Pen, plus: Point, reference: str) -> Point:
    """Draw an amplifier whose output goes back to its − input; return the end of the wire behind it."""
    out = pen.amplifier(reference, plus)
    minus = (plus[0], plus[1] - 2 * INPUT_Y)
    output = pen.wire(out, (out[0] + 0.35, out[1]))
    below = minus[1] - 0.6
    pen.wire(minus, (minus[0] - 0.25, minus[1]), (minus[0] - 0.25, below), (output[0], below), output)
    pen.dot(output)
    return pen.wire(output, (output[0] + 0.3, output[1]))


def other_stage(pen: Pen, at: Point, name: str, before: str) -> Point:
    """Draw a stage that nobody here knows: parts from input to output in a line, what hangs on it down.

    A part that cannot be placed so stands for itself, its ends with the names of their nodes.
    """
    node, left = before, list(pen.circuit.of_stage(name))
    while left:
        way = next((one for one in left if _leads_on(pen, one, node)), None)
        if way is None:
            break
        left.remove(way)
        at, node = pen.across(way.reference, at), way.nodes[1]
        hanging = [one for one in left if one.nodes[0] == node and _is_held(pen, one.nodes[1])]
        for number, one in enumerate(hanging):
            if number:
                at = pen.wire(at, (at[0] + 1.8, at[1]))
            to_node(pen, one.reference, pen.dot(at))
            left.remove(one)
        at = pen.wire(at, (at[0] + (0.9 if hanging else 0.3), at[1]))
    if node == name:
        at = pen.named(at, name)
    elif name in {one.name for one in pen.circuit.nodes}:
        at = pen.named((at[0] + 1.0, at[1]), name)
    for one in left:
        at = _alone(pen, (at[0] + 0.6, at[1]), one)
    return at


def _leads_on(pen: Pen, part: Component, node: str) -> bool:
    return len(part.nodes) == 2 and part.nodes[0] == node and not _is_held(pen, part.nodes[1])


def _is_held(pen: Pen, node: str) -> bool:
    return node in (GROUND, "bias") or pen.circuit.node(node).fixed


def _alone(pen: Pen, at: Point, part: Component) -> Point:
    one, two = part.nodes
    private = [len(pen.circuit.pins_on(node)) == 1 for node in (one, two)]
    start = pen.wire(at, (at[0] + 0.5, at[1])) if private[0] else pen.coming_in(at, one)
    end = pen.across(part.reference, start)
    return pen.wire(end, (end[0] + 0.5, end[1])) if private[1] else pen.going_out(end, two)


def detector(pen: Pen, at: Point) -> Point:
    """Draw the resistor in the way, the hold capacitor and what empties it; then what leads to the pin."""
    average = pen.circuit.has("R6")
    way, across = ("R6", "R17") if average else ("R4", "R5")
    node = pen.dot(pen.across(way, pen.wire(at, (at[0] + 0.2, at[1]))))
    to_node(pen, "C3", node)
    if pen.circuit.has(across):
        node = pen.dot(pen.wire(node, (node[0] + 1.9, node[1])))
        to_node(pen, across, node)
        node = pen.wire(node, (node[0] + 0.4, node[1]))
    at = pen.named(pen.wire(node, (node[0] + 0.5, node[1])), "detector")
    if pen.circuit.has("U5"):
        at = follower(pen, at, "U5")
    if pen.circuit.has("R16"):
        at = pen.across("R16", at)
    return pen.going_out(at, pen.circuit.component("U9").node_at("adc"))

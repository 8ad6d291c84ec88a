"""What feeds the board, and what its readings light; groups that names and potentials join."""

from __future__ import annotations

from envlab.circuit.description import GROUND
from envlab.circuit.supplies import PIXEL_RAIL, packages
from envlab.plot.schematic.blocks import follower, to_node
from envlab.plot.schematic.pen import Pen, Point


def potential(pen: Pen, at: Point, amplifier: str) -> Point:
    """Draw a divider, its capacitor and the follower that makes a potential of it."""
    part = pen.circuit.component(amplifier)
    tap_node, node = part.node_at("in+"), part.node_at("out")
    on_tap = [pen.circuit.component(reference) for reference, _ in pen.circuit.pins_on(tap_node)]
    upper, lower = (one.reference for one in on_tap if one.kind == "resistor")
    quiet = next(one.reference for one in on_tap if one.kind == "capacitor")
    x, y = at
    tap = (x + 1.0, y)
    top = (tap[0], y + 1.5)
    pen.rail(top, pen.circuit.component(upper).node_at("1"))
    pen.down(upper, top, words="left")
    to_node(pen, lower, pen.dot(tap), words="left")
    beside = pen.dot(pen.wire(tap, (tap[0] + 0.9, y)))
    to_node(pen, quiet, beside)
    end = follower(pen, pen.wire(beside, (beside[0] + 1.9, y)), amplifier)
    return pen.named(end, node, pen.volts(node).partition("\n")[0])


def package(pen: Pen, at: Point, reference: str) -> Point:
    """Draw the supply pins of a package, and the capacitor that decouples them."""
    sections = packages(pen.circuit.components)[reference]
    rail = sections[0].node_at("v+")
    decoupling = next(
        one.reference
        for one in pen.circuit.components
        if one.kind == "capacitor" and one.role == f"decouples {reference}"
    )
    x, y = at[0] + 1.0, at[1]
    top = pen.dot((x, y + 0.9))
    pen.rail(top, rail)
    low = pen.dot(pen.down(decoupling, top, 1.8, words="left"))
    pen.potential(low, GROUND)
    box = pen.box((x + 0.5, y), (reference,), least_height=1.0)
    for pins, side, end, word in (("v+", box.high, top, "V+"), ("v-", box.low, low, "V−")):
        on_box = (box.middle[0], side)
        for one in sections:
            pen.pin(one.reference, pins, on_box)
        pen.wire(end, (on_box[0], end[1]), on_box)
        pen.word(word, (on_box[0] + 0.12, (end[1] + side) / 2), ha="left")
    return max(box.right, box.middle[0] + 0.7), y


def unused(pen: Pen, at: Point, amplifier: str) -> Point:
    """Draw an amplifier that a package has too many: a follower at rest."""
    node = pen.circuit.component(amplifier).node_at("in+")
    start = pen.coming_in(at, node)
    out = pen.amplifier(amplifier, start)
    below = out[1] - 0.95
    minus = (start[0], start[1] - 0.75)
    pen.wire(minus, (minus[0] - 0.25, minus[1]), (minus[0] - 0.25, below), (out[0], below), out)
    pen.word("unused", ((start[0] + out[0]) / 2, below - 0.1), va="top")
    return out


def pack(pen: Pen, at: Point) -> Point:
    """Draw pack, fuse, converter and the capacitor at the pixels' rail; a power bank is its own converter."""
    circuit = pen.circuit
    cells = circuit.component("BT1").data
    words: tuple[str, ...]
    if "cells" in cells:
        words = ("BT1", "pack", f"{cells['cells']} cells", f"{cells['capacity_ah']:g} Ah")
    else:
        words = ("BT1", "power bank", f"{cells['full_v']:g} V, {cells['current_a']:.2g} A")
    box = pen.box(at, words, least_height=1.9)
    plus, minus = (box.right, at[1]), (box.middle[0], box.low)
    pen.pin("BT1", "+", plus)
    pen.pin("BT1", "-", minus)
    pen.potential(minus, GROUND)
    fused = pen.across("F1", pen.wire(plus, (plus[0] + 0.2, plus[1])))
    out = _converter(pen, fused) if circuit.has("PS1") else fused
    rail = pen.dot(pen.wire(out, (out[0] + 0.7, out[1])))
    pen.rail(pen.wire(rail, (rail[0], rail[1] + 1.0)), PIXEL_RAIL)
    to_node(pen, "C30", rail)
    return rail[0] + 1.4, rail[1]


def _converter(pen: Pen, fused: Point) -> Point:
    data = pen.circuit.component("PS1").data
    start = pen.wire(fused, (fused[0] + 0.2, fused[1]))
    words = ("PS1", "converter", f"{data['volts']:g} V, {data['limit_a']:g} A")
    made = pen.box(start, words, least_height=1.9)
    foot, out = (made.middle[0], made.low), (made.right, fused[1])
    for pin, point in (("in", start), ("out", out), ("ground", foot)):
        pen.pin("PS1", pin, point)
    pen.potential(foot, GROUND)
    return out


def regulator(pen: Pen, at: Point, reference: str) -> Point:
    """Draw a linear regulator between two rails."""
    part = pen.circuit.component(reference)
    start = (at[0] + 0.5, at[1])
    box = pen.box(
        (start[0] + 0.3, at[1]), (reference, "regulator", f"{part.data['volts']:g} V"), least_height=1.6
    )
    into, out, foot = (box.left, at[1]), (box.right, at[1]), (box.middle[0], box.low)
    for pin, point in (("in", into), ("out", out), ("ground", foot)):
        pen.pin(reference, pin, point)
    pen.rail(pen.wire(into, (start[0], at[1]), (start[0], at[1] + 1.1)), part.node_at("in"))
    end = (box.right + 0.5, at[1])
    pen.rail(pen.wire(out, end, (end[0], at[1] + 1.1)), part.node_at("out"))
    pen.potential(foot, GROUND)
    return end[0] + 0.5, at[1]


def controller(pen: Pen, at: Point) -> Point:
    """Draw the controller: what it reads, what feeds it, what it feeds and sends."""
    part = pen.circuit.component("U9")
    data = part.data
    start = pen.coming_in(at, part.node_at("adc"))
    reads = f"ADC {data['bits']} bit"
    spans = f"0 to {data['reference_v']:g} V"
    rate_hz = data["rate_hz"]
    rate = f"{rate_hz / 1e3:g} kHz" if rate_hz >= 1e3 else f"{rate_hz:g} Hz"
    lines = ("U9", "controller", reads, spans, rate)
    sends = [pin for pin, _ in part.pins if pin.startswith("data")]
    tall = max(2.4, 0.7 * len(sends) + 0.4)
    box = pen.box(start, lines, least_height=tall, least_width=2.6)
    pen.pin("U9", "adc", start)
    for pin, x in (("supply", box.left + 0.55), ("regulated", box.right - 0.55)):
        if pin in dict(part.pins):
            pen.pin("U9", pin, (x, box.high))
            pen.rail((x, box.high), part.node_at(pin))
    foot = (box.middle[0], box.low)
    pen.pin("U9", "ground", foot)
    pen.potential(foot, GROUND)
    end = at
    for number, pin in enumerate(sends):
        y = at[1] + 0.7 * ((len(sends) - 1) / 2 - number)
        side = (box.right, y)
        pen.pin("U9", pin, side)
        end = pen.going_out(side, part.node_at(pin))
    return end[0], at[1]


def pixels(pen: Pen, at: Point, reference: str) -> Point:
    """Draw the pixels of one data line with the resistor in it."""
    part = pen.circuit.component(reference)
    seen = part.node_at("data")
    damper = next(
        pen.circuit.component(name) for name, _ in pen.circuit.pins_on(seen) if name.startswith("R")
    )
    start = pen.across(damper.reference, pen.coming_in(at, damper.nodes[0]))
    start = pen.wire(start, (start[0] + 0.2, start[1]))
    data = part.data
    lines = (reference, f"{data['count']} pixels", f"{data['channels']} × {1e3 * data['channel_a']:g} mA")
    box = pen.box(start, lines, least_height=1.9)
    pen.pin(reference, "data", start)
    for pin, point in (("supply", (box.middle[0], box.high)), ("ground", (box.middle[0], box.low))):
        pen.pin(reference, pin, point)
    pen.rail((box.middle[0], box.high), part.node_at("supply"))
    pen.potential((box.middle[0], box.low), GROUND)
    return box.right, at[1]

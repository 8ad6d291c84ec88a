"""The rectifier's topologies drawn: where each part of the description lies on the sheet."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from envlab.circuit.rectifiers import BIAS, FOLDED, OUT, SHIFTED
from envlab.plot.palette import SOFT
from envlab.plot.schematic.blocks import BACK_UP, follower, to_node
from envlab.plot.schematic.pen import INPUT_Y, Pen, Point, text_width

# Between half waves that stand above each other.
_APART = 6.6
_NO_PARTS = "no parts make it"


def gap(pen: Pen, at: Point, what: str, node: str) -> Point:
    """Leave a gap where no parts make what the design asks for, say so, and go on at a node."""
    x, y = at
    width = max(text_width(what), text_width(_NO_PARTS)) + 0.4
    pen.word(what, (x + width / 2, y + 0.12), va="bottom", colour=SOFT)
    pen.word(_NO_PARTS, (x + width / 2, y - 0.12), va="top", colour=SOFT)
    end = (x + width, y)
    pen.name(end, node)
    return pen.wire(end, (end[0] + 0.3, y))


def passive(pen: Pen, at: Point, missing: str) -> Point:
    """Draw a passive half wave, or the gap of a rectifier that no parts make; missing: what they do not."""
    if missing and not (pen.circuit.has("D1") or pen.circuit.has("Q1")):
        return pen.named(gap(pen, at, missing, OUT), OUT)
    if missing:
        at = gap(pen, at, missing, SHIFTED)
    if pen.circuit.has("C10"):
        at = pen.across("C10", at)
        if pen.circuit.has("R15"):
            to_node(pen, "R15", pen.dot(at), words="left")
    at = pen.wire(at, (at[0] + 0.3, at[1]))
    if pen.circuit.has("Q1"):
        return _transistor(pen, at)
    for number in (1, 2):
        if pen.circuit.has(f"D{number}"):
            at = pen.across(f"D{number}", at, 1.4)
    return pen.named(at, OUT)


def _transistor(pen: Pen, at: Point) -> Point:
    base = pen.across("R20", at) if pen.circuit.has("R20") else at
    collector, emitter = pen.transistor("Q1", pen.wire(base, (base[0] + 0.3, base[1])))
    pen.rail(
        pen.wire(collector, (collector[0], collector[1] + 0.3)),
        pen.circuit.component("Q1").node_at("collector"),
    )
    foot = pen.wire(emitter, (emitter[0], emitter[1] - 0.6))
    return pen.named(foot, OUT)


def inverting(pen: Pen, start: Point, way: str, back: str, amplifier: str) -> tuple[Point, Point]:
    """Draw an inverting stage on the bias; start: of its input resistor. Return (− input's node, output)."""
    node = pen.dot(pen.across(way, start))
    return node, _round(pen, node, back, amplifier, BACK_UP)


def _round(pen: Pen, node: Point, back: str, amplifier: str, up: float) -> Point:
    """An amplifier on the bias, − on top, with what leads back over it; from the − input's node on."""
    minus = pen.wire(node, (node[0] + 0.6, node[1]))
    out = pen.amplifier(amplifier, minus, plus_up=False, words="below")
    on_bias(pen, (minus[0], minus[1] - 2 * INPUT_Y))
    over = node[1] + up
    end = pen.across(back, pen.wire(node, (node[0], over)), out[0] + 0.5 - node[0])
    output = pen.wire(out, (end[0], out[1]))
    pen.wire(end, output)
    return pen.dot(output)


def on_bias(pen: Pen, plus: Point) -> None:
    """Lead a + input to the bias."""
    x, y = plus[0] - 0.3, plus[1]
    pen.potential(pen.wire(plus, (x, y), (x, y - 0.6)), BIAS)


def difference(pen: Pen, at: Point, nodes: tuple[str, str], first: int, amplifier: str) -> Point:
    """Draw a difference stage of four resistors from R{first} on; nodes: of its + and its − side."""
    x, y = at
    low = y - 2.1
    starts = [pen.coming_in((x, height), node) for node, height in ((nodes[1], y), (nodes[0], low))]
    begin = max(point[0] for point in starts)
    high = pen.across(f"R{first + 2}", pen.wire(starts[0], (begin, y)))
    foot = pen.across(f"R{first}", pen.wire(starts[1], (begin, low)))
    column = max(high[0], foot[0])
    node, other = pen.wire(high, (column, y)), pen.wire(foot, (column, low))
    to_node(pen, f"R{first + 1}", pen.dot(other))
    minus = pen.wire(pen.dot(node), (node[0] + 1.0, y))
    out = pen.amplifier(amplifier, minus, plus_up=False, words="below")
    plus = (minus[0], y - 2 * INPUT_Y)
    pen.wire(other, (other[0] + 0.5, low), (other[0] + 0.5, plus[1]), plus)
    over = y + BACK_UP
    end = pen.across(f"R{first + 3}", pen.wire(node, (node[0], over)), out[0] + 0.5 - node[0])
    output = pen.wire(out, (end[0], out[1]))
    pen.wire(end, output)
    return pen.dot(output)


def super_diode(pen: Pen, at: Point, amplifier: str, diode: str) -> Point:
    """Draw an amplifier with a diode inside its loop, from its + input on; return where both meet."""
    plus = pen.wire(at, (at[0] + 0.5, at[1]))
    out = pen.amplifier(amplifier, plus)
    end = pen.across(diode, pen.wire(out, (out[0] + 0.2, out[1])), 1.2)
    minus = (plus[0], plus[1] - 2 * INPUT_Y)
    below = minus[1] - 0.6
    pen.wire(minus, (minus[0] - 0.25, minus[1]), (minus[0] - 0.25, below), (end[0], below), end)
    return pen.dot(end)


def _blocked(pen: Pen, at: Point, amplifier: str, diode: str) -> Point:
    """Draw the super-diode that blocks; where the board has none, the amplifier before gives and takes."""
    if pen.circuit.has(diode):
        return super_diode(pen, at, amplifier, diode)
    return pen.wire(at, (at[0] + 0.3, at[1]))


def _joined(pen: Pen, upper: Point, lower: Point) -> Point:
    """Join two half waves that stand above each other, and name what comes of them."""
    x = max(upper[0], lower[0]) + 0.6
    middle = (x, (upper[1] + lower[1]) / 2)
    pen.wire(upper, (x, upper[1]), middle)
    pen.wire(lower, (x, lower[1]), middle)
    return pen.named(pen.dot(middle), OUT)


def _difference_superdiodes(pen: Pen, at: Point, before: str) -> Point:
    ends = []
    rows = ((0, (before, BIAS), 20, "U2A", "U2C", "D1"), (1, (BIAS, before), 24, "U2B", "U2D", "D2"))
    for row, nodes, first, shifts, charges, diode in rows:
        out = difference(pen, (at[0], at[1] - row * _APART), nodes, first, shifts)
        ends.append(super_diode(pen, out, charges, diode))
    return _joined(pen, *ends)


def _bias_superdiodes(pen: Pen, at: Point, before: str) -> Point:
    x, y = at
    upper = super_diode(pen, pen.coming_in((x, y), before), "U2B", "D1")
    start = pen.coming_in((x, y - 4.0), before)
    _, out = inverting(pen, start, "R20", "R21", "U2A")
    return _joined(pen, upper, super_diode(pen, out, "U2C", "D2"))


def _bridge(pen: Pen, at: Point, before: str) -> Point:
    x, y = at
    low = y - 6.0
    _, out = inverting(pen, pen.coming_in((x, low), before), "R20", "R21", "U2")
    other = pen.across("C11", pen.wire(out, (out[0] + 0.3, out[1])))
    start = pen.coming_in((x, y), before)
    one = pen.across("C10", pen.wire(start, (other[0] - 1.6, y)))
    ends = []
    for end, up, down in ((one, "D1", "D3"), (other, "D2", "D4")):
        corner = pen.dot(pen.wire(end, (other[0] + 0.3, end[1])))
        foot = pen.down(down, corner, 1.4, pins="cathode,anode")
        pen.potential(foot, pen.circuit.component(down).node_at("anode"))
        ends.append(pen.across(up, pen.wire(corner, (corner[0] + 0.3, corner[1])), 1.4))
    return _joined(pen, *ends)


def _voltage_doubler(pen: Pen, at: Point, before: str) -> Point:
    corner = pen.dot(pen.across("C10", pen.coming_in(at, before)))
    foot = pen.down("D1", corner, 1.4, pins="cathode,anode")
    pen.potential(foot, pen.circuit.component("D1").node_at("anode"))
    return pen.named(pen.across("D2", pen.wire(corner, (corner[0] + 0.3, corner[1])), 1.4), OUT)


def _diodeless(pen: Pen, at: Point, before: str) -> Point:
    node = pen.dot(pen.across("C10", pen.coming_in(at, before)))
    to_node(pen, "R15", node)
    x, y = node
    over = y + 1.5
    up = pen.wire(node, (x, over))
    plus = pen.across("R20", pen.wire(node, (x + 0.9, y)))
    half = follower(pen, pen.wire(plus, (plus[0] + 0.4, y)), "U2A")
    half = pen.wire(half, (half[0] + 0.4, half[1]))
    # The sum's + input below, where the follower's output arrives.
    minus = (half[0], half[1] + 2 * INPUT_Y)
    out = pen.amplifier("U2B", minus, plus_up=False, words="below")
    column = (minus[0] - 0.5, over)
    pen.wire(pen.across("R21", up, column[0] - x), column)
    pen.wire(pen.dot(column), (column[0], minus[1]), minus)
    end = pen.across("R22", column, out[0] + 0.5 - column[0])
    output = pen.wire(out, (end[0], out[1]))
    pen.wire(end, output)
    return pen.named(_blocked(pen, pen.dot(output), "U2C", "D1"), OUT)


def _absolute_value_folding(pen: Pen, at: Point, before: str) -> Point:
    node = pen.dot(pen.across("R20", pen.coming_in(at, before)))
    minus = pen.wire(node, (node[0] + 0.6, node[1]))
    out = pen.amplifier("U2A", minus, plus_up=False, words="below")
    on_bias(pen, (minus[0], minus[1] - 2 * INPUT_Y))
    over, higher = node[1] + BACK_UP, node[1] + 2.2
    back = pen.across(
        "D1", pen.dot(pen.wire(node, (node[0], over))), out[0] + 0.4 - node[0], pins="cathode,anode"
    )
    knot = pen.wire(out, (back[0], out[1]))
    pen.wire(back, pen.dot(knot))
    half = pen.across(
        "D2", pen.wire(knot, (knot[0] + 0.2, knot[1])), 1.2, pins="cathode,anode", words="below"
    )
    far = pen.across("R21", pen.wire((node[0], over), (node[0], higher)), half[0] - node[0])
    pen.wire(far, (half[0], higher), pen.dot(half))
    up = half[1] + BACK_UP
    signal = pen.across("R22", pen.coming_in((half[0] + 0.35, up), before))
    end = pen.across("R23", pen.wire(half, (half[0] + 0.9, half[1])), 1.9)
    top = (max(signal[0], end[0]) + 0.2, up)
    pen.wire(signal, top)
    added = pen.dot(pen.wire(end, (top[0], half[1])))
    output = _round(pen, added, "R24", "U2B", BACK_UP)
    pen.dot(top)
    return pen.going_out(output, FOLDED)


def _absolute_value(pen: Pen, at: Point, before: str) -> Point:
    del before
    out = difference(pen, at, (FOLDED, BIAS), 25, "U2C")
    return pen.named(_blocked(pen, out, "U2D", "D3"), OUT)


# Rows of each topology that begin with names of nodes; the last ends on "rectified".
Row = Callable[[Pen, Point, str], Point]
TOPOLOGIES: Mapping[str, tuple[Row, ...]] = {
    "difference_superdiodes": (_difference_superdiodes,),
    "absolute_value": (_absolute_value_folding, _absolute_value),
    "diodeless": (_diodeless,),
    "bias_superdiodes": (_bias_superdiodes,),
    "bridge": (_bridge,),
    "voltage_doubler": (_voltage_doubler,),
}

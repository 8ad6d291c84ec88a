"""What a circuit is drawn with: parts of its description, wires, potentials, names of nodes, boxes.

Symbols are those of schemdraw: resistors, capacitors, diodes and ground in the manner of [IEC60617],
amplifiers as the triangle that the trade uses. One unit of the drawing, in which every length here is given,
is the length of a resistor's body.

The pen notes where it put each pin, wire and name, so that one can read back from the drawing which pins are
joined, and hold that against the description.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise
from typing import Any

import schemdraw
import schemdraw.elements
from matplotlib.axes import Axes
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath
from schemdraw.segments import Segment, SegmentCircle

from envlab.circuit.description import GROUND, Circuit
from envlab.circuit.ratings import plus_pin
from envlab.plot.palette import INK, SOFT, colour
from envlab.plot.style import SMALL_PT

Point = tuple[float, float]
# Its constructors carry no types.
elm: Any = schemdraw.elements

WIRE_PT = 1.0
# schemdraw's amplifier, made smaller: inputs this far above and below the middle, tip this far from the back.
AMPLIFIER_SCALE = 0.6
INPUT_Y = 0.375
TIP_X = 2.5 * 3**0.5 / 2 * AMPLIFIER_SCALE
UNIT_MM = 20 / 3
PT_PER_UNIT = UNIT_MM / 25.4 * 72
LINE = 1.2 * SMALL_PT / PT_PER_UNIT
_BELOW = 0.12


@dataclass(frozen=True)
class Word:
    """One text of the drawing and where it stands."""

    text: str
    at: Point
    ha: str = "center"
    va: str = "center"
    colour: str = INK
    bold: bool = False


@dataclass(frozen=True)
class Drawn:
    """What a drawing joins: pins (reference, pin, point), wires, dots, and names of nodes at points."""

    pins: tuple[tuple[str, str, Point], ...]
    wires: tuple[tuple[Point, Point], ...]
    dots: tuple[Point, ...]
    names: tuple[tuple[Point, str], ...]


@dataclass(frozen=True)
class Box:
    """A block's sides: left, low, right and high, in units of the drawing."""

    left: float
    low: float
    right: float
    high: float

    @property
    def middle(self) -> Point:
        """Its middle."""
        return (self.left + self.right) / 2, (self.low + self.high) / 2


@cache
def text_width(text: str, bold: bool = False) -> float:
    """Return the length of a line of text, in units of the drawing."""
    if not text:
        return 0.0
    letters = FontProperties(weight="bold" if bold else "normal", size=SMALL_PT)
    return float(TextPath((0, 0), text, prop=letters).get_extents().width) / PT_PER_UNIT


@dataclass
class Pen:
    """A drawing under way of a circuit; values: reference → what is printed on the part."""

    circuit: Circuit
    values: Mapping[str, str]
    drawing: schemdraw.Drawing = field(
        default_factory=lambda: schemdraw.Drawing(
            show=False, unit=1.6, lw=WIRE_PT, color=INK, fontsize=SMALL_PT
        )
    )
    words: list[Word] = field(default_factory=list)
    pins: list[tuple[str, str, Point]] = field(default_factory=list)
    wires: list[tuple[Point, Point]] = field(default_factory=list)
    dots: list[Point] = field(default_factory=list)
    names: list[tuple[Point, str]] = field(default_factory=list)

    def blank(self) -> Pen:
        """Return a pen for the same circuit with nothing drawn yet."""
        return Pen(self.circuit, self.values)

    @property
    def drawn(self) -> Drawn:
        """What was drawn so far, without its looks."""
        return Drawn(tuple(self.pins), tuple(self.wires), tuple(self.dots), tuple(self.names))

    def wire(self, *points: Point) -> Point:
        """Draw a wire through points; return its end."""
        for start, end in pairwise(points):
            self.drawing.add(elm.Line().endpoints(start, end))
            self.wires.append((start, end))
        return points[-1]

    def arrow(self, start: Point, end: Point) -> None:
        """Draw a wire with a head: which way a signal or a current goes."""
        self.drawing.add(elm.Arrow().endpoints(start, end))
        self.wires.append((start, end))

    def dot(self, at: Point) -> Point:
        """Mark that wires are joined here; return where."""
        self.drawing.add(elm.Dot(radius=0.07).at(at))
        self.dots.append(at)
        return at

    def word(self, text: str, at: Point, **style: Any) -> None:
        """Write a text; style: ha, va, colour, bold of a Word."""
        self.words.append(Word(text, at, **style))

    def pin(self, reference: str, pin: str, at: Point) -> None:
        """Note where a pin of a part is."""
        self.pins.append((reference, pin, at))

    def name(self, at: Point, node: str) -> None:
        """Note that a wire's end belongs to a node by its name."""
        self.names.append((at, node))

    def said(self, reference: str, between: str = " ") -> str:
        """Return the words of a part: reference and value."""
        return f"{reference}{between}{self.values[reference]}".strip()

    def across(
        self, reference: str, start: Point, length: float = 1.6, *, pins: str = "", words: str = "above"
    ) -> Point:
        """Draw a part of two pins from left to right; return its end.

        length: in units of the drawing, at least. pins: the two pins from left to right, separated by a
        comma; "": in the order of the part. words: "above" or "below".
        """
        text = self.said(reference)
        end = (start[0] + max(length, text_width(text) + 0.3), start[1])
        self._two_pins(reference, start, end, pins)
        kind = self.circuit.component(reference).kind
        away = {"resistor": 0.3, "fuse": 0.3}.get(kind, 0.36)
        middle = (start[0] + end[0]) / 2
        if words == "above":
            self.word(text, (middle, start[1] + away), va="bottom")
        else:
            self.word(text, (middle, start[1] - away), va="top")
        return end

    def down(
        self, reference: str, start: Point, length: float = 1.5, *, words: str = "right", pins: str = ""
    ) -> Point:
        """Draw a part of two pins downwards, its words beside it in two lines; return its end.

        length: in units of the drawing.
        """
        end = (start[0], start[1] - length)
        self._two_pins(reference, start, end, pins)
        side = 0.36 if words == "right" else -0.36
        ha = "left" if words == "right" else "right"
        self.word(self.said(reference, "\n"), (start[0] + side, start[1] - length / 2), ha=ha)
        return end

    def _two_pins(self, reference: str, start: Point, end: Point, pins: str) -> None:
        part = self.circuit.component(reference)
        first, last = pins.split(",") if pins else (name for name, _ in part.pins)
        self.pin(reference, first, start)
        self.pin(reference, last, end)
        if part.kind == "diode":
            anode, cathode = (start, end) if first == "anode" else (end, start)
            symbol = elm.Schottky() if part.data["material"] == "schottky" else elm.Diode()
            self.drawing.add(symbol.scale(0.8).endpoints(anode, cathode))
            return
        if part.kind == "fuse":
            self.drawing.add(elm.ResistorIEC().endpoints(start, end))
            self.drawing.add(elm.Line().endpoints(start, end))
            return
        symbol = elm.ResistorIEC() if part.kind == "resistor" else elm.Capacitor()
        self.drawing.add(symbol.endpoints(start, end))
        if plus := plus_pin(self.circuit, part):
            self._plus(start, end, plus == first)

    def _plus(self, start: Point, end: Point, at_start: bool) -> None:
        """Mark the + of a capacitor that has one: left of it if it stands, below if it lies."""
        towards = -1.0 if at_start else 1.0
        length = math.dist(start, end)
        along = ((end[0] - start[0]) / length, (end[1] - start[1]) / length)
        middle = ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
        aside = (-0.3, 0.0) if abs(along[1]) > abs(along[0]) else (0.0, -0.3)
        x = middle[0] + 0.27 * towards * along[0] + aside[0]
        y = middle[1] + 0.27 * towards * along[1] + aside[1]
        for dx, dy in ((0.09, 0.0), (0.0, 0.09)):
            self.drawing.add(elm.Line().endpoints((x - dx, y - dy), (x + dx, y + dy)))

    def amplifier(self, reference: str, upper: Point, *, plus_up: bool = True, words: str = "above") -> Point:
        """Draw an amplifier with its upper input at a point, the other below it; return its output.

        plus_up: the upper input is +. words: where its reference stands, "above" or "below" the tip.
        """
        middle = (upper[0], upper[1] - INPUT_Y)
        lower = (upper[0], upper[1] - 2 * INPUT_Y)
        out = (middle[0] + TIP_X, middle[1])
        symbol = elm.Opamp().scale(AMPLIFIER_SCALE)
        if plus_up:
            self.drawing.add(symbol.at(upper).anchor("in2").theta(0).flip())
        else:
            self.drawing.add(symbol.at(upper).anchor("in1").theta(0))
        self.pin(reference, "in+", upper if plus_up else lower)
        self.pin(reference, "in-", lower if plus_up else upper)
        self.pin(reference, "out", out)
        side = 1 if words == "above" else -1
        va = "bottom" if words == "above" else "top"
        self.word(reference, (middle[0] + 0.72, middle[1] + side * 0.42), va=va, ha="left")
        return out

    def transistor(self, reference: str, base: Point) -> tuple[Point, Point]:
        """Draw an NPN transistor with its base at a point; return collector (above) and emitter (below)."""
        symbol = self.drawing.add(elm.BjtNpn(circle=False).scale(0.8).at(base).anchor("base").theta(0))
        collector, emitter = ((float(p.x), float(p.y)) for p in (symbol.collector, symbol.emitter))
        for pin, at in (("base", base), ("collector", collector), ("emitter", emitter)):
            self.pin(reference, pin, at)
        self.word(reference, (collector[0] + 0.2, base[1]), ha="left")
        return collector, emitter

    def capsule(self, at: Point) -> None:
        """Draw a microphone's circle round a point, half a unit in radius."""
        # The circle stands on its membrane; sound comes from the left.
        symbol = elm.Element()
        symbol.segments.append(SegmentCircle((0, 0), 0.5))
        symbol.segments.append(Segment([(-0.5, -0.55), (-0.5, 0.55)]))
        self.drawing.add(symbol.at(at))

    def potential(self, at: Point, node: str) -> None:
        """End a wire that comes from above at a node of fixed voltage: ground, or a bar with its volts."""
        self.name(at, node)
        if node == GROUND:
            self.drawing.add(elm.Ground().scale(0.8).at(at))
            return
        bar = self.wire(at, (at[0], at[1] - 0.25))
        self.drawing.add(elm.Line().endpoints((bar[0] - 0.25, bar[1]), (bar[0] + 0.25, bar[1])))
        self.word(self.volts(node), (bar[0], bar[1] - _BELOW), va="top")

    def rail(self, at: Point, node: str) -> None:
        """End a wire that comes from below at a supply: a bar with its voltage above."""
        self.name(at, node)
        bar = self.wire(at, (at[0], at[1] + 0.3))
        self.drawing.add(elm.Line().endpoints((bar[0] - 0.25, bar[1]), (bar[0] + 0.25, bar[1])))
        self.word(self.volts(node), (bar[0], bar[1] + 0.1), va="bottom")

    def volts(self, node: str) -> str:
        """Return what stands at a potential: its voltage, with its name where two nodes have the same."""
        at_v = self.circuit.node(node).quiescent_v
        alike = [one for one in self.circuit.nodes if one.quiescent_v == at_v and one.name != node]
        rails = [one for one in alike if one.fixed]
        return f"{at_v:g} V" + (f"\n{self.circuit.node(node).label}" if rails else "")

    def box(
        self, left: Point, lines: Sequence[str], *, least_height: float = 0.0, least_width: float = 0.0
    ) -> Box:
        """Draw a block as large as its words, its left side's middle at a point; line one is its name.

        least_height, least_width: in units of the drawing.
        """
        name, *others = lines
        width = max(text_width(name, bold=True), *map(text_width, others), 0.0) + 0.5
        width, height = max(width, least_width), max(least_height, LINE * len(lines) + 0.5)
        x, y = left
        box = Box(x, y - height / 2, x + width, y + height / 2)
        corners = ((x, box.low), (box.right, box.low), (box.right, box.high), (x, box.high), (x, box.low))
        for start, end in pairwise(corners):
            self.drawing.add(elm.Line().endpoints(start, end))
        top = y + LINE * len(lines) / 2
        for n, line in enumerate(lines):
            self.word(line, (x + width / 2, top - LINE * (n + 0.5)), bold=n == 0)
        return box

    def named(self, at: Point, node: str, also: str = "") -> Point:
        """Draw a wire as long as its node's label, which stands above it in the colour of its quantity.

        also: what stands beside the label, as the volts by which other places call the node.
        """
        label = f"{self.circuit.node(node).label} {also}".rstrip()
        self.name(at, node)
        length = text_width(label, bold=True) + 0.4
        hue = colour(node) if node in ("preamp", "rectified", "detector") else INK
        self.word(label, (at[0] + length / 2, at[1] + 0.14), va="bottom", colour=hue, bold=True)
        return self.wire(at, (at[0] + length, at[1]))

    def leaving(self, at: Point) -> Point:
        """End a wire that has its name already: the signal goes on elsewhere. Return the arrow's tip."""
        tip = (at[0] + 0.7, at[1])
        self.arrow(at, tip)
        return tip

    def going_out(self, at: Point, node: str) -> Point:
        """End a wire: the signal goes on elsewhere, under its node's label. Return the end of the words."""
        label, tip = self.label(node), (at[0] + 0.7, at[1])
        self.name(at, node)
        self.arrow(at, tip)
        self.word(label, (tip[0] + 0.1, tip[1]), ha="left", colour=SOFT)
        return tip[0] + 0.1 + text_width(label), tip[1]

    def coming_in(self, at: Point, node: str) -> Point:
        """Begin a wire with the signal of a node; return where it goes on."""
        label = self.label(node)
        self.word(label, at, ha="left", colour=SOFT)
        start = (at[0] + 0.1 + text_width(label), at[1])
        tip = (start[0] + 0.7, at[1])
        self.arrow(start, tip)
        self.name(tip, node)
        return self.wire(tip, (tip[0] + 0.3, at[1]))

    def label(self, node: str) -> str:
        """Return what a node is called; a node without a label by its own name."""
        return self.circuit.node(node).label or node.replace("_", " ")

    def reach_x(self) -> tuple[float, float]:
        """Return the least and largest x of everything drawn so far, in units of the drawing."""
        share = {"left": 1.0, "center": 0.5, "right": 0.0}
        box = self.drawing.get_bbox()
        reach = [float(box.xmin), float(box.xmax)]
        for word in self.words:
            for line in word.text.split("\n"):
                width = text_width(line, word.bold)
                right = word.at[0] + share[word.ha] * width
                reach += [right - width, right]
        return min(reach), max(reach)

    def reach_y(self) -> tuple[float, float]:
        """Return the lowest and highest y of everything drawn so far, in units of the drawing."""
        box = self.drawing.get_bbox()
        reach = [box.ymin, box.ymax]
        for word in self.words:
            height = LINE * (1 + word.text.count("\n"))
            above = {"bottom": 1.0, "center": 0.5, "top": 0.0}[word.va]
            reach += [word.at[1] + above * height, word.at[1] - (1 - above) * height]
        return min(reach), max(reach)

    def put_on(self, axes: Axes) -> None:
        """Draw everything onto axes whose data units are the drawing's."""
        self.drawing.draw(show=False, canvas=axes)
        for word in self.words:
            axes.text(
                *word.at,
                word.text,
                ha=word.ha,
                va=word.va,
                color=word.colour,
                fontsize=SMALL_PT,
                fontweight="bold" if word.bold else "normal",
                linespacing=1.05,
            )

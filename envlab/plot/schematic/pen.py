"""What a circuit is drawn with: wires, parts with their words, reference potentials, amplifiers, boxes.

Symbols are those of schemdraw: resistors, capacitors, diodes and ground in the manner of [IEC60617],
amplifiers as the triangle that the trade uses. One unit of the drawing, in which every length here is given,
is the length of a resistor's body.
"""

from __future__ import annotations

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

from envlab.plot.palette import INK, SOFT, colour
from envlab.plot.style import SMALL_PT
from envlab.study.specification.parts_list import BoardPart

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
class Box:
    """A block's middles: right side, top and bottom."""

    right: Point
    top: Point
    bottom: Point


@cache
def text_width(text: str, bold: bool = False) -> float:
    """Return the length of a line of text, in units of the drawing."""
    if not text:
        return 0.0
    letters = FontProperties(weight="bold" if bold else "normal", size=SMALL_PT)
    return float(TextPath((0, 0), text, prop=letters).get_extents().width) / PT_PER_UNIT


@dataclass
class Pen:
    """A drawing under way; parts: what the board has, by key ("preamp.feedback_ohm")."""

    parts: Mapping[str, BoardPart]
    drawing: schemdraw.Drawing = field(
        default_factory=lambda: schemdraw.Drawing(
            show=False, unit=1.6, lw=WIRE_PT, color=INK, fontsize=SMALL_PT
        )
    )
    words: list[Word] = field(default_factory=list)

    def wire(self, *points: Point) -> Point:
        """Draw a wire through points; return its end."""
        for start, end in pairwise(points):
            self.drawing.add(elm.Line().endpoints(start, end))
        return points[-1]

    def arrow(self, start: Point, end: Point) -> None:
        """Draw a wire with a head: which way a signal or a current goes."""
        self.drawing.add(elm.Arrow().endpoints(start, end))

    def dot(self, at: Point) -> None:
        """Mark that wires are joined here."""
        self.drawing.add(elm.Dot(radius=0.07).at(at))

    def word(self, text: str, at: Point, **style: Any) -> None:
        """Write a text; style: ha, va, colour, bold of a Word."""
        self.words.append(Word(text, at, **style))

    def across(self, key: str, start: Point, length: float = 1.6) -> Point:
        """Draw a part of the list from left to right, its words above; return its end."""
        part = self.parts[key]
        words = f"{part.reference} {part.value_text}"
        end = (start[0] + max(length, text_width(words) + 0.3), start[1])
        self._draw(part, start, end)
        top = 0.3 if part.unit == "ohm" else 0.33
        self.word(words, ((start[0] + end[0]) / 2, start[1] + top), va="bottom")
        return end

    def down(self, key: str, start: Point, length: float = 1.5, *, words: str = "right") -> Point:
        """Draw a part of the list downwards, its words beside it in two lines; return its end."""
        end = (start[0], start[1] - length)
        part = self.parts[key]
        self._draw(part, start, end)
        text = f"{part.reference}\n{part.value_text}"
        side = 0.36 if words == "right" else -0.36
        ha = "left" if words == "right" else "right"
        self.word(text, (start[0] + side, start[1] - length / 2), ha=ha)
        return end

    def diode(self, start: Point, end: Point, *, schottky: bool = False) -> Point:
        """Draw a diode that passes from start to end; return its end."""
        symbol = elm.Schottky() if schottky else elm.Diode()
        self.drawing.add(symbol.scale(0.8).endpoints(start, end))
        return end

    def fuse(self, start: Point, end: Point) -> None:
        """Draw a fuse; it has no value, for no stage of the model stands for it."""
        self.drawing.add(elm.ResistorIEC().endpoints(start, end))
        self.wire(start, end)

    def amplifier(self, plus: Point) -> Point:
        """Draw an amplifier with its + input at a point, − below it; return its output."""
        middle = (plus[0], plus[1] - INPUT_Y)
        self.drawing.add(elm.Opamp().scale(AMPLIFIER_SCALE).at(plus).anchor("in2").theta(0).flip())
        return middle[0] + TIP_X, middle[1]

    def capsule(self, at: Point) -> None:
        """Draw a microphone's circle round a point, half a unit in radius."""
        # The circle stands on its membrane; sound comes from the left.
        symbol = elm.Element()
        symbol.segments.append(SegmentCircle((0, 0), 0.5))
        symbol.segments.append(Segment([(-0.5, -0.55), (-0.5, 0.55)]))
        self.drawing.add(symbol.at(at))

    def ground(self, at: Point) -> None:
        """End a wire at ground."""
        self.drawing.add(elm.Ground().scale(0.8).at(at))

    def potential(self, at: Point, volts: float) -> None:
        """End a wire that comes from above at a fixed voltage: ground, or a bar with the voltage under it."""
        if volts == 0:
            self.ground(at)
            return
        bar = self.wire(at, (at[0], at[1] - 0.25))
        self.wire((bar[0] - 0.25, bar[1]), (bar[0] + 0.25, bar[1]))
        self.word(f"{volts:g} V", (bar[0], bar[1] - _BELOW), va="top")

    def rail(self, at: Point, text: str) -> None:
        """End a wire that comes from below at a supply: a bar with its name above."""
        bar = self.wire(at, (at[0], at[1] + 0.3))
        self.wire((bar[0] - 0.25, bar[1]), (bar[0] + 0.25, bar[1]))
        self.word(text, (bar[0], bar[1] + 0.1), va="bottom")

    def box(self, left: Point, lines: Sequence[str], *, least_height: float = 0.0) -> Box:
        """Draw a block as large as its words, its left side's middle at a point; line one is its name.

        least_height: in units of the drawing.
        """
        name, *others = lines
        width = max(text_width(name, bold=True), *map(text_width, others), 0.0) + 0.5
        height = max(least_height, LINE * len(lines) + 0.5)
        x, y = left
        low, high = y - height / 2, y + height / 2
        self.wire((x, low), (x + width, low), (x + width, high), (x, high), (x, low))
        top = y + LINE * len(lines) / 2
        for n, line in enumerate(lines):
            self.word(line, (x + width / 2, top - LINE * (n + 0.5)), bold=n == 0)
        return Box((x + width, y), (x + width / 2, high), (x + width / 2, low))

    def named(self, at: Point, name: str, hue: str) -> Point:
        """Draw a wire as long as its name, which stands above it in the colour of its quantity."""
        length = text_width(name, bold=True) + 0.4
        self.word(name, (at[0] + length / 2, at[1] + 0.14), va="bottom", colour=hue, bold=True)
        return self.wire(at, (at[0] + length, at[1]))

    def broken_off(self, at: Point, name: str) -> Point:
        """End a row: the signal goes on in the next one, under this name. Return the end of the words."""
        tip = (at[0] + 0.7, at[1])
        self.arrow(at, tip)
        self.word(name, (tip[0] + 0.1, tip[1]), ha="left", colour=SOFT)
        return tip[0] + 0.1 + text_width(name), tip[1]

    def taken_up(self, at: Point, name: str) -> Point:
        """Begin a row with the signal of this name; return where its wire goes on."""
        self.word(name, at, ha="left", colour=SOFT)
        start = (at[0] + 0.1 + text_width(name), at[1])
        self.arrow(start, (start[0] + 0.7, at[1]))
        return self.wire((start[0] + 0.7, at[1]), (start[0] + 1.0, at[1]))

    def counts_out(self, at: Point) -> Point:
        """End the last row: what leaves is no voltage. Return the arrow's tip."""
        tip = (at[0] + 0.7, at[1])
        self.arrow(at, tip)
        self.word("counts", (at[0] + 0.05, at[1] + 0.15), ha="left", va="bottom", colour=colour("counts"))
        return at[0] + text_width("counts") + 0.1, at[1]

    def reach_x(self) -> float:
        """Return the largest x of everything drawn so far, in units of the drawing."""
        share = {"left": 1.0, "center": 0.5, "right": 0.0}
        words = [
            word.at[0] + share[word.ha] * text_width(line, word.bold)
            for word in self.words
            for line in word.text.split("\n")
        ]
        return max(float(self.drawing.get_bbox().xmax), *words)

    def reach_y(self) -> tuple[float, float]:
        """Return the lowest and highest y of everything drawn so far, in units of the drawing."""
        box = self.drawing.get_bbox()
        reach = [box.ymin, box.ymax]
        for word in self.words:
            height = LINE * (1 + word.text.count("\n"))
            above = {"bottom": 1.0, "center": 0.5, "top": 0.0}[word.va]
            reach += [word.at[1] + above * height, word.at[1] - (1 - above) * height]
        return min(reach), max(reach)

    def _draw(self, part: BoardPart, start: Point, end: Point) -> None:
        symbol = elm.ResistorIEC() if part.unit == "ohm" else elm.Capacitor()
        self.drawing.add(symbol.endpoints(start, end))

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

"""The circuit of a chain with its values, under the reference names of its parts list."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from matplotlib.figure import Figure

from envlab.chain import Chain
from envlab.plot.export import png_bytes, svg_text
from envlab.plot.schematic import blocks
from envlab.plot.schematic.pen import UNIT_MM, Pen, Point
from envlab.plot.schematic.power import power_and_light
from envlab.plot.style import REPORT_WIDTH_MM, sheet
from envlab.study.specification.parts_list import parts_list

WIDTH = REPORT_WIDTH_MM / UNIT_MM
GAP = 0.3

MARGIN = 0.4
Block = Callable[[Pen, Point, Chain], Point]


@dataclass(frozen=True)
class _Group:
    """Blocks that stand in one row; name: the signal that leaves them."""

    blocks: tuple[Block, ...]
    name: str


_FRONT = _Group((blocks.microphone, blocks.preamp), "preamp")
_FILTER = _Group((blocks.band_filter,), "filtered")
_BACK = _Group((blocks.rectifier, blocks.detector, blocks.converter), "counts")
# Breaks in the order in which they are wanted: none, before the rectifier, before the filter, at both.
_Rows = tuple[tuple[_Group, ...], ...]
_WITH_FILTER: tuple[_Rows, ...] = (
    ((_FRONT, _FILTER, _BACK),),
    ((_FRONT, _FILTER), (_BACK,)),
    ((_FRONT,), (_FILTER, _BACK)),
    ((_FRONT,), (_FILTER,), (_BACK,)),
)
_WITHOUT: tuple[_Rows, ...] = (((_FRONT, _BACK),), ((_FRONT,), (_BACK,)))


def schematic(chain: Chain) -> Figure:
    """Return the circuit of a chain: microphone to converter, then supply and light as boxes.

    Every part of parts_list(chain) stands in it once, with its value. It is broken into rows where it is
    longer than a sheet of 180 mm is wide.

    Parameters
    ----------
    chain : Chain
        The board.

    Returns
    -------
    matplotlib Figure
    """
    pen = Pen({part.key: part for part in parts_list(chain)})
    low_y = 0.0
    for row in _rows(pen, chain):
        low_y = _place(pen, row, low_y)
    low_y = _place(pen, partial(power_and_light, chain=chain), low_y)
    width = pen.reach_x() + MARGIN
    fig = sheet(-low_y * UNIT_MM, width * UNIT_MM)
    fig.set_layout_engine("none")
    axes = fig.add_axes((0, 0, 1, 1))
    pen.put_on(axes)
    axes.set(xlim=(0, width), ylim=(low_y, 0))
    axes.axis("off")
    return fig


def _place(pen: Pen, draw: Callable[[Pen, Point], Point], top_y: float) -> float:
    """Draw under a line, from the left margin on; return the line under it."""
    trial = Pen(pen.parts)
    draw(trial, (MARGIN, 0.0))
    low, high = trial.reach_y()
    y = top_y - GAP - high
    draw(pen, (MARGIN, y))
    return y + low - GAP


def _rows(pen: Pen, chain: Chain) -> Sequence[Callable[[Pen, Point], Point]]:
    """The chain in rows that fit the sheet, as few as there can be."""
    drawn: Sequence[Callable[[Pen, Point], Point]] = ()
    for rows in _WITH_FILTER if chain.band_filter.sections else _WITHOUT:
        drawn = [
            partial(_row, groups=row, chain=chain, begins=n == 0, ends=n == len(rows) - 1, before=before)
            for n, (row, before) in enumerate(zip(rows, ("", *(row[-1].name for row in rows)), strict=False))
        ]
        if all(draw(Pen(pen.parts), (MARGIN, 0.0))[0] <= WIDTH - MARGIN for draw in drawn):
            return drawn
    return drawn


def _row(
    pen: Pen, at: Point, *, groups: Sequence[_Group], chain: Chain, begins: bool, ends: bool, before: str
) -> Point:
    if not begins:
        at = pen.taken_up(at, before)
    for group in groups:
        for block in group.blocks:
            at = block(pen, at, chain)
    return pen.counts_out(at) if ends else pen.broken_off(at, groups[-1].name)


def schematic_svg(chain: Chain) -> str:
    """Return the circuit as an SVG file; the same chain gives the same bytes."""
    return svg_text(schematic(chain), "schematic")


def schematic_png(chain: Chain, *, dpi: float = 200.0) -> bytes:
    """Return the circuit as a PNG file on white, dpi dots an inch."""
    return png_bytes(schematic(chain), dpi=dpi)

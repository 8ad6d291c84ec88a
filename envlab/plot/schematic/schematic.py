"""The circuit of a board drawn from its description, with the values of its parts list."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from matplotlib.figure import Figure

from envlab.chain import Chain
from envlab.circuit.circuit import circuit_of
from envlab.circuit.description import Circuit
from envlab.circuit.rectifiers import without_parts
from envlab.circuit.supplies import packages
from envlab.engine.board import front_end_of
from envlab.plot.export import png_bytes, svg_text
from envlab.plot.schematic import blocks, power, rectifiers
from envlab.plot.schematic.pen import UNIT_MM, Drawn, Pen, Point
from envlab.plot.style import REPORT_WIDTH_MM, sheet
from envlab.study.specification.parts_list import parts_list

WIDTH = REPORT_WIDTH_MM / UNIT_MM
GAP, BETWEEN, LEAVES = 0.4, 0.8, 0.7
MARGIN = 0.4
Block = Callable[[Pen, Point], Point]


@dataclass(frozen=True)
class _Group:
    """Blocks that stay together. fed_by: the node that a group needs at its start; "": it begins by itself.

    gives: the node on which it ends, for the next group to go on from; "": none.
    """

    draw: Block
    fed_by: str = ""
    gives: str = ""


def schematic(chain: Chain) -> Figure:
    """Return the circuit of a board: microphone to pin, potentials, supply pins, then pack to pixels.

    Every part of its circuit (envlab.circuit) stands in it once, with its value; wires that are broken off go
    on where the same name stands. Rows are as long as a sheet of 180 mm is wide.

    Parameters
    ----------
    chain : Chain
        The board.

    Returns
    -------
    matplotlib Figure
    """
    pen, low_y = _drawn(chain)
    width = pen.reach_x()[1] + MARGIN
    fig = sheet(-low_y * UNIT_MM, width * UNIT_MM)
    fig.set_layout_engine("none")
    axes = fig.add_axes((0, 0, 1, 1))
    pen.put_on(axes)
    axes.set(xlim=(0, width), ylim=(low_y, 0))
    axes.axis("off")
    return fig


def drawn_joints(chain: Chain) -> Drawn:
    """Return what the drawing of a board joins: its pins, wires, dots and names."""
    return _drawn(chain)[0].drawn


def _drawn(chain: Chain) -> tuple[Pen, float]:
    circuit = circuit_of(chain)
    values = {one.reference: "" for one in circuit.components}
    values |= {part.reference: part.value_text for part in parts_list(chain)}
    pen = Pen(circuit, values)
    low_y = 0.0
    for groups in (_signal(chain), [*_potentials(circuit), *_supply_pins(circuit)], _power(circuit)):
        for row in _rows(pen, groups):
            low_y = _place(pen, row, low_y)
    return pen, low_y


def _signal(chain: Chain) -> list[_Group]:
    groups: list[_Group] = []
    before = ""
    for name, stage in front_end_of(chain).items():
        if name == "rectifier":
            groups += _rectifier(chain, before)
            continue
        if stage.is_wire:
            continue
        draw: Block = partial(blocks.other_stage, name=name, before=before)
        if name == "microphone":
            draw = blocks.microphone
        elif name == "preamp":
            draw = blocks.preamp
        elif name == "band_filter":
            draw = blocks.band_filter
        groups.append(_Group(draw, before, name))
        before = name
    return groups


def _rectifier(chain: Chain, before: str) -> list[_Group]:
    rows = rectifiers.TOPOLOGIES.get(chain.rectifier.topology)
    if rows is None:
        draw = partial(rectifiers.passive, missing=without_parts(chain.rectifier, chain.preamp.bias_v))
        return [_Group(draw, before, "rectified"), _Group(blocks.detector, "rectified")]
    drawn: list[Block] = [partial(row, before=before) for row in rows]  # type: ignore[call-arg]
    return [
        *(_Group(row) for row in drawn[:-1]),
        _Group(drawn[-1], "", "rectified"),
        _Group(blocks.detector, "rectified"),
    ]


def _potentials(circuit: Circuit) -> list[_Group]:
    made = [one.reference for one in circuit.components if one.kind == "amplifier" and one.package == "U3"]
    spare = [
        one.reference
        for one in circuit.components
        if one.kind == "amplifier" and one.role.startswith("unused")
    ]
    return [
        *(_Group(partial(power.potential, amplifier=one)) for one in made if one not in spare),
        *(_Group(partial(power.unused, amplifier=one)) for one in spare),
    ]


def _supply_pins(circuit: Circuit) -> list[_Group]:
    return [_Group(partial(power.package, reference=one)) for one in packages(circuit.components)]


def _power(circuit: Circuit) -> list[_Group]:
    more = [one.reference for one in circuit.components if one.kind == "converter" and one.reference != "PS1"]
    lit = [one.reference for one in circuit.components if one.kind == "pixel"]
    return [
        _Group(power.pack),
        *(_Group(partial(power.regulator, reference=one)) for one in more),
        _Group(power.controller),
        *(_Group(partial(power.pixels, reference=one)) for one in lit),
    ]


@dataclass(frozen=True)
class _Placed:
    """A group on its row. fed: whether it begins with the name of its node. at, end: where it begins and
    where its signal goes on. low, high, right: how far it reaches. All from the row's beginning."""

    group: _Group
    fed: bool
    at: Point
    end: Point
    low: float
    high: float
    right: float


def _rows(pen: Pen, groups: Sequence[_Group]) -> list[list[_Placed]]:
    """Put groups into rows that fit the sheet, as few as there can be."""
    rows: list[list[_Placed]] = []
    for group in groups:
        if rows:
            longer = _with(pen, rows[-1], group)
            if longer[-1].right <= WIDTH - 2 * MARGIN:
                rows[-1] = longer
                continue
        rows.append(_with(pen, [], group))
    return rows


def _with(pen: Pen, row: list[_Placed], group: _Group) -> list[_Placed]:
    """Put a group behind a row: on the wire that the last one ends with, or a gap away from it."""
    goes_on = bool(row) and bool(group.fed_by) and row[-1].group.gives == group.fed_by
    trial = pen.blank()
    end = _draw(trial, group, (0.0, 0.0), fed=not goes_on)
    (left, right), (low, high) = trial.reach_x(), trial.reach_y()
    edge = max((one.right for one in row), default=0.0)
    at = row[-1].end if goes_on else (edge + (BETWEEN if row else 0.0) - left, 0.0)
    # A signal that goes on may have to leave the row here.
    right = max(right, end[0] + LEAVES if group.gives else right) + at[0]
    end = (at[0] + end[0], at[1] + end[1])
    return [*row, _Placed(group, not goes_on, at, end, low + at[1], high + at[1], right)]


def _draw(pen: Pen, group: _Group, at: Point, *, fed: bool) -> Point:
    return group.draw(pen, pen.coming_in(at, group.fed_by) if group.fed_by and fed else at)


def _place(pen: Pen, row: list[_Placed], top_y: float) -> float:
    """Draw a row under a line, from the left margin on; return the line under it."""
    y = top_y - GAP - max(one.high for one in row)
    for number, one in enumerate(row):
        end = _draw(pen, one.group, (MARGIN + one.at[0], y + one.at[1]), fed=one.fed)
        if one.group.gives and (number == len(row) - 1 or row[number + 1].fed):
            pen.leaving(end)
    return y + min(one.low for one in row) - GAP


@dataclass(frozen=True)
class SchematicFiles:
    """The circuit drawn once, as schematic_svg and schematic_png have it."""

    svg: str
    png: bytes


def schematic_files(chain: Chain, *, dpi: float = 200.0) -> SchematicFiles:
    """Return the circuit as an SVG file and as a PNG file on white, dpi dots an inch."""
    fig = schematic(chain)
    return SchematicFiles(svg_text(fig, "schematic"), png_bytes(fig, dpi=dpi))


def schematic_svg(chain: Chain) -> str:
    """Return the circuit as an SVG file; the same chain gives the same bytes."""
    return svg_text(schematic(chain), "schematic")


def schematic_png(chain: Chain, *, dpi: float = 200.0) -> bytes:
    """Return the circuit as a PNG file on white, dpi dots an inch."""
    return png_bytes(schematic(chain), dpi=dpi)

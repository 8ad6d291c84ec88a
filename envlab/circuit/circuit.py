"""A board as one circuit: its parts, the nodes that join them, and what each node is called."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Protocol

from envlab.analog.adc import Adc
from envlab.analog.amplifier import AMPLIFIER_CLASSES
from envlab.analog.band_filter import BandFilter
from envlab.analog.detector import Detector
from envlab.analog.electret import Electret
from envlab.analog.hold_capacitor import HoldCapacitor
from envlab.circuit import front_end, rectifiers, supplies
from envlab.circuit.description import GROUND, Circuit, Component, Node
from envlab.circuit.elements import amplifier, fitted
from envlab.engine.board import Board, front_end_of
from envlab.light.pixels import Pixels, Supply
from envlab.light.power.battery import Pack

DETECTOR, PIN = "detector", "pin"


class BoardWithParts(Board, Protocol):
    """A board with what the engine need not ask of; envlab.Chain is one."""

    @property
    def band_filter(self) -> BandFilter:
        """Between preamp and rectifier."""

    @property
    def detector(self) -> Detector:
        """What holds the envelope."""

    @property
    def hold_capacitor(self) -> HoldCapacitor:
        """What its capacitor is made of."""

    @property
    def pixels(self) -> Pixels:
        """What shines."""

    @property
    def supply(self) -> Supply:
        """The converter that feeds the pixels."""

    @property
    def pack(self) -> Pack:
        """The cells that feed it."""


def circuit_of(board: BoardWithParts, pack: Pack | None = None) -> Circuit:
    """Return the board's circuit: every part that is soldered or bought, and every node.

    Parameters
    ----------
    board : Chain
        The board.
    pack : Pack or None
        What it runs on; None: the board's own. Of no account with a power bank.

    Returns
    -------
    Circuit
        Parts in the order of the signal, then what feeds them.

    Examples
    --------
    >>> import envlab
    >>> from envlab.circuit.circuit import circuit_of
    >>> circuit = circuit_of(envlab.Chain())
    >>> circuit.component("C3").nodes, circuit.of_trace("preamp_v").label
    (('detector', 'ground'), 'preamp')
    """
    held = _potentials(board)
    signal, remarks = _signal_parts(board, held)
    others = [one for one in signal if one.kind == "amplifier"]
    followers = supplies.potentials(
        held.between, board.preamp.supply_v, front_end.follower_data(board.preamp), front_end.SUPPLY
    )
    amplifiers = [*others, *(one for one in followers if one.kind == "amplifier")]
    spare = supplies.unused_sections(amplifiers, front_end.follower_data(board.preamp))
    regulated = front_end.SUPPLY if held.from_controller else None
    parts = (
        *signal,
        *followers,
        *spare,
        *supplies.decoupling([*amplifiers, *spare]),
        *supplies.power(board.supply, board.pixels, pack or board.pack),
        *(supplies.regulator(f"PS{2 + n}", node, volts) for n, (node, volts) in enumerate(held.made.items())),
        *supplies.controller_and_pixels(board.adc, board.pixels, board.supply, _pin_node(board), regulated),
    )
    return Circuit(parts, _nodes(board, parts, held), remarks)


@dataclass(frozen=True)
class _Potentials:
    """rails: node → V of what a converter holds. between: of what a divider makes. made: rails that no other
    part makes. reference, leg_foot: the nodes of both."""

    rails: Mapping[str, float]
    between: Mapping[str, float]
    made: Mapping[str, float]
    reference: str
    leg_foot: str
    from_controller: bool

    def node_at(self, volts: float) -> str:
        """Return the node that stands at a voltage, V."""
        known = {GROUND: 0.0, **self.rails, **self.between}
        return next(node for node, at_v in known.items() if at_v == volts)


def _potentials(board: BoardWithParts) -> _Potentials:
    analog_v, pixels_v = board.preamp.supply_v, board.supply.volts
    from_controller = analog_v == board.adc.reference_v
    rails, between = {front_end.SUPPLY: analog_v}, {"bias": board.preamp.bias_v}
    made = {} if from_controller else {front_end.SUPPLY: analog_v}
    asked = {"reference": board.rectifier.reference_node_v, "leg_foot": front_end.leg_foot_v(board.preamp)}
    if isinstance(board.microphone, Electret):
        asked["microphone_supply"] = board.microphone.supply_v
    names: dict[str, str] = {}
    for name, volts in asked.items():
        known = {GROUND: 0.0, **rails, **between}
        names[name] = next((node for node, at_v in known.items() if at_v == volts), name)
        if names[name] != name:
            continue
        if name == "microphone_supply" or volts > analog_v:
            rails, made = rails | {name: volts}, made | {name: volts}
        else:
            between = between | {name: volts}
    rails = rails | {supplies.PIXEL_RAIL: pixels_v}
    return _Potentials(rails, between, made, names["reference"], names["leg_foot"], from_controller)


def _signal_parts(board: BoardWithParts, held: _Potentials) -> tuple[list[Component], tuple[str, ...]]:
    parts: list[Component] = []
    remarks: list[str] = []
    before = ""
    for name, stage in front_end_of(board).items():
        if name == "microphone":
            parts += front_end.microphone(board.microphone, board.preamp.supply_v, held.node_at)
        elif name == "preamp":
            parts += front_end.preamp(board.preamp, before, held.leg_foot)
        elif name == "rectifier":
            made, told = rectifiers.rectifier(board.rectifier, before, held.reference, board.preamp.bias_v)
            parts, remarks = [*parts, *made], [*remarks, *told]
        elif name == "band_filter":
            parts += front_end.band_filter(board.band_filter, board.preamp, before)
        elif not stage.is_wire:
            others, told = front_end.other_stage(stage, name, before)
            parts, remarks = [*parts, *others], [*remarks, *told]
        if not stage.is_wire:
            before = name
    parts += rectifiers.detector(board.detector, board.hold_capacitor, held.reference)
    parts += _to_pin(board)
    return parts, tuple(remarks)


def _buffer_data(adc: Adc) -> dict[str, float]:
    """Return what is asked of the amplifier before the pin, in V, A, Hz and V/s: from rail to rail.

    adc: as built, with the buffer that the model reads through; behind an ideal rectifier it reaches ground.
    The model gives it no offset: the firmware learns it with its zero.
    """
    sheet = AMPLIFIER_CLASSES["rail_to_rail"]
    ends = {"output_low_v": max(adc.lowest_pin_v, 0.0), "offset_v": 0.0, "offset_limit_v": sheet.offset_v}
    return asdict(sheet) | ends


def _to_pin(board: BoardWithParts) -> list[Component]:
    adc, at = board.adc_as_built, DETECTOR
    made: list[Component] = []
    if adc.buffered == "yes":
        out = "buffered" if adc.source_ohm else PIN
        role = "keeps the pin from loading the hold capacitor"
        data = _buffer_data(adc)
        made.append(amplifier("U5", at, out, out, role, "adc", data, rail=front_end.SUPPLY))
        at = out
    return [*made, *fitted(adc, "adc", {"source_ohm": (at, PIN)})]


def _pin_node(board: BoardWithParts) -> str:
    return PIN if board.adc.buffered == "yes" or board.adc.source_ohm else DETECTOR


_LABELS = {
    "band_filter": "filtered", front_end.BIAS: "bias", supplies.PIXEL_RAIL: "pixels' supply",
    front_end.SUPPLY: "analog supply", "microphone_supply": "microphone's supply",
    "reference": "reference node", rectifiers.FOLDED: "folded",
}  # fmt: skip


def _nodes(board: BoardWithParts, parts: Sequence[Component], held: _Potentials) -> tuple[Node, ...]:
    """Return the nodes of all pins: those with a name of their own, then what lies between."""
    stages = {name: stage for name, stage in front_end_of(board).items() if not stage.is_wire}
    behind = [rectifiers.OUT if name == "rectifier" else name for name, stage in stages.items()]
    pack = next(one for one in parts if one.kind == "pack").data
    fixed_v = {GROUND: 0.0, **held.rails}
    at_rest = {**fixed_v, **held.between}
    for name in stages:
        if name == "rectifier":
            break
        at_rest[name] = board.preamp.bias_v
    if isinstance(board.microphone, Electret):
        at_rest["microphone"] = board.microphone.drain_v
    else:
        del at_rest["microphone"]
    highest = rectifiers.highest_v(board.rectifier, board.preamp) | fixed_v
    highest |= {supplies.PACK: pack["full_v"], supplies.FUSED: pack["full_v"]}
    names = dict.fromkeys(node for one in parts for node in one.nodes)
    return tuple(
        Node(
            name,
            _LABELS.get(name, name.replace("_", " ") if name in (*behind, DETECTOR, PIN) else ""),
            f"{name}_v" if name in (*behind, DETECTOR) else "",
            at_rest.get(name),
            name in fixed_v,
            highest.get(name, board.preamp.supply_v),
        )
        for name in names
    )

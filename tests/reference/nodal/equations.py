"""Modified nodal analysis: from a list of parts to the matrices of C·x' + G·x + N·f(v) = B·u, v = M·x + S·u.

x: volts of the nodes, currents of the sources, the pole of every amplifier. u: a constant 1, then the waves.
Kirchhoff's current law is one row a node: what leaves it adds up to nothing (the textbooks' modified
nodal analysis; from memory).

Every nonlinear law f(v) is split into a slope, which goes into G, and the rest. The split changes no answer;
it keeps the matrices far from singular when all diodes block.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from reference.nodal import parts as p

# Laws of one variable, and what their numbers are.
JUNCTION = 0  # Is·(exp(v/slope) − 1): Is, slope
CLIP = 1  # v kept between: low, high
WALL = 2  # nothing between low and high, steep beyond: low, high, slope
BEND = 3  # v·(one slope below 0, another above): below, above

# How far an amplifier's output passes its limit when it is driven there at full slew. A limit as an edge
# would leave Newton without a slope.
WALL_V = 1e-5
# The same for an amplifier without a slew rate: per volt between its inputs.
WALL_PER_V = 1e-5
PIVOT_S = 1e-6


@dataclass
class Law:
    """One nonlinear law: on what it acts (terms of v), and into which rows its value goes."""

    kind: int
    numbers: tuple[float, float, float]
    pivot: float
    of: dict[str, float]
    constant: float
    into: dict[str, float]


@dataclass
class _Stamps:
    unknowns: dict[str, int] = field(default_factory=dict)
    conductances: list[tuple[str, str, float]] = field(default_factory=list)
    stores: list[tuple[str, float, dict[str, float]]] = field(default_factory=list)
    drives: list[tuple[str, int, float]] = field(default_factory=list)
    laws: list[Law] = field(default_factory=list)

    def unknown(self, name: str) -> str:
        if name != p.GROUND:
            self.unknowns.setdefault(name, len(self.unknowns))
        return name

    def entry(self, row: str, column: str, value: float) -> None:
        self.conductances.append((self.unknown(row), self.unknown(column), value))

    def between(self, a: str, b: str, siemens: float) -> None:
        for row, column, sign in ((a, a, 1), (a, b, -1), (b, b, 1), (b, a, -1)):
            self.entry(row, column, sign * siemens)

    def drive(self, row: str, source: int, value: float) -> None:
        self.drives.append((self.unknown(row), source, value))

    def branch(self, name: str, plus: str, minus: str) -> str:
        """A current that leaves plus, flows through the branch and enters minus; its row is still empty."""
        current = self.unknown(f"i({name})")
        self.entry(plus, current, 1.0)
        self.entry(minus, current, -1.0)
        return current

    def junction(self, anode: str, cathode: str, saturation_a: float, slope_v: float) -> None:
        numbers = (saturation_a, slope_v, 0.0)
        across = {anode: 1.0, cathode: -1.0}
        self.laws.append(Law(JUNCTION, numbers, PIVOT_S, across, 0.0, across))


def _resistor(stamps: _Stamps, r: p.Resistor) -> None:
    stamps.between(r.a, r.b, 1 / r.ohm)


def _capacitor(stamps: _Stamps, c: p.Capacitor) -> None:
    for pin in (c.a, c.b):
        stamps.unknown(pin)
    stamps.stores.append((c.name, c.farad, {c.a: 1.0, c.b: -1.0}))


def _voltage_source(stamps: _Stamps, s: p.VoltageSource) -> None:
    row = stamps.branch(s.name, s.plus, s.minus)
    stamps.entry(row, s.plus, 1.0)
    stamps.entry(row, s.minus, -1.0)
    stamps.drive(row, 0, s.volts)
    stamps.drive(row, 1 + s.wave, s.per_wave)


def _current_source(stamps: _Stamps, s: p.CurrentSource) -> None:
    for pin, sign in ((s.a, -1.0), (s.b, 1.0)):
        stamps.drive(pin, 0, sign * s.amps)
        stamps.drive(pin, 1 + s.wave, sign * s.per_wave)


def _controlled_source(stamps: _Stamps, s: p.ControlledSource) -> None:
    row = stamps.branch(s.name, s.out, s.foot)
    stamps.entry(row, s.out, 1.0)
    stamps.entry(row, s.foot, -1.0)
    felt = {s.plus: s.gain, s.minus: -s.gain}
    if math.isinf(s.low_v) and math.isinf(s.high_v):
        for pin, gain in felt.items():
            stamps.entry(row, pin, -gain)
    else:
        stamps.laws.append(Law(CLIP, (s.low_v, s.high_v, 0.0), 1.0, felt, 0.0, {row: -1.0}))


def _diode(stamps: _Stamps, d: p.Diode) -> None:
    anode = d.anode
    if d.series_ohm > 0:
        anode = stamps.unknown(f"{d.name}.inside")
        stamps.between(d.anode, anode, 1 / d.series_ohm)
    stamps.junction(anode, d.cathode, d.saturation_a, d.slope_v)
    if math.isfinite(d.leakage_ohm):
        stamps.between(anode, d.cathode, 1 / d.leakage_ohm)


def _transistor(stamps: _Stamps, t: p.Transistor) -> None:
    forward = {t.collector: 1.0, t.base: 1 / t.forward_gain, t.emitter: -(1 + 1 / t.forward_gain)}
    reverse = {t.emitter: 1.0, t.base: 1 / t.reverse_gain, t.collector: -(1 + 1 / t.reverse_gain)}
    numbers = (t.saturation_a, t.slope_v, 0.0)
    for pin, into in ((t.emitter, forward), (t.collector, reverse)):
        stamps.laws.append(Law(JUNCTION, numbers, PIVOT_S, {t.base: 1.0, pin: -1.0}, 0.0, into))


def _felt(stamps: _Stamps, amplifier: p.Amplifier, pin: str, node: str) -> str:
    """The node as the amplifier's input feels it: within the common-mode range."""
    low, high = amplifier.input_low_v, amplifier.input_high_v
    if math.isinf(low) and math.isinf(high):
        return node
    felt = stamps.unknown(f"{amplifier.name}.{pin}")
    stamps.entry(felt, felt, 1.0)
    stamps.laws.append(Law(CLIP, (low, high, 0.0), 1.0, {node: 1.0}, 0.0, {felt: -1.0}))
    return felt


def _amplifier(stamps: _Stamps, a: p.Amplifier) -> None:
    pole = stamps.unknown(f"{a.name}.pole")
    plus, minus = _felt(stamps, a, "plus", a.plus), _felt(stamps, a, "minus", a.minus)
    stamps.stores.append((pole, 1 / (2 * math.pi * a.gain_bandwidth_hz), {pole: 1.0}))
    most_v = a.slew_v_per_s / (2 * math.pi * a.gain_bandwidth_hz)
    # Two terms on one pin cancel, so they are added up.
    apart = {plus: 1.0}
    apart[minus] = apart.get(minus, 0.0) - 1.0
    numbers = (-most_v, most_v, 0.0)
    stamps.laws.append(Law(CLIP, numbers, 1.0, apart, a.offset_v, {pole: -1.0}))
    if math.isfinite(a.open_loop_gain):
        stamps.entry(pole, pole, 1 / a.open_loop_gain)
    if math.isfinite(a.low_v) or math.isfinite(a.high_v):
        steep = most_v / WALL_V if math.isfinite(most_v) else 1 / WALL_PER_V
        stamps.laws.append(Law(WALL, (a.low_v, a.high_v, steep), 0.0, {pole: 1.0}, 0.0, {pole: 1.0}))
    row = stamps.branch(a.name, a.out, p.GROUND)  # the current that the output takes
    stamps.entry(row, a.out, 1.0)
    stamps.entry(row, pole, -1.0)
    if a.low_ohm == a.high_ohm:
        stamps.entry(row, row, -a.low_ohm)
    else:
        bend = (a.high_ohm, a.low_ohm, 0.0)
        stamps.laws.append(Law(BEND, bend, 0.5 * (a.low_ohm + a.high_ohm), {row: 1.0}, 0.0, {row: -1.0}))
    for pin in (a.plus, a.minus):
        stamps.drive(pin, 0, -a.bias_a)


_STAMP = {
    p.Resistor: _resistor,
    p.Capacitor: _capacitor,
    p.VoltageSource: _voltage_source,
    p.CurrentSource: _current_source,
    p.ControlledSource: _controlled_source,
    p.Diode: _diode,
    p.Transistor: _transistor,
    p.Amplifier: _amplifier,
}


@dataclass(frozen=True, eq=False)
class Equations:
    """The matrices; store: name of each capacitor and pole, its farads, its incidence as a column."""

    unknowns: dict[str, int]
    store_names: tuple[str, ...]
    farads: np.ndarray
    incidence: np.ndarray
    conductance: np.ndarray
    drive: np.ndarray
    law_of: np.ndarray
    law_constant: np.ndarray
    law_into: np.ndarray
    law_kind: np.ndarray
    law_numbers: np.ndarray
    law_pivot: np.ndarray

    @property
    def drives(self) -> int:
        """A constant 1 and the waves."""
        return self.drive.shape[1]

    def row(self, node: str) -> np.ndarray:
        """What of x is the voltage of a node, or with "a-b" between two."""
        row = np.zeros(len(self.unknowns))
        plus, _, minus = node.partition("-")
        for name, sign in ((plus, 1.0), (minus, -1.0)):
            if name and name != p.GROUND:
                row[self.unknowns[name]] += sign
        return row


def equations_of(netlist: Sequence[p.Part], waves: int = 1) -> Equations:
    """Stamp all parts. Raises ValueError for a name given twice."""
    names = [part.name for part in netlist]
    if len(set(names)) < len(names):
        raise ValueError(f"a name is given twice: {sorted(n for n in set(names) if names.count(n) > 1)}")
    stamps = _Stamps()
    for part in netlist:
        _STAMP[type(part)](stamps, part)
    at, laws = stamps.unknowns, stamps.laws
    for law in laws:
        for name in (*law.of, *law.into):
            stamps.unknown(name)

    def columns(terms: Sequence[dict[str, float]]) -> np.ndarray:
        out = np.zeros((len(at), len(terms)))
        for i, one in enumerate(terms):
            for name, value in one.items():
                if name != p.GROUND:
                    out[at[name], i] += value
        return out

    of, into = columns([law.of for law in laws]), columns([law.into for law in laws])
    conductance, drive = np.zeros((len(at), len(at))), np.zeros((len(at), 1 + waves))
    for row, column, value in stamps.conductances:
        if p.GROUND not in (row, column):
            conductance[at[row], at[column]] += value
    for row, source, value in stamps.drives:
        if row != p.GROUND:
            drive[at[row], source] += value
    pivot = np.array([law.pivot for law in laws])
    constant = np.array([law.constant for law in laws])
    conductance += (into * pivot) @ of.T
    drive[:, 0] -= into @ (pivot * constant)
    return Equations(
        at,
        tuple(name for name, _, _ in stamps.stores),
        np.array([farad for _, farad, _ in stamps.stores]),
        columns([incidence for _, _, incidence in stamps.stores]),
        conductance,
        drive,
        of.T.copy(),
        constant,
        into,
        np.array([law.kind for law in laws], dtype=np.int64),
        np.array([law.numbers for law in laws], dtype=np.float64).reshape(len(laws), 3),
        pivot,
    )

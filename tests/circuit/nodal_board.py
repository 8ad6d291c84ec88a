"""A board's own description as a netlist of the nodal solver, and Chain.run against what it answers.

The netlist copies parts and nodes; no stage of the package takes part in it. What feeds the board (pack,
converter, pixels) is a stiff voltage at the nodes that a supply holds. Both hear the same wave: the
recording's samples, band-limited between them, in the package by its interpolator and here by the Fourier
series of reference.nodal.waves.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from reference.nodal import parts as p
from reference.nodal.solve import Circuit as Solver
from reference.nodal.waves import sampled

from envlab.chain import Chain
from envlab.circuit.circuit import circuit_of
from envlab.circuit.description import GROUND, Circuit, Component
from envlab.errors import EnvlabWarning
from envlab.sound.recording import Recording

NOT_SOLVED = ("pack", "fuse", "converter", "controller", "pixel")
# Through which a part of the solver can be fed by a rail.
PINS = ("a", "b", "anode", "cathode", "collector")
# Node behind the microphone's capsule, before its corners: what an electret's drain current follows.
HEARD = "heard"


def node(name: str) -> str:
    """The solver's name of a node."""
    return p.GROUND if name == GROUND else name


def netlist_of(circuit: Circuit, *, to_pin: bool = False) -> list[p.Part]:
    """Copy what decides the voltage on the hold capacitor; a buffered pin and the pixels are left out.

    to_pin: with what leads to the pin: the buffer and the resistor behind it.
    """
    fixed = {one.name: one.quiescent_v for one in circuit.nodes if one.fixed}
    lamps = [one for one in circuit.components if one.kind == "pixel"]
    silent = {name for one in lamps for name in one.nodes} - set(fixed)
    made: list[p.Part] = [
        p.VoltageSource(f"V({name})", name, p.GROUND, volts or 0.0)
        for name, volts in fixed.items()
        if name != GROUND
    ]
    for one in circuit.components:
        between_rails = one.kind in ("resistor", "capacitor") and set(one.nodes) <= set(fixed)
        if one.kind == "controller" and not circuit.has("U5"):
            made += list(_pin(one))
        if one.stage == "adc" and not to_pin:
            continue
        if one.kind in NOT_SOLVED or between_rails or set(one.nodes) & silent:
            continue
        made += list(_COPIES[one.kind](one, fixed))
    used = {getattr(part, pin) for part in made for pin in PINS if hasattr(part, pin)}
    return [part for part in made if not (part.name.startswith("V(") and part.plus not in used)]


Fixed = dict[str, float | None]


def _resistor(one: Component, fixed: Fixed) -> Iterator[p.Part]:
    del fixed
    assert one.value is not None
    yield p.Resistor(one.reference, node(one.node_at("1")), node(one.node_at("2")), one.value)


def _capacitor(one: Component, fixed: Fixed) -> Iterator[p.Part]:
    del fixed
    assert one.value is not None
    yield p.Capacitor(one.reference, node(one.node_at("1")), node(one.node_at("2")), one.value)


def _pin(one: Component) -> Iterator[p.Part]:
    """What an unbuffered pin takes, to ground: leakage, and the mean of the sampling charge.

    A resistor before the pin, a few kΩ beside a MΩ, is left out.
    """
    data = one.data
    siemens = data["leakage_a"] / data["reference_v"] + data["sampling_farad"] * data["rate_hz"]
    if siemens > 0:
        yield p.Resistor(f"{one.reference}.pin", "detector", p.GROUND, 1 / siemens)


def _diode(one: Component, fixed: Fixed) -> Iterator[p.Part]:
    del fixed
    names = ("saturation_a", "slope_v", "series_ohm", "leakage_ohm")
    law = [one.data[name] for name in names]
    yield p.Diode(one.reference, node(one.node_at("anode")), node(one.node_at("cathode")), *law)


def _transistor(one: Component, fixed: Fixed) -> Iterator[p.Part]:
    del fixed
    data, inside = one.data, f"{one.reference}.emitter"
    base, emitter = node(one.node_at("base")), node(one.node_at("emitter"))
    law = [data[name] for name in ("saturation_a", "slope_v", "current_gain")]
    yield p.Transistor(one.reference, node(one.node_at("collector")), base, inside, *law)
    yield p.Resistor(f"{one.reference}.series", inside, emitter, data["series_ohm"])
    yield p.Resistor(f"{one.reference}.leakage", base, inside, data["leakage_ohm"])


def _amplifier(one: Component, fixed: Fixed) -> Iterator[p.Part]:
    data, supply_v = one.data, fixed[one.node_at("v+")]
    assert supply_v is not None and one.node_at("v-") == GROUND
    input_low_v, input_high_v = data.get("input_low_v", -math.inf), data.get("input_high_v", -math.inf)
    yield p.Amplifier(
        one.reference,
        *(node(one.node_at(pin)) for pin in ("in+", "in-", "out")),
        gain_bandwidth_hz=data["gain_bandwidth_hz"],
        slew_v_per_s=data.get("slew_v_per_s", math.inf),
        low_v=data["output_low_v"],
        low_ohm=data.get("output_low_ohm", 0.0),
        high_v=supply_v - data["output_high_v"],
        high_ohm=data.get("output_high_ohm", 0.0),
        # An input range that reaches beyond both rails limits nothing.
        input_low_v=input_low_v if input_low_v > 0 else -math.inf,
        input_high_v=supply_v - input_high_v if input_high_v > 0 else math.inf,
        offset_v=data["offset_v"],
        bias_a=data.get("bias_current_a", 0.0),
    )


def _microphone(one: Component, fixed: Fixed) -> Iterator[p.Part]:
    """Pressure as volts: covering, overload point, both corners, each a part of its own behind a follower."""
    del fixed
    data, pressure = one.data, "pressure"
    yield p.VoltageSource("sound", pressure, p.GROUND, 0.0, 10 ** (-data["covering_loss_db"] / 20))
    if data["covering_corner_hz"] is not None:
        yield from _corner("covering", pressure, "port", data["covering_corner_hz"], high=False)
        pressure = "port"
    yield p.ControlledSource(
        "overload",
        pressure,
        p.GROUND,
        "felt",
        gain=1.0,
        low_v=-data["overload_pa"],
        high_v=data["overload_pa"],
    )
    yield from _corner("low corner", "felt", "risen", data["low_corner_hz"], high=True)
    yield from _corner("high corner", "risen", HEARD, data["high_corner_hz"], high=False)
    if "signal_a_pa" not in data:
        out = node(one.node_at("out"))
        yield p.ControlledSource("capsule", HEARD, p.GROUND, out, gain=data["sensitivity_v_pa"])
        return
    # A source of current with its own resistance, so wound that at rest the drain draws drain_current_a.
    drain, drain_v = node(one.node_at("+")), data["drain_v"]
    gain = data["signal_a_pa"] * data["drain_ohm"]
    foot_v = drain_v - data["drain_current_a"] * data["drain_ohm"]
    # Its current cannot turn round: at most it leaves the drain to the supply.
    most_v = data["supply_v"] - foot_v
    yield p.ControlledSource("drain's source", HEARD, p.GROUND, "drain", "drain foot", gain, high_v=most_v)
    yield p.VoltageSource("drain foot", "drain foot", p.GROUND, foot_v)
    yield p.Resistor("drain", "drain", drain, data["drain_ohm"])
    # Nor does it draw the drain below its least voltage: a stop that gives way by 0.2 mV.
    yield p.VoltageSource("least", "least", p.GROUND, data["drain_least_v"])
    yield p.Diode("stop", "least", drain, 1e-9, 1.5e-5)


def _corner(name: str, before: str, behind: str, corner_hz: float, *, high: bool) -> Iterator[p.Part]:
    ohm, middle = 1e3, f"{name} middle"
    across = (before, middle) if high else (middle, p.GROUND)
    along = (middle, p.GROUND) if high else (before, middle)
    yield p.Capacitor(f"{name} C", *across, 1 / (2 * math.pi * corner_hz * ohm))
    yield p.Resistor(f"{name} R", *along, ohm)
    yield p.ControlledSource(f"{name} follower", middle, p.GROUND, behind)


_COPIES = {
    "resistor": _resistor,
    "capacitor": _capacitor,
    "diode": _diode,
    "transistor": _transistor,
    "amplifier": _amplifier,
    "microphone": _microphone,
}


def rectifier_alone(circuit: Circuit, bias_v: float, reference_v: float) -> list[p.Part]:
    """Rectifier and detector of a description; the wave on the bias, and the reference node, are stiff."""
    parts = circuit.of_stage("rectifier") + circuit.of_stage("detector")
    used = {name for one in parts for name in one.nodes}
    kept = Circuit(parts, tuple(one for one in circuit.nodes if one.name in used))
    foot = node(circuit.component("C3").node_at("2"))
    netlist = [
        *netlist_of(kept),
        p.VoltageSource("V(bias)", "bias", p.GROUND, bias_v),
        p.VoltageSource("signal", "preamp", "bias", 0.0, 1.0),
    ]
    if foot not in (p.GROUND, "bias"):
        netlist.append(p.VoltageSource("V(reference)", foot, p.GROUND, reference_v))
    return netlist


@dataclass(frozen=True, eq=False)
class Compared:
    """Held voltages of one board on one sound at its converter's instants, V above the reference node."""

    chain: Chain
    nodal_v: np.ndarray
    chain_v: np.ndarray
    nodal_quiescent_v: float
    chain_quiescent_v: float
    steps: int

    def between(self, start_s: float, end_s: float) -> Compared:
        """The same for the readings of a stretch of the sound."""
        at_s = np.arange(1, self.nodal_v.size + 1) / self.chain.adc.rate_hz
        some = (at_s > start_s) & (at_s <= end_s)
        return replace(self, nodal_v=self.nodal_v[some], chain_v=self.chain_v[some])

    @cached_property
    def counts(self) -> np.ndarray:
        """What the nodal solution would read, in counts, not rounded."""
        return self.nodal_v / self.chain.adc.lsb_v

    @property
    def share(self) -> float:
        """Worst difference over the nodal solution's own peak."""
        return float(np.abs(self.chain_v - self.nodal_v).max() / np.abs(self.nodal_v).max())

    @property
    def worst_db(self) -> float:
        """Worst difference where the nodal solution reads more than 10 counts; 0 if it never does."""
        loud = self.counts > 10
        if not loud.any():
            return 0.0
        ratio = np.maximum(self.chain_v[loud], 1e-9) / self.nodal_v[loud]
        return float(np.abs(20 * np.log10(ratio)).max())

    @property
    def worst_counts(self) -> float:
        """Worst difference where it reads 10 counts or less; 0 if it never does."""
        soft = self.counts <= 10
        if not soft.any():
            return 0.0
        return float(np.abs(self.chain_v - self.nodal_v)[soft].max() / self.chain.adc.lsb_v)

    @property
    def quiescent_counts(self) -> float:
        """How far the two say that the board rests apart, counts."""
        return abs(self.nodal_quiescent_v - self.chain_quiescent_v) / self.chain.adc.lsb_v


BASE_HZ = 384e3


def held_of_nodes(chain: Chain, recording: Recording) -> tuple[np.ndarray, float, int]:
    """Return (held voltage at the converter's instants but the first, at rest, steps) of the description.

    V above the reference node's own voltage, which is what stands across the hold capacitor.
    """
    circuit = circuit_of(chain)
    across = "-".join(node(n) for n in circuit.component("C3").nodes)
    solver = Solver(netlist_of(circuit))
    solver.settle()
    rest_v, rate_hz = solver.stored_v("C3"), chain.adc.rate_hz
    per_reading = math.ceil(BASE_HZ / rate_hz)
    last_s = math.floor(recording.duration_s * rate_hz) / rate_hz
    wave = sampled(recording.pressure_pa, recording.sample_rate_hz)
    solved = solver.run(wave, last_s, [across], base_s=1 / (rate_hz * per_reading), every=per_reading)
    return solved.volts[across], rest_v, solved.taken


def held_of_chain(chain: Chain, recording: Recording) -> tuple[np.ndarray, float]:
    """Return (held voltage at the same instants, at rest) of Chain.run, V above the reference node."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", EnvlabWarning)
        result = chain.run(recording)
    node_v = chain.rectifier.reference_node_v
    return result.to_frame()["detector_v"].to_numpy()[1:] - node_v, result.quiescent_v - node_v


def compared(chain: Chain, recording: Recording, *, played: Chain | None = None) -> Compared:
    """Play a recording to a board both ways; played: what Chain.run gets in its place, to see it differ."""
    nodal_v, nodal_rest_v, steps = held_of_nodes(chain, recording)
    chain_v, chain_rest_v = held_of_chain(played or chain, recording)
    both = min(nodal_v.size, chain_v.size)
    return Compared(chain, nodal_v[:both], chain_v[:both], nodal_rest_v, chain_rest_v, steps)

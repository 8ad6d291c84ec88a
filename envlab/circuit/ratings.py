"""What each part of a circuit must bear, and what to ask for when it is bought; no makers, no part numbers.

Rules (common practice, no source, if not said otherwise):

- Voltage: at least twice the highest voltage that a node of the part can be at, the next usual rating.
- Power: at least twice the heat of the highest voltage across the resistor for ever;
  an amplifier gives at most 50 mA.
- Dielectric: C0G where the value sets a frequency or a time, film where C0G is not made so large, X7R where
  it only couples or decouples, electrolytic beyond 10 µF.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from envlab.analog.amplifier import AMPLIFIER_CLASSES
from envlab.circuit.description import GROUND, Circuit, Component
from envlab.circuit.supplies import packages, sections_of
from envlab.units import format_value

MARGIN = 2.0
AMPLIFIER_A = 0.050
RATED_V = (6.3, 10.0, 16.0, 25.0, 35.0, 50.0, 63.0, 100.0, 160.0, 250.0)
RATED_W = (0.1, 0.125, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0)
FUSE_RATED_V = 32.0
C0G_MOST_FARAD, X7R_MOST_FARAD = 100e-9, 10e-6
# Nearer to ground than this a part from rail to rail does not usually come: it is asked for.
_USUAL_LOW_V = AMPLIFIER_CLASSES["rail_to_rail"].output_low_v
_POLAR = ("electrolytic", "tantalum")
_TIMING_STAGES = ("band_filter", "detector")


@dataclass(frozen=True)
class Rating:
    """specification: what to ask for. rated_v: V. power_w: W. None or "" where it means nothing."""

    specification: str
    dielectric: str = ""
    rated_v: float | None = None
    power_w: float | None = None


def rating(circuit: Circuit, part: Component) -> Rating:
    """Return what a part must bear on its circuit, and what to ask for.

    Parameters
    ----------
    circuit : Circuit
        The board.
    part : Component
        One of its parts; any section of a package stands for the package.

    Returns
    -------
    Rating

    Examples
    --------
    >>> import envlab
    >>> from envlab.circuit.circuit import circuit_of
    >>> from envlab.circuit.ratings import rating
    >>> circuit = circuit_of(envlab.Chain())
    >>> rating(circuit, circuit.component("C1"))
    Rating(specification='X7R, 10 V', dielectric='X7R', rated_v=10.0, power_w=None)
    """
    return _BY_KIND[part.kind](circuit, part)


def highest_v(circuit: Circuit, part: Component) -> float:
    """Return the highest voltage that a node of the part can be at, V against ground."""
    return max(circuit.node(node).highest_v for node in part.nodes)


def _next(rated: tuple[float, ...], asked: float) -> float:
    return next((one for one in rated if one >= asked * (1 - 1e-9)), asked)


def _resistor(circuit: Circuit, part: Component) -> Rating:
    ohm, volts = part.value or 0.0, highest_v(circuit, part)
    heat_w = min(volts**2 / ohm, AMPLIFIER_A**2 * ohm)
    power_w = _next(RATED_W, MARGIN * heat_w)
    return Rating(f"{power_w:g} W", "", _next(RATED_V, MARGIN * volts), power_w)


def _capacitor(circuit: Circuit, part: Component) -> Rating:
    rated_v = part.data.get("rated_v") or _next(RATED_V, MARGIN * highest_v(circuit, part))
    made_of = part.data.get("dielectric") or dielectric(part)
    polar = ", + at the higher voltage" if made_of in _POLAR else ""
    return Rating(f"{made_of}, {rated_v:g} V{polar}", made_of, rated_v)


def plus_pin(circuit: Circuit, part: Component) -> str:
    """Return the pin at which a capacitor's + is soldered; "" if it has none, or both ends stand alike.

    The hold capacitor's is at the detector, which never lies below its reference node. On one supply nothing
    that a capacitor leads to ground lies below it.
    """
    if part.kind != "capacitor" or (part.data.get("dielectric") or dielectric(part)) not in _POLAR:
        return ""
    (one, two), (one_v, two_v) = part.pins, [circuit.node(node).quiescent_v for node in part.nodes]
    if part.stage == "detector" or part.nodes[1] == GROUND:
        return one[0]
    if one_v is None or two_v is None or one_v == two_v:
        return ""
    return one[0] if one_v > two_v else two[0]


def dielectric(part: Component) -> str:
    """Return what a capacitor should be made of, by its value in F and its role."""
    farad = part.value or 0.0
    if farad > X7R_MOST_FARAD * (1 + 1e-9):
        return "electrolytic"
    if part.stage in _TIMING_STAGES:
        if farad <= C0G_MOST_FARAD * (1 + 1e-9):
            return "C0G"
        return "film" if part.stage == "band_filter" else "X7R"
    return "X7R"


def _diode(circuit: Circuit, part: Component) -> Rating:
    rated_v = _next(RATED_V, MARGIN * highest_v(circuit, part))
    made_of = {"silicon": "silicon, small signal", "schottky": "Schottky, small signal"}
    material = str(part.data["material"])
    return Rating(f"{made_of.get(material, material)}, {rated_v:g} V", "", rated_v)


def _amplifier(circuit: Circuit, part: Component) -> Rating:
    sections = packages(circuit.components)[part.package]
    size = {1: "single", 2: "dual", 4: "quad"}[sections_of(len(sections))]
    volts = circuit.node(part.node_at("v+")).highest_v
    return Rating(f"{', '.join(_asked_of_amplifier(part))}, {size}, for {volts:g} V")


def _asked_of_amplifier(part: Component) -> list[str]:
    data = part.data
    low_v, high_v = data["output_low_v"], data["output_high_v"]
    near = low_v <= 0.1 and high_v <= 0.1
    # A follower's input goes where its output goes.
    least = 0.0 if part.node_at("in-") == part.node_at("out") else 1.0
    inside = max(data.get("input_low_v", least), data.get("input_high_v", least)) <= 0
    if near:
        asked = ["rail-to-rail in and out" if inside else "rail-to-rail out"]
        if low_v < _USUAL_LOW_V:
            asked.append(f"output to {1e3 * low_v:g} mV from ground")
    else:
        asked = [f"output to {low_v:g} V from ground and {high_v:g} V from the supply"]
        if "input_low_v" in data:
            asked.append(
                f"input from {data['input_low_v']:g} V to {data['input_high_v']:g} V under the supply"
            )
    asked.append(f"≥ {_quantity(data['gain_bandwidth_hz'], 'Hz')}")
    if "slew_v_per_s" in data:
        asked.append(f"≥ {data['slew_v_per_s'] / 1e6:g} V/µs")
    offset_v = abs(data.get("offset_limit_v", data["offset_v"]))
    if offset_v > 0:
        asked.append(f"offset ≤ {1e3 * offset_v:g} mV")
    if part.stage == "preamp":
        asked.append(f"noise ≤ {1e9 * data['noise_v_per_rthz']:g} nV/√Hz")
    return asked


def _quantity(value: float, unit: str) -> str:
    return format_value(value, unit)


def _transistor(circuit: Circuit, part: Component) -> Rating:
    rated_v = _next(RATED_V, MARGIN * highest_v(circuit, part))
    return Rating(
        f"NPN, small signal, current gain ≥ {part.data['current_gain']:g}, {rated_v:g} V", "", rated_v
    )


def _microphone(circuit: Circuit, part: Component) -> Rating:
    del circuit
    told: Mapping[str, Any] = part.data
    sensitivity = f"{told['sensitivity_dbv_pa']:g} dBV/Pa".replace("-", "−")
    loud = f"overload ≥ {told['overload_db_spl']:g} dB SPL"
    quiet = f"signal to noise ≥ {told['signal_to_noise_db']:g} dB(A), {loud}"
    if "rated_load_ohm" in told:
        capsule = f"electret capsule of two wires, {sensitivity} at {told['rated_load_ohm'] / 1e3:g} kΩ"
        return Rating(f"{capsule}, {1e3 * told['drain_current_a']:g} mA, {quiet}")
    return Rating(f"analog microphone module, {sensitivity}, {quiet}, for {told['supply_v']:g} V")


def _converter(circuit: Circuit, part: Component) -> Rating:
    del circuit
    data = part.data
    if data.get("linear"):
        return Rating(f"linear regulator, {data['volts']:g} V")
    low_v, high_v = data["input_low_v"], data["input_high_v"]
    way = (
        "step-down" if low_v > data["volts"] else "step-up" if high_v < data["volts"] else "step-up/step-down"
    )
    volts = f"{low_v:g} to {high_v:g} V in, {data['volts']:g} V out"
    return Rating(f"{way} module, {volts}, {data['limit_a']:g} A", "", high_v)


def _fuse(circuit: Circuit, part: Component) -> Rating:
    rated_v = max(FUSE_RATED_V, _next(RATED_V, highest_v(circuit, part)))
    return Rating(f"time-lag, {rated_v:g} V, at the pack's +, in a holder", "", rated_v)


def _controller(circuit: Circuit, part: Component) -> Rating:
    data = part.data
    rate, reference = _quantity(data["rate_hz"], "Hz"), f"reference {data['reference_v']:g} V"
    words = f"module with ADC of {data['bits']} bit, {rate}, {reference}{_of_readings(data)}"
    if "regulated" in dict(part.pins):
        volts = circuit.node(part.node_at("regulated")).highest_v
        words += f", own regulator of {volts:g} V that feeds the analog part"
    return Rating(words)


def _of_readings(data: Mapping[str, Any]) -> str:
    """How far the readings may be off by themselves, of what the design knows."""
    words = f", noise ≤ {data['noise_lsb']:g} LSB" if data["noise_lsb"] else ""
    low_v, high_v = data["dead_low_v"], data["reference_v"] - data["dead_high_v"]
    if data["dead_low_v"] or data["dead_high_v"]:
        words += f", that tells {low_v:g} to {high_v:g} V apart"
    return words


def _pixel(circuit: Circuit, part: Component) -> Rating:
    data = part.data
    logic_v = circuit.node(part.node_at("data")).highest_v
    words = f"{data['channels']} channels of {1e3 * data['channel_a']:g} mA, {data['volts']:g} V"
    return Rating(f"{words}, data input that takes {logic_v:g} V logic (or a logic buffer before the first)")


def _pack(circuit: Circuit, part: Component) -> Rating:
    del circuit
    data = part.data
    if "cells" not in data:
        awake = f", that stays on at {data['idle_a']:.2g} A" if data["idle_a"] else ""
        return Rating(
            f"power bank, {data['full_v']:g} V, ≥ {data['current_a']:.2g} A lasting{awake}",
            "",
            data["full_v"],
        )
    many = "s in series" if data["cells"] > 1 else ""
    cells = f"{data['cells']} lithium-ion cell{many}, {data['capacity_ah']:g} Ah"
    return Rating(f"{cells}, with protection, ≥ {data['current_a']:.2g} A lasting", "", data["full_v"])


_BY_KIND: Mapping[str, Callable[[Circuit, Component], Rating]] = {
    "resistor": _resistor,
    "capacitor": _capacitor,
    "diode": _diode,
    "amplifier": _amplifier,
    "transistor": _transistor,
    "microphone": _microphone,
    "converter": _converter,
    "fuse": _fuse,
    "controller": _controller,
    "pixel": _pixel,
    "pack": _pack,
}

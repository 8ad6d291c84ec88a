"""What the description of a circuit shows to be wrong, without a signal: each with what would do.

Design rules that need a stage's own numbers stand in envlab.analog.design_rules.
"""

from __future__ import annotations

from collections.abc import Iterator

from envlab.analog.preamps.preamp import Preamp
from envlab.analog.rectifiers.active import ActiveRectifier
from envlab.analog.rectifiers.pumps import Bridge
from envlab.analog.rectifiers.requirements import Requirement, inverter_requirements, requirements
from envlab.circuit.description import Circuit, Component
from envlab.circuit.ratings import highest_v
from envlab.units import db, format_value

_NEAR_V = 1e-9
_ONE_WAY = ("diode", "transistor")


def circuit_warnings(circuit: Circuit) -> tuple[str, ...]:
    """Return one sentence for each thing that is wrong; none if the circuit is sound.

    Parameters
    ----------
    circuit : Circuit
        The board.

    Examples
    --------
    >>> import envlab
    >>> from envlab.circuit.circuit import circuit_of
    >>> from envlab.circuit.design_rules import circuit_warnings
    >>> circuit_warnings(circuit_of(envlab.Chain()))
    ()
    """
    rules = (_sinking_driver, _no_dc_return, _output_range, _input_range, _rated_voltage)
    return tuple(sentence for rule in rules for sentence in rule(circuit))


def amplifier_warnings(
    rectifier: ActiveRectifier | Bridge,
    preamp: Preamp,
    floor_db_spl: float,
    floor_peak_v: float,
    ceiling_peak_v: float,
) -> tuple[str, ...]:
    """Return a sentence for each thing that a topology asks of its amplifiers and does not get.

    Parameters
    ----------
    rectifier : ActiveRectifier or Bridge
        The topology and its amplifiers.
    preamp : Preamp
        What drives it.
    floor_db_spl : float
        Below it the light is to be dark, dB SPL.
    floor_peak_v, ceiling_peak_v : float
        Peaks of sines at floor and ceiling at the rectifier, V.
    """
    most_peak_v = min(ceiling_peak_v, preamp.swing_up_v, preamp.swing_down_v)
    if isinstance(rectifier, Bridge):
        asked = inverter_requirements(
            rectifier, bias_v=preamp.bias_v, supply_v=preamp.supply_v, most_peak_v=most_peak_v
        )
        return tuple(_inverter_sentence(one) for one in asked if not one.is_met)
    idle_v = rectifier.as_built(preamp.bias_v, preamp.supply_v).quiescent_rectified_v()
    if floor_peak_v < idle_v:
        return (_floor_sentence(floor_db_spl, floor_peak_v, idle_v),)
    asked = requirements(
        rectifier,
        bias_v=preamp.bias_v,
        supply_v=preamp.supply_v,
        least_peak_v=floor_peak_v,
        most_peak_v=most_peak_v,
    )
    return tuple(
        _requirement_sentence(one)
        for one in asked
        if not one.is_met and one.quantity in _TOLD and not _is_protected(rectifier, one)
    )


def _is_protected(rectifier: ActiveRectifier, one: Requirement) -> bool:
    """The diodeless circuit drives its first input below ground on purpose, through a resistor."""
    return rectifier.topology == "diodeless" and one.quantity == "input_low_v"


_TOLD = {
    "input_low_v": ("lowest input above ground", "an amplifier whose input reaches ground"),
    "input_high_v": ("highest input below the supply", "an amplifier whose input reaches the supply"),
    "output_high_v": ("highest output below the supply", "less gain, a lower ceiling or reference node"),
    "gain_bandwidth_hz": ("gain-bandwidth", "a faster amplifier, or more gain before it"),
    "slew_v_per_s": ("slew rate", "a faster amplifier"),
    "offset_v": ("offset", "an amplifier of less offset, or more gain before it"),
}


_NEARER = "an amplifier that comes nearer to it, less inverter_feedback_ohm, or a lower ceiling"
_TOLD_OF_INVERTER = _TOLD | {
    "output_low_v": ("lowest output above ground", _NEARER),
    "output_high_v": ("highest output below the supply", _NEARER),
    "gain_bandwidth_hz": ("gain-bandwidth", "a faster amplifier"),
}


def _requirement_sentence(one: Requirement) -> str:
    return _sentence(one, "the rectifier's amplifiers", *_TOLD[one.quantity])


def _inverter_sentence(one: Requirement) -> str:
    return _sentence(one, "the bridge's inverter", *_TOLD_OF_INVERTER[one.quantity])


def _sentence(one: Requirement, whose: str, name: str, remedy: str) -> str:
    limit = "at most" if one.at_most else "at least"
    needed, offered = (_with_unit(one.quantity, value) for value in (one.needed, one.offered))
    return f"The {name} of {whose} is {offered} and must be {limit} {needed}: {one.why}: take {remedy}."


def _with_unit(quantity: str, value: float) -> str:
    if quantity == "gain_bandwidth_hz":
        return format_value(value, "Hz")
    if quantity == "slew_v_per_s":
        return f"{value / 1e6:.3g} V/µs"
    return f"{value:.3g} V" if abs(value) >= 0.1 else f"{1e3 * value:.3g} mV"


def _floor_sentence(floor_db_spl: float, peak_v: float, idle_v: float) -> str:
    least_db_spl = floor_db_spl + db(idle_v / peak_v)
    return (
        f"The floor of {floor_db_spl:g} dB SPL is {1e3 * peak_v:.3g} mV at the rectifier, whose amplifiers"
        f" come no nearer than {1e3 * idle_v:.3g} mV to the reference node: nothing under"
        f" {least_db_spl:.1f} dB SPL moves the light: lift reference_node_v to 0.15 V, raise the floor, or"
        " take more gain."
    )


def _sinking_driver(circuit: Circuit) -> Iterator[str]:
    """An amplifier straight on the attack resistor takes back what it gave."""
    attack = next((one for one in circuit.components if one.key == "detector.attack_ohm"), None)
    if attack is None:
        return
    driven = attack.node_at("1")
    for one in _amplifiers(circuit):
        if one.node_at("out") != driven:
            continue
        release = next(part for part in circuit.components if part.key == "detector.release_ohm")
        farad = next(part for part in circuit.components if part.key == "detector.hold_farad").value or 0.0
        ohm, slow_ohm = attack.value or 1.0, release.value or 1.0
        quick_ms = 1e3 * farad / (1 / ohm + 1 / slow_ohm)
        yield (
            f"{one.reference} can take current as well as give it, and {attack.reference} leads from its"
            f" output to the hold capacitor: it empties it in {quick_ms:.3g} ms, where {release.reference}"
            f" alone would take {1e3 * farad * slow_ohm:.3g} ms: put a diode inside its loop, behind its"
            ' output, or take a detector of kind "average".'
        )


def _no_dc_return(circuit: Circuit) -> Iterator[str]:
    """A node behind a capacitor that only diodes of one direction and inputs hang on charges up and stays."""
    for node in circuit.nodes:
        pins = [(circuit.component(name), pin) for name, pin in circuit.pins_on(node.name)]
        kinds = {part.kind for part, _ in pins}
        if "capacitor" not in kinds or not kinds <= {"capacitor", "diode", "amplifier", "transistor"}:
            continue
        ways = {"anode" if pin == "base" else pin for part, pin in pins if part.kind in _ONE_WAY}
        driven = any(part.kind == "amplifier" and pin == "out" for part, pin in pins)
        if driven or ways == {"anode", "cathode"} or node.fixed or kinds == {"capacitor"}:
            continue
        capacitor = next(part for part, _ in pins if part.kind == "capacitor")
        yield (
            f"The passive half wave has no DC return: {capacitor.reference} charges until nothing flows and"
            " the detector reads zero: give return_ohm, from the diode's input to the reference node."
        )


def _output_range(circuit: Circuit) -> Iterator[str]:
    """An amplifier that is to rest where its output does not reach."""
    for one in _amplifiers(circuit):
        rest_v = circuit.node(one.node_at("out")).quiescent_v
        supply_v = circuit.node(one.node_at("v+")).highest_v
        low_v, high_v = one.data.get("output_low_v"), one.data.get("output_high_v")
        if rest_v is None or low_v is None or high_v is None:
            continue
        if not low_v - _NEAR_V <= rest_v <= supply_v - high_v + _NEAR_V:
            yield (
                f"{one.reference} ({one.role}) is to rest at {rest_v:.3g} V, and its output goes from"
                f" {low_v:.3g} V to {supply_v - high_v:.3g} V: move that voltage, or take an amplifier whose"
                " output reaches it."
            )


def _input_range(circuit: Circuit) -> Iterator[str]:
    """An amplifier whose input rests outside of what it follows."""
    for one in _amplifiers(circuit):
        if "input_low_v" not in one.data:
            continue
        supply_v = circuit.node(one.node_at("v+")).highest_v
        low_v, high_v = one.data["input_low_v"], supply_v - one.data["input_high_v"]
        for pin in ("in+", "in-"):
            rest_v = circuit.node(one.node_at(pin)).quiescent_v
            if rest_v is not None and not low_v - _NEAR_V <= rest_v <= high_v + _NEAR_V:
                yield (
                    f"{one.reference} ({one.role}) has its input at {rest_v:.3g} V and follows it from"
                    f" {low_v:.3g} V to {high_v:.3g} V: take an amplifier whose input reaches it."
                )
                break


def _rated_voltage(circuit: Circuit) -> Iterator[str]:
    """A part that is stated to bear less than its nodes can be at."""
    for one in circuit.components:
        rated_v, most_v = one.data.get("rated_v"), highest_v(circuit, one)
        if rated_v is not None and rated_v < most_v - _NEAR_V:
            value = format_value(one.value or 0.0, one.unit)
            yield (
                f"{one.reference} ({value}) is rated {rated_v:g} V and can come to {most_v:.3g} V: take one"
                " of a higher rating."
            )


def _amplifiers(circuit: Circuit) -> list[Component]:
    return [one for one in circuit.components if one.kind == "amplifier"]

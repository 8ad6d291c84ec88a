"""Microphone, preamp and band filter as parts and nodes; and any stage that says itself how it is joined.

The node behind a stage has the name of the stage's field in the chain.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from types import MappingProxyType

from envlab.analog.band_filter import BandFilter
from envlab.analog.electret import Electret
from envlab.analog.microphone import Microphone
from envlab.analog.preamps.board_preamp import BoardPreamp
from envlab.analog.preamps.preamp import Preamp
from envlab.analog.stage import AnalogStage, fitted_parts, parts_of
from envlab.circuit.description import GROUND, Component
from envlab.circuit.elements import amplifier, fitted, section

Potential = Callable[[float], str]
SUPPLY, BIAS = "analog_supply", "bias"


def microphone(part: Microphone, supply_v: float, potential: Potential) -> tuple[Component, ...]:
    """Return the microphone, its output on the node "microphone"; an electret with its load.

    supply_v: V of the analog supply. potential: name of the node that stands at a voltage, V.
    """
    told = {
        "sensitivity_v_pa": part.sensitivity_v_pa, "overload_pa": part.overload_pa,
        "sensitivity_dbv_pa": part.sensitivity_dbv_pa, "signal_to_noise_db": part.signal_to_noise_db,
        "overload_db_spl": part.overload_db_spl, "low_corner_hz": part.low_corner_hz,
        "high_corner_hz": part.high_corner_hz, "covering_loss_db": part.covering_loss_db,
        "covering_corner_hz": part.covering_corner_hz,
    }  # fmt: skip
    if not isinstance(part, Electret):
        pins = (("out", "microphone"), ("supply", SUPPLY), ("ground", GROUND))
        return (_capsule(pins, told | {"supply_v": supply_v}),)
    told |= {
        "rated_load_ohm": part.rated_load_ohm,
        "drain_current_a": part.drain_current_a,
        "drain_ohm": part.drain_ohm,
        "drain_v": part.drain_v,
        "supply_v": part.supply_v,
        "drain_least_v": part.drain_least_v,
        "signal_a_pa": part.sensitivity_v_pa / part.output_ohm,
    }
    rail = potential(part.supply_v)
    load = fitted(part, "microphone", {"load_ohm": (rail, "microphone")})
    return (_capsule((("+", "microphone"), ("-", GROUND)), told), *load)


def _capsule(pins: tuple[tuple[str, str], ...], told: Mapping[str, float | None]) -> Component:
    data = MappingProxyType(dict(told))
    return Component("MK1", "microphone", pins, "hears the sound", stage="microphone", data=data)


_STAGE_KEYS = ("coupling_farad", "input_ohm", "ground_ohm", "ground_farad", "feedback_ohm")


def preamp(board: Preamp, before: str, foot: str) -> tuple[Component, ...]:
    """Return one or two non-inverting stages, U1A and U1B, from the node before to the node "preamp".

    foot: the node at which the ground leg ends.
    """
    stages = board.stages if isinstance(board, BoardPreamp) else (board,)
    made: list[Component] = []
    for number, (stage, prefix) in enumerate(zip(stages, ("", "second_"), strict=False)):
        last = number == len(stages) - 1
        out = "preamp" if last else "preamp_first"
        own = f"preamp_{prefix}"
        plus, minus, leg = f"{own}plus", f"{own}minus", f"{own}leg"
        has_leg = stage.ground_farad is not None
        ends = ((before, plus), (plus, BIAS), (minus, leg if has_leg else foot), (leg, foot), (out, minus))
        joints = dict(zip((prefix + key for key in _STAGE_KEYS), ends, strict=True))
        made += fitted(board, "preamp", joints)
        reference = section("U1", number) if len(stages) > 1 else "U1"
        role = "amplifies the microphone" if number == 0 else "amplifies once more"
        data = amplifier_data(board)
        made.append(amplifier(reference, plus, minus, out, role, "preamp", data, rail=SUPPLY))
        before = out
    return tuple(made)


def leg_foot_v(board: Preamp) -> float:
    """Return where the ground leg ends, V against ground.

    A plain preamp's leg has its foot at ground behind a capacitor, at the bias without one.
    """
    if isinstance(board, BoardPreamp):
        return board.bias_v if board.leg_foot_v is None else board.leg_foot_v
    return board.bias_v if board.ground_farad is None else 0.0


def amplifier_data(board: Preamp) -> dict[str, float]:
    """Return what the design says of the amplifiers round the preamp, in V, A, Hz and V/s.

    What it does not say is not there.
    """
    data = {
        "gain_bandwidth_hz": board.gain_bandwidth_hz,
        "output_low_v": board.swing_margin_v,
        "output_high_v": board.swing_margin_v,
        "offset_v": board.input_offset_v,
        "noise_v_per_rthz": board.noise_v_per_rthz,
    }
    if isinstance(board, BoardPreamp):
        data |= {"slew_v_per_s": board.slew_v_per_s, "bias_current_a": board.input_bias_a}
    return data


def follower_data(board: Preamp) -> dict[str, float]:
    """Return the same, in V, A, Hz and V/s, of an amplifier that only hands a voltage on.

    The model gives it no offset.
    """
    return amplifier_data(board) | {"offset_v": 0.0}


def band_filter(part: BandFilter, board: Preamp, before: str) -> tuple[Component, ...]:
    """Return the filter's sections, each with its follower, to the node "band_filter"; none for a wire."""
    halves = [half for half in ("high", "low") if any(name.startswith(half) for name in parts_of(type(part)))]
    made: list[Component] = []
    for number, half in enumerate(halves):
        out = "band_filter" if half == halves[-1] else "band_filter_high"
        plus, between = f"band_filter_{half}_plus", f"band_filter_{half}_between"
        way, other = ("farad", "ohm") if half == "high" else ("ohm", "farad")
        ends = {
            f"{half}_{way}": (before, plus),
            f"{half}_{other}": (plus, BIAS),
            f"{half}_in_{way}": (before, between),
            f"{half}_out_{way}": (between, plus),
            f"{half}_feedback_{other}": (between, out),
            f"{half}_shunt_{other}": (plus, BIAS),
        }
        made += fitted(part, "band_filter", ends)
        role = "drives what comes behind the filter" if half == halves[-1] else "keeps both filters apart"
        reference = section("U4", number) if len(halves) > 1 else "U4"
        made.append(
            amplifier(reference, plus, out, out, role, "band_filter", follower_data(board), rail=SUPPLY)
        )
        before = out
    return tuple(made)


def other_stage(stage: AnalogStage, name: str, before: str) -> tuple[tuple[Component, ...], tuple[str, ...]]:
    """Return (parts, remarks) of a stage that this room does not know, to the node that has its name.

    Its parts are joined as their fields say (envlab.analog.stage.part, between). Of a part that does not say
    it, only that it is there is known, and a remark says so.
    """
    parts = parts_of(type(stage))
    local = {"in": before, "out": name, "bias": BIAS, "ground": GROUND, "supply": SUPPLY}

    def node(end: str) -> str:
        return local.get(end, f"{name}_{end}")

    joints, unsaid = {}, []
    for field, part, _ in fitted_parts(stage):
        if part.between:
            joints[field] = (node(part.between[0]), node(part.between[1]))
        else:
            unsaid.append(part.reference)
            joints[field] = (f"{name}_{part.reference}_1", f"{name}_{part.reference}_2")
    remarks = []
    if unsaid:
        which = "its parts" if len(unsaid) == len(parts) else ", ".join(unsaid)
        remarks.append(f"How the stage {name} joins {which} is not said.")
    made = fitted(stage, name, joints)
    touched = {end for one in made for end in one.nodes}
    if not {before, name} <= touched and not unsaid:
        remarks.append(f"No part of the stage {name} leads from {before} to {name}.")
    return tuple(dataclasses.replace(one, stage=name) for one in made), tuple(remarks)

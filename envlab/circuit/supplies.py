"""What feeds the board and what it feeds: pack, fuse, converter, controller, pixels, potentials, decoupling.

Rules that no standard gives are common practice without a source: 100 nF at every amplifier's package, a
buffered divider for every potential between the rails, a resistor in the pixels' data line, an electrolytic
capacitor where the pixels are fed.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from types import MappingProxyType

from envlab.analog.adc import Adc
from envlab.analog.parts import nearest_value, series_values
from envlab.circuit.description import GROUND, Component
from envlab.circuit.elements import amplifier, capacitor, resistor, section
from envlab.errors import ParameterError
from envlab.light.pixels import Pixels, Supply, full_current_a, idle_current_a
from envlab.light.power.battery import Pack, pack_current_a, supply_power_w

STAGE = "supply"
PIXEL_RAIL, PACK, FUSED, DATA = "supply", "pack", "fused", "data"
DECOUPLING_FARAD = 100e-9
DIVIDER_OHM = 20e3
DIVIDER_FARAD = 10e-6
DIVIDER_SHARE = 0.001
# Least share of the supply that a divider is asked for: its lower resistor would be a bare wire.
SMALLEST_SHARE = 1e-9
DATA_OHM = 330.0
# How long the bulk capacitor alone carries a step from dark to all that the converter gives, and what that
# may cost of the rail: rules of this project.
BULK_S = 100e-6
BULK_DROOP_SHARE = 0.05
# A fuse near its rating ages: three quarters of it for lasting current (common practice, no source).
FUSE_LASTING_SHARE = 0.75
# Rated currents go in these steps, decade by decade [IEC60127-2].
FUSE_STEPS = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
# A lithium-ion cell that is full (common practice, no source).
FULL_CELL_V = 4.2


def potentials(
    volts: Mapping[str, float], supply_v: float, data: Mapping[str, float], rail: str
) -> list[Component]:
    """Return, for each node that stands between the rails, a divider, its capacitor and a follower.

    volts: node → voltage against ground, in the order of U3's sections.
    """
    made: list[Component] = []
    for number, (node, at_v) in enumerate(volts.items()):
        if at_v < SMALLEST_SHARE * supply_v:
            limit = f"0, or {SMALLEST_SHARE * supply_v:g} V or more; no divider makes less of {supply_v:g} V"
            raise ParameterError("reference_node_v" if node == "reference" else f"{node}_v", at_v, limit)
        above_ohm, below_ohm = divider(at_v / supply_v)
        tap = f"{node}_tap"
        what = "bias voltage" if node == "bias" else f"{at_v:g} V for the {node.replace('_', ' ')}"
        first = 30 + 2 * number
        reference = section("U3", number) if len(volts) > 1 else "U3"
        made += [
            resistor(f"R{first}", rail, tap, above_ohm, f"divides the supply: {what}", STAGE),
            resistor(f"R{first + 1}", tap, GROUND, below_ohm, f"divides the supply: {what}", STAGE),
            capacitor(f"C{31 + number}", tap, GROUND, DIVIDER_FARAD, f"keeps the {what} quiet", STAGE, 20),
            amplifier(reference, tap, node, node, f"holds the {what}", STAGE, data, rail=rail),
        ]
    return made


def divider(share: float) -> tuple[float, float]:
    """Return (upper, lower) in Ω, some 20 kΩ in all, whose share of the supply is nearest.

    Of E24 if that comes within 0.1 %, else of E24 and E96, in which resistors of 1 % come (common practice,
    no source). E96 alone is so even that all its pairs have the same ratios, up to 0.8 % beside the wanted
    one. share: 0 to 1, both excluded. [IEC60063]
    """
    found = _divider(("E24",), share)
    near = abs(found[1] / sum(found) / share - 1) <= DIVIDER_SHARE
    return found if near else _divider(("E24", "E96"), share)


def _divider(series: tuple[str, ...], share: float) -> tuple[float, float]:
    lowest, most = DIVIDER_OHM / 2, DIVIDER_OHM * 2
    lowers = [lower for one in series for lower in series_values(one, lowest * share / 2, most)]
    pairs = [(nearest_value(one, lower * (1 - share) / share), lower) for one in series for lower in lowers]
    return min(
        (pair for pair in pairs if lowest <= sum(pair) <= most),
        key=lambda pair: (
            round(abs(pair[1] / sum(pair) / share - 1), 9),
            abs(math.log(sum(pair) / DIVIDER_OHM)),
        ),
    )


def unused_sections(amplifiers: Sequence[Component], data: Mapping[str, float]) -> list[Component]:
    """Return what fills packages of four of which three are used: followers on the bias.

    Left open, such an amplifier swings or draws more than it should (common practice, no source).
    """
    by_package = packages(amplifiers)
    made = []
    for package, some in by_package.items():
        for number in range(len(some), sections_of(len(some))):
            reference, out = section(package, number), f"{section(package, number)}_out"
            role = "unused: a follower at rest"
            made.append(
                amplifier(reference, "bias", out, out, role, some[0].stage, data, rail=some[0].node_at("v+"))
            )
    return made


def sections_of(used: int) -> int:
    """Return how many amplifiers the package has that holds so many: 1, 2 or 4."""
    return next((size for size in (1, 2) if used <= size), 4)


def packages(amplifiers: Sequence[Component]) -> dict[str, list[Component]]:
    """Return package → its amplifiers, in the order of the references."""
    some = sorted((one for one in amplifiers if one.kind == "amplifier"), key=lambda one: one.reference)
    return {name: list(group) for name, group in itertools.groupby(some, key=lambda one: one.package)}


def decoupling(amplifiers: Sequence[Component]) -> list[Component]:
    """Return 100 nF across the supply of each package."""
    return [
        capacitor(
            f"C{20 + number}", some[0].node_at("v+"), GROUND, DECOUPLING_FARAD, f"decouples {package}", STAGE
        )
        for number, (package, some) in enumerate(packages(amplifiers).items())
    ]


def power(supply: Supply, pixels: Pixels, pack: Pack) -> list[Component]:
    """Return pack, fuse, converter and bulk capacitor; a power bank has the converter inside."""
    if supply.is_power_bank:
        return _from_power_bank(supply, pixels)
    drawn_a = most_current_a(supply, pixels)
    pack_a = pack_current_a(supply_power_w(drawn_a, supply), pack)
    full_v, empty_v = pack.cells * FULL_CELL_V, pack.cells * pack.empty_cell_v
    cells = {
        "cells": pack.cells, "capacity_ah": pack.capacity_ah, "full_v": full_v, "empty_v": empty_v,
        "current_a": pack_a,
    }  # fmt: skip
    converter = {
        "volts": supply.volts, "limit_a": supply.limit_a, "input_low_v": empty_v, "input_high_v": full_v,
    }  # fmt: skip
    made = (("in", FUSED), ("out", PIXEL_RAIL), ("ground", GROUND))
    return [
        _pack(cells),
        _fuse(FUSED, pack_a, full_v),
        Component("PS1", "converter", made, "makes the pixels' voltage", stage=STAGE, data=_held(converter)),
        _bulk(supply, pixels),
    ]


def _from_power_bank(supply: Supply, pixels: Pixels) -> list[Component]:
    drawn_a = most_current_a(supply, pixels)
    bank = {"current_a": drawn_a, "full_v": supply.volts, "idle_a": idle_current_a(pixels)}
    return [_pack(bank), _fuse(PIXEL_RAIL, drawn_a, supply.volts), _bulk(supply, pixels)]


def _pack(data: Mapping[str, object]) -> Component:
    pins = (("+", PACK), ("-", GROUND))
    return Component("BT1", "pack", pins, "feeds it all", stage=STAGE, data=_held(data))


def _fuse(behind: str, current_a: float, volts: float) -> Component:
    data = _held({"current_a": current_a, "volts": volts})
    role, pins = "opens before a pinched wire burns", (("1", PACK), ("2", behind))
    return Component("F1", "fuse", pins, role, fuse_rating_a(current_a), "A", stage=STAGE, data=data)


def _bulk(supply: Supply, pixels: Pixels) -> Component:
    farad = bulk_farad(supply, pixels)
    return capacitor("C30", PIXEL_RAIL, GROUND, farad, "carries the pixels' steps", STAGE, 20)


def most_current_a(supply: Supply, pixels: Pixels) -> float:
    """Return the most that pixels and controller take, A: the limit, or less where they ask for less."""
    asked_a = full_current_a(pixels, volts=supply.volts) + supply.counted_controller_a
    return min(supply.limit_a, asked_a)


def fuse_rating_a(current_a: float) -> float:
    """Return the next rated current, A, that bears a lasting current in A; 40 mA and more."""
    asked_a = max(current_a / FUSE_LASTING_SHARE, 0.040) * (1 - 1e-9)
    decade = 10.0 ** math.floor(math.log10(asked_a))
    return next(float(f"{step * decade:.3g}") for step in (*FUSE_STEPS, 10.0) if step * decade >= asked_a)


def bulk_farad(supply: Supply, pixels: Pixels) -> float:
    """Return the bulk capacitor, F: as stated, or what carries the largest step for 100 µs within 5 %."""
    if supply.bulk_farad is not None:
        return supply.bulk_farad
    step_a = most_current_a(supply, pixels) - idle_current_a(pixels)
    asked = max(step_a, 0.0) * BULK_S / (BULK_DROOP_SHARE * supply.volts)
    return next(one for one in series_values("E3", 100e-6, 1e4) if one >= asked * (1 - 1e-9))


def controller_and_pixels(
    adc: Adc, pixels: Pixels, supply: Supply, pin: str, regulated: str | None
) -> list[Component]:
    """Return the controller that reads the pin, and for each data line its resistor and its pixels.

    pin: the node that it reads. regulated: the node that the controller's own regulator feeds, None if
    it feeds none.
    """
    reads = {
        "bits": adc.bits, "reference_v": adc.reference_v, "rate_hz": adc.rate_hz, "leakage_a": adc.leakage_a,
        "sampling_ohm": adc.sampling_ohm, "sampling_farad": adc.sampling_farad, "sampling_s": adc.sampling_s,
        "pin_bears_v": adc.pin_bears_v, "noise_lsb": adc.noise_lsb,
        "dead_low_v": adc.dead_low_v, "dead_high_v": adc.dead_high_v,
    }  # fmt: skip
    names = ["" if pixels.data_lines == 1 else str(line + 1) for line in range(pixels.data_lines)]
    pins = [
        ("supply", PIXEL_RAIL),
        ("ground", GROUND),
        ("adc", pin),
        *((f"data{n}", f"{DATA}{n}") for n in names),
    ]
    if regulated is not None:
        pins.insert(1, ("regulated", regulated))
    role = "reads the detector, makes the light"
    made = [Component("U9", "controller", tuple(pins), role, stage="adc", data=_held(reads))]
    for line, name in enumerate(names):
        count = _share(pixels.count, pixels.data_lines, line)
        lamps = {
            "count": count, "channels": pixels.channels, "channel_a": pixels.channel_a,
            "idle_a": pixels.idle_a, "volts": supply.volts,
        }  # fmt: skip
        sent, seen = f"{DATA}{name}", f"{DATA}{name}_in"
        lit = (("supply", PIXEL_RAIL), ("ground", GROUND), ("data", seen))
        made += [
            resistor(f"R{40 + line}", sent, seen, DATA_OHM, "damps the data line", STAGE, 5),
            Component(f"LED{line + 1}", "pixel", lit, "shine", stage=STAGE, data=_held(lamps)),
        ]
    return made


def _share(count: int, lines: int, line: int) -> int:
    longest = math.ceil(count / lines)
    return max(0, min(longest, count - line * longest))


def regulator(reference: str, node: str, volts: float) -> Component:
    """Return a linear regulator of its own for a rail that nothing else makes, V."""
    pins = (("in", PIXEL_RAIL), ("out", node), ("ground", GROUND))
    data = _held({"volts": volts, "linear": True})
    return Component(reference, "converter", pins, f"makes {volts:g} V", stage=STAGE, data=data)


def _held(data: Mapping[str, object]) -> Mapping[str, object]:
    return MappingProxyType(dict(data))

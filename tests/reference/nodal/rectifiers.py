"""Rectifiers drawn by hand on a single supply, from P, the signal round the bias, to H, the hold capacitor.

Every circuit is of the textbooks: difference amplifier, amplifier with a diode in its loop, two-diode
absolute value, bridge, doubler, emitter follower (common practice). The netlists were written from the
circuits and from nothing else, so that they can tell the package's own description from a right one.
Amplifiers are one kind throughout a circuit. "B" is the bias, "N" the reference node.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from reference.nodal.parts import (
    GROUND,
    Amplifier,
    Capacitor,
    Diode,
    Part,
    Resistor,
    Transistor,
    VoltageSource,
    thermal_v,
)

# Diodes of the classes: saturation A, emission, series Ω, leakage Ω. From memory.
CLASSES = {
    "silicon": (2.5e-9, 1.75, 0.6, 1e9),
    "schottky": (0.2e-6, 1.05, 2.0, 20e6),
    "germanium": (2e-6, 1.3, 7.0, 2e6),
}


@dataclass(frozen=True)
class Kit:
    """What all circuits share. offsets_v: by amplifier, for what is not 0. ratio_off: the first resistor's.

    reference_v: what the reference node is lifted to; bias_v: of the bias; both from buffers.
    """

    gain_bandwidth_hz: float = 3e6
    slew_v_per_s: float = 3e6
    low_v: float = 15e-3
    low_ohm: float = 100.0
    high_v: float = 3.3 - 15e-3
    high_ohm: float = 100.0
    network_ohm: float = 47e3
    attack_ohm: float = 4.7e3
    hold_farad: float = 1e-6
    release_ohm: float = 220e3
    diode: str = "silicon"
    bias_v: float = 1.65
    reference_v: float = 0.0
    supply_v: float = 3.3
    kelvin: float = 298.15

    def amplifier(self, name: str, plus: str, minus: str, out: str) -> Amplifier:
        """One of the kit's amplifiers."""
        return Amplifier(
            name,
            plus,
            minus,
            out,
            self.gain_bandwidth_hz,
            self.slew_v_per_s,
            self.low_v,
            self.low_ohm,
            self.high_v,
            self.high_ohm,
        )

    def a_diode(self, name: str, anode: str, cathode: str) -> Diode:
        """One of the kit's diodes."""
        saturation_a, emission, series_ohm, leakage_ohm = CLASSES[self.diode]
        slope_v = emission * thermal_v(self.kelvin)
        return Diode(name, anode, cathode, saturation_a, slope_v, series_ohm, leakage_ohm)

    def same(self, name: str, a: str, b: str) -> Resistor:
        """One of the network's equal resistors."""
        return Resistor(name, a, b, self.network_ohm)


def signal(kit: Kit) -> list[Part]:
    """P follows the wave round the bias; B and N are stiff (a follower each)."""
    return [
        VoltageSource("bias", "B", GROUND, kit.bias_v),
        VoltageSource("signal", "P", "B", 0.0, 1.0),
        VoltageSource("reference", "N", GROUND, kit.reference_v),
    ]


def hold(kit: Kit, node: str = "S", foot: str = "N") -> list[Part]:
    """Attack resistor, hold capacitor, release resistor."""
    parts: list[Part] = [
        Resistor("R4", node, "H", kit.attack_ohm),
        Capacitor("C3", "H", foot, kit.hold_farad),
        Resistor("R5", "H", foot, kit.release_ohm),
    ]
    return parts


def super_diode(kit: Kit, number: str, plus: str, out: str) -> list[Part]:
    """An amplifier with a diode inside its loop: it gives and never takes."""
    anode = f"A{number}"
    return [
        kit.amplifier(f"U{number}", plus, out, anode),
        kit.a_diode(f"D{number}", anode, out),
    ]


def difference(kit: Kit, number: str, plus: str, minus: str, foot: str, out: str) -> list[Part]:
    """Four equal resistors and an amplifier: out = foot + plus − minus."""
    high, low = f"{number}+", f"{number}-"
    return [
        kit.same(f"R{number}a", plus, high),
        kit.same(f"R{number}b", high, foot),
        kit.same(f"R{number}c", minus, low),
        kit.same(f"R{number}d", low, out),
        kit.amplifier(f"U{number}", high, low, out),
    ]


def difference_superdiodes(kit: Kit) -> list[Part]:
    """Both half waves from the bias down to the reference node, then two diodes in their loops, one node."""
    return [
        *signal(kit),
        *difference(kit, "1", "P", "B", "N", "up"),
        *difference(kit, "2", "B", "P", "N", "down"),
        *super_diode(kit, "3", "up", "S"),
        *super_diode(kit, "4", "down", "S"),
        *hold(kit),
    ]


def absolute_value(kit: Kit) -> list[Part]:
    """Inverting half wave with two diodes, and the sum B + |x|; down to the node; a diode in its loop.

    Of the half wave: node "half" stands at B − max(x, 0). The sum inverts x once and the half wave twice.
    """
    half = 0.5 * kit.network_ohm
    return [
        *signal(kit),
        kit.same("R1a", "P", "in"),
        kit.same("R1b", "in", "half"),
        kit.amplifier("U1", "B", "in", "first"),
        kit.a_diode("D1", "half", "first"),
        kit.a_diode("D2", "first", "in"),
        kit.same("R2a", "P", "sum"),
        Resistor("R2b", "half", "sum", half),
        kit.same("R2c", "sum", "whole"),
        kit.amplifier("U2", "B", "sum", "whole"),
        *difference(kit, "3", "whole", "B", "N", "shifted"),
        *super_diode(kit, "4", "shifted", "S"),
        *hold(kit),
    ]


def diodeless(kit: Kit, coupling_farad: float = 10e-6, return_share: float = 0.1) -> list[Part]:
    """Coupled onto ground: the first amplifier stops there, the second makes 2·first − x; then a diode.

    return_share: of the network's resistors, what holds the input on N against what the second output brings.
    The first amplifier's input is kept from harm by a resistor.
    """
    return [
        *signal(kit),
        Capacitor("C10", "P", "X", coupling_farad),
        Resistor("R15", "X", "N", return_share * kit.network_ohm),
        Resistor("R1a", "X", "first+", 10e3),
        kit.amplifier("U1", "first+", "first", "first"),
        kit.same("R2a", "X", "second-"),
        kit.same("R2b", "second-", "second"),
        kit.amplifier("U2", "first", "second-", "second"),
        *super_diode(kit, "3", "second", "S"),
        *hold(kit),
    ]


def bias_superdiodes(kit: Kit) -> list[Part]:
    """An inverter on the bias and two diodes in their loops; the hold capacitor stands on the bias."""
    return [
        VoltageSource("bias", "B", GROUND, kit.bias_v),
        VoltageSource("signal", "P", "B", 0.0, 1.0),
        kit.same("R1a", "P", "in"),
        kit.same("R1b", "in", "turned"),
        kit.amplifier("U1", "B", "in", "turned"),
        *super_diode(kit, "2", "P", "S"),
        *super_diode(kit, "3", "turned", "S"),
        *hold(kit, foot="B"),
    ]


def passive_half_wave(kit: Kit) -> list[Part]:
    """A diode and nothing else, on the bias."""
    return [
        VoltageSource("bias", "B", GROUND, kit.bias_v),
        VoltageSource("signal", "P", "B", 0.0, 1.0),
        kit.a_diode("D1", "P", "S"),
        *hold(kit, foot="B"),
    ]


def coupled_half_wave(kit: Kit, coupling_farad: float = 1e-6, return_ohm: float = 10e3) -> list[Part]:
    """A diode on ground behind a coupling capacitor, whose mean current a resistor brings back."""
    return [
        *signal(kit),
        Capacitor("C10", "P", "X", coupling_farad),
        Resistor("R15", "X", "N", return_ohm),
        kit.a_diode("D1", "X", "S"),
        *hold(kit),
    ]


def bridge(kit: Kit, coupling_farad: float = 1e-6) -> list[Part]:
    """Four diodes, fed from P and from its inverse through a capacitor each; the lower end is N.

    Each end is lifted onto N as in the doubler, so that both half waves leave twice the peak.
    """
    return [
        *signal(kit),
        kit.same("R1a", "P", "in"),
        kit.same("R1b", "in", "turned"),
        kit.amplifier("U1", "B", "in", "turned"),
        Capacitor("C10", "P", "X", coupling_farad),
        Capacitor("C11", "turned", "Y", coupling_farad),
        kit.a_diode("D1", "X", "S"),
        kit.a_diode("D2", "Y", "S"),
        kit.a_diode("D3", "N", "X"),
        kit.a_diode("D4", "N", "Y"),
        *hold(kit),
    ]


def voltage_doubler(kit: Kit, coupling_farad: float = 1e-6) -> list[Part]:
    """A clamp that lifts the wave onto the node, and a diode to the hold capacitor."""
    return [
        *signal(kit),
        Capacitor("C10", "P", "X", coupling_farad),
        kit.a_diode("D1", "N", "X"),
        kit.a_diode("D2", "X", "S"),
        *hold(kit),
    ]


def transistor_detector(kit: Kit, gain: float = 200.0, saturation_a: float = 1e-14) -> list[Part]:
    """An emitter follower charges the capacitor; its collector is on the supply."""
    return [
        VoltageSource("supply", "V", GROUND, kit.supply_v),
        VoltageSource("bias", "B", GROUND, kit.bias_v),
        VoltageSource("signal", "P", "B", 0.0, 1.0),
        VoltageSource("reference", "N", GROUND, kit.reference_v),
        Transistor("Q1", "V", "P", "S", saturation_a, thermal_v(kit.kelvin), gain),
        *hold(kit),
    ]


HAND_DRAWN: dict[str, Callable[[Kit], list[Part]]] = {
    "difference_superdiodes": difference_superdiodes,
    "absolute_value": absolute_value,
    "diodeless": diodeless,
    "bias_superdiodes": bias_superdiodes,
    "passive_half_wave": passive_half_wave,
    "coupled_half_wave": coupled_half_wave,
    "bridge": bridge,
    "voltage_doubler": voltage_doubler,
    "transistor_detector": transistor_detector,
}

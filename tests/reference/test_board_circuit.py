"""The whole-board reference itself: alone, and its closed form of the diode against root finding."""

from __future__ import annotations

from pathlib import Path

import pytest
from reference import board_circuit, circuit, diode_circuit


@pytest.mark.parametrize("module", [board_circuit, circuit, diode_circuit])
def test_it_stands_alone(module) -> None:
    assert "envlab" not in Path(module.__file__).read_text(encoding="utf-8")


# (saturation A, emission, resistance Ω): silicon, Schottky, a bridge; typical values, from memory
@pytest.mark.parametrize("law", [(2.5e-9, 1.75, 470.6), (0.2e-6, 1.05, 2202.0), (2.5e-9, 3.5, 101.2)])
@pytest.mark.parametrize("volts", [-3.0, -0.05, 0.0, 0.02, 0.3, 0.8, 1.6])
def test_its_diode_carries_what_root_finding_says(law, volts) -> None:
    saturation_a, emission, resistance_ohm = law
    parts = (saturation_a, emission, 298.15, resistance_ohm, 1e-6, 100e3)
    hold = board_circuit.DiodeHold(*parts, 1e9, full_wave=False)
    expected = diode_circuit.DiodeCircuit(*parts).current_a(volts)
    assert hold.current_a(volts) == pytest.approx(expected, rel=1e-9, abs=1e-9 * saturation_a)

"""The invented boards' own equations against circuit.py's stiff solver, which knows nothing of them."""

from __future__ import annotations

import numpy as np
import pytest
from reference.circuit import FrontEnd, Peak, Wave, chain_volts
from reference.invented_board import InventedBoard, check_omega, fine_wave, held_volts

RATE_HZ = 48_000.0
BOARD = InventedBoard(
    0.03, 23.0, 4.7e3, 1e-6, 220e3, microphone_low_hz=40.0, leg_hz=15.9, swing_up_v=0.5, swing_down_v=0.4
)


def burst() -> np.ndarray:
    t_s = np.arange(round(0.08 * RATE_HZ)) / RATE_HZ
    return np.where((t_s > 0.01) & (t_s < 0.05), np.sin(2 * np.pi * 1000 * t_s), 0.0)


@pytest.mark.parametrize("mode", [0, 1])
def test_it_holds_what_the_stiff_solver_holds(mode):
    samples = burst()
    times_s = np.linspace(0.005, 0.078, 40)
    front = FrontEnd(0.03, 1e9, 40.0, 15e3, 1.6, 23.0, 15.9, 10e6, 0.0, 0.5, 0.4)
    wave = Wave(samples, RATE_HZ, quickest_hz=6000.0)
    _, wanted = chain_volts(
        wave, front, [Peak(4.7e3, 1e-6, 220e3)], times_s, full_wave=mode == 0, tolerance=1e-7
    )
    board = InventedBoard(**{**BOARD.__dict__, "mode": mode})
    held_v, step_s = held_volts(board, fine_wave(samples), RATE_HZ)
    found = np.interp(times_s, np.arange(held_v.size) * step_s, held_v)
    assert np.abs(found - wanted[0]).max() < 1e-4 * wanted.max()


def test_its_wright_omega_is_scipys():
    assert np.abs(check_omega(np.linspace(-60, 300, 400))).max() < 1e-12

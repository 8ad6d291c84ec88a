"""The wave between samples, as polynomials that the solver may ask at any moment.

The samples' Fourier series is the exact band-limited wave of a period (silence is appended, so that it does
not close on itself). On a grid eight times as fine as the samples, value, slope and bend are taken from it,
and a polynomial of fifth degree goes between: at Nyquist ωh = π/8, and (ωh)^6/(6!·2^6) is 8e-8 of a sine.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from reference.circuit import hermite_cells

GRID = 8


@dataclass(frozen=True, eq=False)
class Waves:
    """coefficients: shape (waves, cells, 6), highest power first. Before and after, it stays at its ends."""

    coefficients: np.ndarray
    cells_per_s: float

    def at(self, times_s: np.ndarray, wave: int = 0) -> np.ndarray:
        """Return one of the waves at times, s."""
        position = np.asarray(times_s, dtype=np.float64) * self.cells_per_s
        cell = np.clip(np.floor(position).astype(int), 0, self.coefficients.shape[1] - 1)
        s, out = np.clip(position - cell, 0, 1), np.zeros_like(position)
        for c in self.coefficients[wave, cell].T:
            out = out * s + c
        return out


def sampled(samples: np.ndarray, rate_hz: float) -> Waves:
    """The band-limited wave through samples, silent before and after."""
    period = 1 << (2 * max(len(samples), 4096) - 1).bit_length()
    spectrum = np.fft.rfft(samples, period)
    spectrum[-1] *= 0.5  # the line at Nyquist belongs half to each side
    omega_h = 2.0 * np.pi * np.arange(spectrum.size) / (period * GRID)
    value, slope, bend = (
        np.fft.irfft(spectrum * (1j * omega_h) ** order, period * GRID) * GRID for order in range(3)
    )
    return Waves(hermite_cells(value, slope, bend, len(samples) * GRID)[np.newaxis], rate_hz * GRID)


def sine(peak: float, frequency_hz: float, duration_s: float, phase: float = 0.0) -> Waves:
    """peak·sin(2πft + phase), 64 cells a cycle: within 2e-11 of it, by the same estimate."""
    cells_per_s = 64.0 * frequency_hz
    turn = 2 * np.pi * frequency_hz
    t = np.arange(int(duration_s * cells_per_s) + 2) / cells_per_s
    step = turn / cells_per_s
    s, c = peak * np.sin(turn * t + phase), peak * np.cos(turn * t + phase)
    return Waves(hermite_cells(s, step * c, -step * step * s, t.size - 1)[np.newaxis], cells_per_s)


def sine_burst(peak: float, frequency_hz: float, cycles: int) -> Waves:
    """Whole cycles of a sine from time 0, and nothing after."""
    wave = sine(peak, frequency_hz, cycles / frequency_hz)
    on = wave.coefficients[:, : 64 * cycles]
    return Waves(np.concatenate([on, np.zeros_like(on[:, :1])], axis=1), wave.cells_per_s)


def silence() -> Waves:
    """Nothing but the constant sources."""
    return Waves(np.zeros((1, 1, 6)), 1.0)


def together(waves: Sequence[Waves]) -> Waves:
    """Several waves of one grid, for sources that each have their own."""
    assert len({w.cells_per_s for w in waves}) == 1
    return Waves(np.concatenate([w.coefficients for w in waves]), waves[0].cells_per_s)

"""The signal after every stage of one board, with the time axis of each rate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from envlab.analog.adc import read_at
from envlab.engine.board import Board
from envlab.engine.nodes import Player
from envlab.light.lightness import lightness_cie1976
from envlab.light.table import LookupTable
from envlab.notebook_view import small_table
from envlab.units import FloatArray, IntArray

if TYPE_CHECKING:
    import pandas as pd

# Node, its unit, its rate; in the order of the signal.
NODES = (
    ("pressure_pa", "Pa", "internal"),
    ("microphone_v", "V", "internal"),
    ("preamp_v", "V", "internal"),
    ("rectified_v", "V", "internal"),
    ("detector_v", "V", "internal"),
    ("adc_counts", "counts", "adc"),
    ("envelope_counts", "counts", "adc"),
    ("duty", "share of full", "frame"),
)
# What a block of a board that plays has of them, with the held voltage in the place of the detector's.
_PLAYED_NODES = ("pressure_pa", "microphone_v", "preamp_v", "rectified_v", "held_v")


@dataclass(frozen=True, eq=False, repr=False)
class ChainResult:
    """The signal after every stage of a board; arrays of shape (n,) at the rate named beside them.

    Parameters
    ----------
    pressure_pa : ndarray of float
        Sound pressure, Pa; sample n at n/internal_rate_hz.
    microphone_v : ndarray of float
        Microphone's output, V; the same stamps.
    preamp_v : ndarray of float
        Preamp's output, V round its bias; the same stamps.
    rectified_v : ndarray of float
        Rectified voltage, V at the pin's ground; the same stamps.
    detector_v : ndarray of float
        Voltage on the hold capacitor, V at the pin's ground; sample n at (n + ½)/internal_rate_hz.
    internal_rate_hz : float
        Rate at which the circuit is computed, Hz.
    adc_counts : ndarray of int
        Readings, whole counts, at adc_rate_hz.
    envelope_counts : ndarray of float
        Readings above quiescent, after the follower, counts, at adc_rate_hz.
    adc_rate_hz : float
        Readings a second, Hz.
    duty : ndarray of float
        Share of full pixel current, 0 to full_duty, at frame_rate_hz.
    frame_rate_hz : float
        Frames a second, Hz.
    full_duty : float
        Brightest state that the limited costume can show, 0 to 1.
    clipped_share : float
        Share of internal samples at which the microphone or the preamp was at its limit, 0 to 1.
    table : LookupTable
        The brightness table that made duty out of envelope_counts.
    quiescent_v : float
        Voltage on the hold capacitor before the sound begins, V at the pin's ground.

    Examples
    --------
    >>> import numpy as np
    >>> import envlab
    >>> sine = np.sin(2 * np.pi * 1000 * np.arange(4800) / 48000)
    >>> result = envlab.Chain().run(envlab.Recording(0.2 * sine, 48000))
    >>> result
    <ChainResult: 0.1 s; 38400 samples at 384 kHz, 100 readings at 1 kHz, 10 frames at 0.1 kHz>
    >>> result.adc_time_s[:3]
    array([0.   , 0.001, 0.002])
    >>> list(result.to_frame().columns[:4])
    ['time_s', 'pressure_pa', 'microphone_v', 'preamp_v']
    """

    pressure_pa: FloatArray
    microphone_v: FloatArray
    preamp_v: FloatArray
    rectified_v: FloatArray
    detector_v: FloatArray
    internal_rate_hz: float
    adc_counts: IntArray
    envelope_counts: FloatArray
    adc_rate_hz: float
    duty: FloatArray
    frame_rate_hz: float
    full_duty: float
    clipped_share: float
    table: LookupTable
    quiescent_v: float = 0.0

    @property
    def internal_time_s(self) -> FloatArray:
        """When the samples of pressure, microphone, preamp and rectifier stand, s: n/internal_rate_hz."""
        return np.arange(self.pressure_pa.size) / self.internal_rate_hz

    @property
    def detector_time_s(self) -> FloatArray:
        """When the samples of detector_v stand, s: (n + ½)/internal_rate_hz, the end of half an interval."""
        stamps = np.arange(self.detector_v.size, dtype=np.float64) + 0.5
        return stamps / self.internal_rate_hz

    @property
    def adc_time_s(self) -> FloatArray:
        """When the readings are taken, s: n/adc_rate_hz."""
        return np.arange(self.adc_counts.size) / self.adc_rate_hz

    @property
    def frame_time_s(self) -> FloatArray:
        """When the frames begin to show, s: n/frame_rate_hz, transmission to the pixels left out."""
        return np.arange(self.duty.size) / self.frame_rate_hz

    @property
    def duration_s(self) -> float:
        """Length of the sound, s."""
        return self.pressure_pa.size / self.internal_rate_hz

    @property
    def relative_luminance(self) -> FloatArray:
        """Frames' luminance over the brightest state that the limited costume can show, 0 to 1."""
        return self.duty / self.full_duty if self.full_duty > 0 else np.zeros_like(self.duty)

    @property
    def lightness(self) -> FloatArray:
        """Frames' CIE L*, 0 to 100, relative to the brightest state."""
        return lightness_cie1976(self.relative_luminance)

    def to_frame(self) -> pd.DataFrame:
        """Return every node at the ADC's rate, one row a reading.

        Returns
        -------
        pandas DataFrame
            Columns time_s; pressure_pa (Pa), microphone_v, preamp_v, rectified_v (V) of the internal sample
            nearest to the reading; detector_v (V) straight between its own stamps; adc_counts,
            envelope_counts; duty (share of full) and lightness_lstar (L*) of the frame shown at that moment.
        """
        import pandas as pd

        times_s = self.adc_time_s
        last = self.pressure_pa.size - 1
        nearest = np.minimum(np.round(times_s * self.internal_rate_hz).astype(np.int64), last)
        shown = np.floor(np.arange(times_s.size) * self.frame_rate_hz / self.adc_rate_hz + 1e-9)
        frame = np.minimum(shown.astype(np.int64), self.duty.size - 1)
        columns: dict[str, FloatArray | IntArray] = {"time_s": times_s}
        for name in ("pressure_pa", "microphone_v", "preamp_v", "rectified_v"):
            columns[name] = getattr(self, name)[nearest]
        columns["detector_v"] = read_at(
            self.detector_v, times_s, sample_rate_hz=self.internal_rate_hz, start_v=self.quiescent_v
        )
        columns |= {"adc_counts": self.adc_counts, "envelope_counts": self.envelope_counts}
        return pd.DataFrame(columns | {"duty": self.duty[frame], "lightness_lstar": self.lightness[frame]})

    def __repr__(self) -> str:
        counted = (
            (self.detector_v.size, "samples", self.internal_rate_hz),
            (self.adc_counts.size, "readings", self.adc_rate_hz),
            (self.duty.size, "frames", self.frame_rate_hz),
        )
        parts = ", ".join(f"{count} {what} at {rate_hz / 1e3:g} kHz" for count, what, rate_hz in counted)
        return f"<ChainResult: {self.duration_s:g} s; {parts}>"

    def _repr_html_(self) -> str:
        rates_hz = {
            "internal": self.internal_rate_hz,
            "adc": self.adc_rate_hz,
            "frame": self.frame_rate_hz,
        }
        rows = []
        for name, unit, rate in NODES:
            values = getattr(self, name)
            rows.append((name, unit, f"{rates_hz[rate]:g}", *(f"{end:.4g}" for end in _ends(values))))
        title = (
            f"{self.duration_s:g} s through the board, clipped {100 * self.clipped_share:.2g} % of the time"
        )
        return small_table(title, ("node", "unit", "rate, Hz", "least", "largest"), rows)


def whole_result(board: Board, player: Player) -> ChainResult:
    """Return the signal after every stage of a board, from a player that has not yet begun."""
    kept, clipped, done = {name: np.empty(player.samples) for name in _PLAYED_NODES}, 0, 0
    for block in player.blocks():
        here = slice(done, done + block.held_v.size)
        for name, signal in kept.items():
            signal[here] = getattr(block, name)
        clipped, done = clipped + block.limited, here.stop
    # What is held and what is offered stand above the reference node so far.
    for name in ("rectified_v", "held_v"):
        kept[name] += board.rectifier.reference_node_v
    played = player.played()
    light = played.light
    return ChainResult(
        pressure_pa=kept["pressure_pa"],
        microphone_v=kept["microphone_v"],
        preamp_v=kept["preamp_v"],
        rectified_v=kept["rectified_v"],
        detector_v=kept["held_v"],
        internal_rate_hz=player.rate_hz,
        adc_counts=played.adc_counts,
        envelope_counts=light.envelope_counts,
        adc_rate_hz=board.adc.rate_hz,
        duty=light.duty,
        frame_rate_hz=board.frame_rate_hz,
        full_duty=light.full_duty,
        clipped_share=clipped / player.samples,
        table=light.table,
        quiescent_v=board.quiescent_v,
    )


def _ends(values: FloatArray | IntArray) -> tuple[float, float]:
    """The least and the largest of any numbers, in their own unit."""
    return float(values.min()), float(values.max())

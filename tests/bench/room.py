"""The bench signal by air in a room that rings for 0.4 s, with street noise 20 dB under its loudest tone.

The room is an exponential tail of noise behind the direct sound: 60 dB in 0.4 s, its energy 10 dB under the
direct sound's, as half a metre before a small loudspeaker (common practice, no source). The noise falls 3 dB
an octave. Room, noise and board are seeded by the board's number, the same board stands in a dead and quiet
room for comparison. `python tests/bench/room.py 0 40` prints the long figure.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
from scipy.signal import fftconvolve

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench.invented import RATE_HZ, RELATIVE, bench, drawn, truth_of
from reference.invented_board import counts_of, fine_wave

from envlab.bench.captures.capture import Capture
from envlab.bench.fit.fit import fit_board
from envlab.bench.fit.intervals import Interval
from envlab.bench.signals.program import FULL_SCALE, SAMPLE_RATE_HZ

ECHO_S, TAIL_DB, NOISE_DB = 0.4, -10.0, -20.0
# What the room adds to a tone is part of the tone's own gain, and what scatters is the street, not the
# converter; these are the board's own.
JUDGED = ("attack_s", "release_s", "offset_lsb", "drop_v", "clock")


def in_room(samples: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The wave at the microphone, share of the direct sound's full scale."""
    times_s = np.arange(int(1.5 * ECHO_S * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    tail = rng.standard_normal(times_s.size) * 10 ** (-3 * times_s / ECHO_S)
    tail *= 10 ** (TAIL_DB / 20) / np.sqrt(np.sum(tail**2))
    tail[0] += 1.0
    heard = fftconvolve(samples, tail)[: samples.size]
    spectrum = np.fft.rfft(rng.standard_normal(samples.size))
    hz = np.fft.rfftfreq(samples.size, 1 / SAMPLE_RATE_HZ)
    noise = np.fft.irfft(spectrum / np.sqrt(np.maximum(hz, 50.0)), samples.size)
    loudest = np.abs(samples).max() / np.sqrt(2)
    return heard + noise * (loudest * 10 ** (NOISE_DB / 20) / noise.std())


def fitted_in(number: int, *, with_room: bool, bits: int = 12) -> dict[str, tuple[Interval, float]]:
    """One board fitted: name → (value and interval, truth)."""
    rng = np.random.default_rng([2026, 15, 6, number])
    board = drawn("acoustic", bits, rng)
    checker, fine = bench("acoustic", bits)
    if with_room:
        fine = fine_wave(in_room(checker.program.samples() / FULL_SCALE, rng))
    counts = counts_of(board, fine, SAMPLE_RATE_HZ, rng)
    capture = Capture("adc_counts", np.arange(counts.size) / RATE_HZ, counts, "log")
    fitted = fit_board(capture, checker.model)
    truth = truth_of(board, "acoustic", bits)
    return {name: (fitted.intervals[name], truth[name]) for name in JUDGED}


def half_width(name: str, found: Interval, truth: float) -> float:
    """Half the interval; a share of the truth where the number is a time."""
    return (found.high - found.low) / 2 / (truth if name in RELATIVE else 1.0)


def run(first: int, boards: int) -> None:
    """Print how often intervals hold in the room, and how far they grow; some stand in a quiet room, too."""
    rows: dict[tuple[bool, str], list[tuple[bool, float, float]]] = {}
    begin = time.monotonic()
    for number in range(first, first + boards):
        for with_room in (False, True)[number % 10 != 0 :]:
            for name, (found, truth) in fitted_in(number, with_room=with_room).items():
                unit = truth if name in RELATIVE else 1.0
                row = (found.holds(truth), (found.value - truth) / unit, half_width(name, found, truth))
                rows.setdefault((with_room, name), []).append(row)
        print(number + 1 - first, f"boards, {time.monotonic() - begin:.0f} s")
        for (with_room, name), some in rows.items():
            holds, error, half = np.array(some).T
            print(
                f"  {'room' if with_room else 'none'} {name:11}{int(holds.sum()):3} of {len(some)}, median "
                f"error {np.median(abs(error)):.3g}, median half interval {np.median(half):.3g}", flush=True,
            )  # fmt: skip


if __name__ == "__main__":
    run(int(sys.argv[1]), int(sys.argv[2]))

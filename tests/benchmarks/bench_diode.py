"""How fast a thousand detectors behind a passive diode follow a clip, against the same circuit one by one.

    python tests/benchmarks/bench_diode.py [--repeats 3] [--seconds 2]

Bank: read_diode_bank, from the rectified drive to the readings of 100 frames a second, of 1,000 peak
detectors. One by one: hold_passive, the scalar loop of the same step, of 20 detectors spread over the 1,000.
Its ω comes from a table, which a single detector reads faster than the vectors compute. Asked: 3.5 times.

All on one thread, by the processor time of that thread, one after the other in each repeat, so that what else
the machine does falls on both alike. Ratios are taken within a repeat: smallest, median, largest.

What bounds the bank is arithmetic on doubles. Silicon in silence is the least there is: no diode is near its
knee, and ω is a polynomial in an exponential. Noise is the most: in every step some diode of each group
conducts, and that takes two divisions and as much again. Schottky and germanium, whose knee is soft and low,
need nearly all of it even in silence.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass

import numpy as np
from bench_sweep import BLOCK, CANDIDATES, FRAMES_HZ, RATE_HZ, parts, spread

from envlab.analog.adc import instants_s, stamps_of
from envlab.analog.bank.diode_bank import diode_bank_of, read_diode_bank
from envlab.analog.detector import PeakDetector
from envlab.analog.diodes.passive import diode_step, hold_passive
from envlab.analog.rectifiers.ideal import Rectifier, rectify
from envlab.sound.recording import Recording
from envlab.study.specification.specification import demo_specification
from envlab.units import FloatArray

ALONE = 20
DIODES = ("silicon", "schottky", "germanium")


@dataclass(frozen=True, eq=False)
class Contest:
    """The same samples for both."""

    drive_v: FloatArray
    detectors: tuple[PeakDetector, ...]
    rectifier: Rectifier

    def blocks(self) -> list[tuple[int, FloatArray]]:
        return [(i, self.drive_v[i : i + BLOCK]) for i in range(0, self.drive_v.size, BLOCK)]

    def bank_ns(self) -> float:
        """Nanoseconds a sample and detector, side by side."""
        bank = diode_bank_of(self.detectors, self.rectifier, RATE_HZ)
        times_s = instants_s(self.drive_v.size / RATE_HZ, FRAMES_HZ)
        upper, fraction = stamps_of(times_s, self.drive_v.size, RATE_HZ)
        empty = np.zeros(len(self.detectors))
        began, state = time.thread_time(), bank.start(empty, empty)
        for start, block_v in self.blocks():
            due = slice(*np.searchsorted(upper, (start, start + block_v.size)))
            _, state = read_diode_bank(block_v, bank, upper[due] - start, fraction[due], state=state)
        return 1e9 * (time.thread_time() - began) / (self.drive_v.size * len(self.detectors))

    def alone_ns(self) -> float:
        """Nanoseconds a sample and detector, one by one."""
        some = self.detectors[:: len(self.detectors) // ALONE]
        steps = [diode_step(one, self.rectifier, RATE_HZ) for one in some]
        began = time.thread_time()
        for step in steps:
            state = np.zeros(2)
            for _, block_v in self.blocks():
                _, state = hold_passive(block_v, step, state)
        return 1e9 * (time.thread_time() - began) / (self.drive_v.size * len(some))


def signals(seconds: float) -> dict[str, FloatArray]:
    """Return what the demo board's preamp gives on every demo clip at its levels, V."""
    specification, found = demo_specification(), {}
    for clip in specification.clips:
        whole = clip.recording()
        first = whole.pressure_pa[: int(seconds * whole.sample_rate_hz)]
        result = specification.chain.run(Recording(first, whole.sample_rate_hz), np.random.default_rng(1))
        assert result.internal_rate_hz == RATE_HZ
        found[clip.label] = result.preamp_v
    return found


def main() -> None:
    """Print the table."""
    arguments = argparse.ArgumentParser(description="Diode bank against the same step one by one.")
    arguments.add_argument("--repeats", type=int, default=3)
    arguments.add_argument("--seconds", type=float, default=2.0, help="of each clip")
    wanted = arguments.parse_args()
    clips = signals(wanted.seconds)
    samples = int(wanted.seconds * RATE_HZ)
    clips["silence"] = np.zeros(samples)
    clips["noise, 1 V"] = np.random.default_rng(3).standard_normal(samples)
    detectors = parts((220e-9, 4.7e-6), (470, 47e3))
    print(f"{CANDIDATES} detectors, {wanted.repeats} repeats; ratios are min, median, max")
    print(f"{'':32} ns a sample and detector   one by one/bank")
    for kind in DIODES:
        rectifier = Rectifier("full", diode=kind)
        contests = {
            label: Contest(rectify(signal_v, rectifier), detectors, rectifier)
            for label, signal_v in clips.items()
        }
        warm = Contest(clips["silence"][:64], detectors, rectifier)
        warm.bank_ns()
        warm.alone_ns()
        ns = np.array(
            [[(one.bank_ns(), one.alone_ns()) for one in contests.values()] for _ in range(wanted.repeats)]
        )
        for i, label in enumerate(contests):
            bank, alone = np.median(ns[:, i], axis=0)
            ratios = spread(ns[:, i, 1] / ns[:, i, 0])
            print(f"{kind:10} {label:22}bank {bank:5.2f}   alone {alone:5.2f}   {ratios}")


if __name__ == "__main__":
    main()

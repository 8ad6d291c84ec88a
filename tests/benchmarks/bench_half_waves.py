"""How fast hold capacitors behind rectifiers with amplifiers follow a clip, one board or 256 in lanes.

    python tests/benchmarks/bench_half_waves.py [--repeats 3] [--seconds 2]

One: hold_signal, from the signal to the held voltage, in the pieces of the engine. Lanes: HoldStage, from the
signal to
the readings of 100 frames a second, of 256 detectors whose attack and release span a factor of 100. Asked:
20 ns a sample for one, 1 ns a sample and board in lanes. Bursts are seeded noise of 1 mV to 1 V; quiet ones
end at 20 mV, where the amplifiers are on their way most of the time.

All on one thread, by the processor time of that thread: smallest and median of the repeats.
"""

from __future__ import annotations

import argparse
import platform
import time
from collections.abc import Sequence
from functools import partial
from pathlib import Path

import numpy as np

from envlab.analog.detector import PeakDetector, hold_step
from envlab.analog.envelope import HoldState, hold_signal
from envlab.analog.rectifiers.absolute_value import AbsoluteValue
from envlab.analog.rectifiers.bias_superdiodes import BiasSuperdiodes
from envlab.analog.rectifiers.difference_superdiodes import DifferenceSuperdiodes
from envlab.analog.rectifiers.diodeless import Diodeless
from envlab.analog.rectifiers.pumps import Bridge, VoltageDoubler
from envlab.analog.stage import AnalogStage
from envlab.engine.front_end import PIECE
from envlab.engine.hold_stage import HoldStage
from envlab.sound.interpolate import interpolate

RATE_HZ = 384_000.0
IN_LANES = (DifferenceSuperdiodes(0.15), AbsoluteValue(0.15), Diodeless(), BiasSuperdiodes())
BOARDS = (*IN_LANES, VoltageDoubler(), Bridge())


def bursts(seconds: float, loudest_v: float) -> np.ndarray:
    """Noise of the audible band whose level walks from 1 mV to loudest_v, at the internal rate."""
    rng = np.random.default_rng(5)
    samples = round(48_000 * seconds)
    knots = np.linspace(0, samples, 40)
    level_v = 10 ** np.interp(np.arange(samples), knots, rng.uniform(-3, np.log10(loudest_v), 40))
    fine_v = interpolate(level_v * rng.standard_normal(samples), 48_000.0)
    return fine_v[: fine_v.size // 64 * 64]


def detectors() -> list[PeakDetector]:
    """256 of them, those that charge for alike shares of the time side by side, as a sweep has them."""
    some = [
        PeakDetector(attack, 1e-6, release)
        for attack in np.geomspace(470, 47e3, 16)
        for release in np.geomspace(22e3, 2.2e6, 16)
    ]

    def share(one: PeakDetector) -> float:
        step = hold_step(one, RATE_HZ)
        return (1 - step.bleed_keep) / (1 - step.charge_keep)

    return sorted(some, key=share)


def read_lanes(
    many: Sequence[PeakDetector], rectifier: AnalogStage, signal: np.ndarray, due: np.ndarray
) -> None:
    """Read all detectors behind a rectifier on a bias of half its supply, side by side."""
    stage = HoldStage(many, rectifier.as_built(1.65, 3.3), RATE_HZ, [HoldState()] * len(many))
    stage.read(signal, due, np.full(due.size, 0.5))


def processor() -> str:
    """Name of the processor, where the system tells it."""
    told = Path("/proc/cpuinfo")
    lines = told.read_text(encoding="utf-8").splitlines() if told.exists() else []
    names = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return names[0] if names else platform.processor()


def ns_each(run, count: int, repeats: int) -> tuple[float, float]:
    """Smallest and median processor time over a count, ns."""
    run()
    taken = []
    for _ in range(repeats):
        begun = time.thread_time_ns()
        run()
        taken.append((time.thread_time_ns() - begun) / count)
    return min(taken), float(np.median(taken))


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    arguments.add_argument("--repeats", type=int, default=3)
    arguments.add_argument("--seconds", type=float, default=2.0)
    asked = arguments.parse_args()
    print(f"{processor()}; ns a sample, smallest and median of {asked.repeats}")
    many = detectors()
    for name, loudest_v in (("bursts", 1.0), ("quiet bursts", 0.02)):
        signal = bursts(asked.seconds, loudest_v)
        due = np.arange(3840, signal.size, 3840)
        for rectifier in BOARDS:
            built = rectifier.as_built(1.65, 3.3)

            def one(signal=signal, built=built):
                state = HoldState()
                for first in range(0, signal.size, PIECE):
                    some = signal[first : first + PIECE]
                    _, state = hold_signal(some, built, many[100], sample_rate_hz=RATE_HZ, state=state)

            lanes = partial(read_lanes, many, rectifier, signal, due)
            alone = ns_each(one, signal.size, asked.repeats)
            line = f"{name:13} {rectifier.topology:23} one {alone[0]:5.1f} {alone[1]:5.1f}"
            if rectifier in IN_LANES:
                beside = ns_each(lanes, signal.size * len(many), asked.repeats)
                line += f"   lanes {beside[0]:5.2f} {beside[1]:5.2f}"
            print(line)


if __name__ == "__main__":
    main()

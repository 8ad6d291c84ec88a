"""How fast the chain of one candidate follows a clip, against the plainest recurrence there is.

    python tests/benchmarks/bench_chain.py [--repeats 15]

Per internal sample at 384 kHz (a 48 kHz clip, 8-fold), after the interpolation that all candidates share: the
microphone, the preamp, rectifier and detector of each kind, and the whole precision and diode chains, each
over the blocks in which the chain runs. Beside each stands its ratio to y ← a·y + b·x over the same samples,
its share of real time, and what is asked: 0.2 % of real time (5.2 ns a sample) for the precision chain, 1 %
(26 ns) with a passive diode.
Processor time of one thread; the smallest of the repeats, which come round in turn.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np

from envlab.analog.band_filter import SecondLowPass, filter_band
from envlab.analog.bank.diode_bank import diode_bank_of, read_diode_bank
from envlab.analog.detector import PeakDetector
from envlab.analog.envelope import hold_signal
from envlab.analog.kernels.stage_kernels import compiled
from envlab.analog.microphone import Microphone, hear
from envlab.analog.preamps.board_preamp import BoardPreamp, amplify_board
from envlab.analog.preamps.preamp import Preamp, amplify
from envlab.analog.rectifiers.ideal import Rectifier, rectify
from envlab.engine.front_end import NO_NOISE
from envlab.engine.front_end import PIECE as BLOCK
from envlab.engine.one_pass import HearToHold
from envlab.units import FloatArray

RATE_HZ = 384_000.0
TURNS = 16
MOST_PRECISION, MOST_DIODE = 0.002, 0.01


@compiled
def multiply_add(x: FloatArray, keep: float, gain: float) -> FloatArray:
    """y ← keep·y + gain·x, every sample kept, as the stages do."""
    out = np.empty_like(x)
    y = 0.0
    for n in range(x.size):
        y = keep * y + gain * x[n]
        out[n] = y
    return out


def jobs() -> dict[str, tuple[Callable[[], object], int, float | None]]:
    """Name → (what runs, detectors in it, share of real time that is asked)."""
    n = np.arange(BLOCK)
    rng = np.random.default_rng(1)
    beat = np.exp(-(n / RATE_HZ) / 0.1)
    pressure = 2 * beat * np.sin(2 * np.pi * 200 * n / RATE_HZ) + 0.02 * rng.standard_normal(n.size)
    microphone, preamp = Microphone(), Preamp(22e3, 1e3)
    heard, _ = hear(pressure, microphone, sample_rate_hz=RATE_HZ)
    signal = amplify(heard, preamp, sample_rate_hz=RATE_HZ).preamp_v
    detector = PeakDetector(4.7e3, 1e-6, 470e3)
    precision, diode = Rectifier("full"), Rectifier("full", diode="silicon")
    coupled = Rectifier("half", diode="silicon", reference="coupled", coupling_farad=1e-6, return_ohm=10e3)
    board = BoardPreamp(22e3, 1e3, second_feedback_ohm=10e3)
    low = SecondLowPass(10e3, 10e3, 22e-9, 10e-9)
    bank = diode_bank_of(tuple(PeakDetector(1e3 * k, 1e-6, 470e3) for k in range(1, 33)), diode, RATE_HZ)
    drive, rest = rectify(signal, diode), bank.start(np.zeros(32), np.zeros(32))
    due, between = np.arange(0, n.size, 3840), np.full(-(-n.size // 3840), 0.5)

    def diodes() -> object:
        return read_diode_bank(drive, bank, due, between, state=rest)

    one_pass = HearToHold(microphone, preamp, precision, detector, RATE_HZ)

    def chain(rectifier: Rectifier) -> object:
        volts, _ = hear(pressure, microphone, sample_rate_hz=RATE_HZ)
        out = amplify(volts, preamp, sample_rate_hz=RATE_HZ).preamp_v
        return hold_signal(out, rectifier, detector, sample_rate_hz=RATE_HZ)

    def hold(rectifier: Rectifier) -> Callable[[], object]:
        return lambda: hold_signal(signal, rectifier, detector, sample_rate_hz=RATE_HZ)

    return {
        "multiply-add": (lambda: multiply_add(signal, 0.999, 0.001), 1, None),
        "microphone": (lambda: hear(pressure, microphone, sample_rate_hz=RATE_HZ), 1, None),
        "preamp": (lambda: amplify(heard, preamp, sample_rate_hz=RATE_HZ), 1, None),
        "board preamp, two stages": (lambda: amplify_board(heard, board, sample_rate_hz=RATE_HZ), 1, None),
        "band filter": (lambda: filter_band(signal, low, sample_rate_hz=RATE_HZ), 1, None),
        "rectifier and detector": (hold(precision), 1, MOST_PRECISION),
        "diode and detector": (hold(diode), 1, MOST_DIODE),
        "diode, coupled": (hold(coupled), 1, MOST_DIODE),
        "diodes, 32 at once": (diodes, 32, MOST_DIODE),
        "precision, stage by stage": (lambda: chain(precision), 1, None),
        "precision chain": (lambda: one_pass.advance(pressure, NO_NOISE), 1, MOST_PRECISION),
        "diode chain": (lambda: chain(diode), 1, MOST_DIODE),
    }


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeats", type=int, default=15)
    asked = parser.parse_args()
    todo = jobs()
    best = dict.fromkeys(todo, np.inf)
    for _ in range(asked.repeats + 1):  # the first compiles
        for name, (run, detectors, _share) in todo.items():
            start = time.thread_time()
            for _again in range(TURNS):
                run()
            best[name] = min(best[name], (time.thread_time() - start) / (TURNS * BLOCK * detectors))
    print(f"{'':<26}{'ns a sample':>12}{'ratio':>8}{'real time':>11}{'asked':>8}")
    for name, (_run, _detectors, most) in todo.items():
        seconds = best[name]
        print(
            f"{name:<26}{1e9 * seconds:>12.2f}{seconds / best['multiply-add']:>8.1f}"
            f"{seconds * RATE_HZ:>11.3%}{'' if most is None else f'{most:.1%}':>8}"
        )


if __name__ == "__main__":
    main()

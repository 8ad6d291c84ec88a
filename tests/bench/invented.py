"""Boards that the bench is tried on: drawn within their tolerances, with faults, in continuous time.

Their parts, their noise, their clocks and their answers come from tests/reference/invented_board.py. The
draws
are seeded by a board's number; the numbers were fixed before the first run.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from reference.invented_board import InventedBoard, counts_of, fine_wave, with_release_gone

from envlab import read_design
from envlab.bench.captures.capture import Capture
from envlab.bench.check import BoardChecker
from envlab.bench.fit.fit import fit_board
from envlab.bench.signals.board_wave import input_peak, response_at
from envlab.bench.signals.program import FULL_SCALE, HIGH_HZ, LOW_HZ, MAIN_HZ, SAMPLE_RATE_HZ
from envlab.shipped import demo_design
from envlab.stages import PeakDetector, Rectifier

ATTACK_OHM, HOLD_FARAD, RELEASE_OHM = 4.7e3, 1e-6, 220e3
FEEDBACK_OHM, GROUND_OHM, GROUND_FARAD = 22e3, 1e3, 10e-6
RATE_HZ = 1000.0


@lru_cache(maxsize=4)
def bench(way: str, bits: int) -> tuple[BoardChecker, np.ndarray]:
    """The parade's design with a converter of some bits, and the fine wave of its bench signal."""
    # Parts that stay, whatever the parade is built of.
    parts = PeakDetector(ATTACK_OHM, HOLD_FARAD, RELEASE_OHM)
    chain = replace(read_design(demo_design()), detector=parts, rectifier=Rectifier())
    checker = BoardChecker(replace(chain, adc=replace(chain.adc, bits=bits)), way)
    return checker, fine_wave(checker.program.samples() / FULL_SCALE)


def drawn(way: str, bits: int, rng: np.random.Generator) -> InventedBoard:
    """A healthy board: resistors 5 %, of the gain 1 %, C1 10 %, C2 and C3 20 %, all uniform."""
    checker, _ = bench(way, bits)
    chain = checker.chain

    def within(share: float) -> float:
        return 1 + share * rng.uniform(-1, 1)

    ground_ohm = GROUND_OHM * within(0.01)
    level = within(0.04) if way == "wire" else 10 ** (rng.uniform(-3, 3) / 20)
    heard = {"sensitivity": input_peak(chain, way) * level}
    if way == "acoustic":
        microphone = chain.microphone
        heard["sensitivity"] *= microphone.sensitivity_v_pa
        heard |= {
            "microphone_low_hz": microphone.low_corner_hz,
            "microphone_high_hz": microphone.high_corner_hz,
        }
    return InventedBoard(
        gain=1 + FEEDBACK_OHM * within(0.01) / ground_ohm,
        attack_ohm=ATTACK_OHM * within(0.05),
        hold_farad=HOLD_FARAD * within(0.2),
        release_ohm=RELEASE_OHM * within(0.05),
        coupling_hz=chain.preamp.coupling_corner_hz / within(0.1),
        leg_hz=1 / (2 * np.pi * ground_ohm * GROUND_FARAD * within(0.2)),
        gain_bandwidth_hz=chain.preamp.gain_bandwidth_hz,
        offset_v=rng.uniform(-2.5e-3, 2.5e-3),
        dead_v=rng.uniform(0.0, 0.01),
        bits=bits,
        offset_lsb=0.5 + 0.5 * 6e-3 / 3.3 * 2**bits * rng.uniform(-1, 1),
        noise_lsb=rng.uniform(0.3, 1.0),
        clock=rng.uniform(-0.02, 0.02),
        delay_s=rng.uniform(0.05, 2.0),
        **heard,
    )


def capture_of(board: InventedBoard, way: str, bits: int, rng: np.random.Generator) -> Capture:
    """What the board's converter logs while the bench signal plays, on its own clock."""
    _, fine = bench(way, bits)
    counts = counts_of(board, fine, SAMPLE_RATE_HZ, rng)
    return Capture("adc_counts", np.arange(counts.size) / RATE_HZ, counts, "log")


def truth_of(board: InventedBoard, way: str, bits: int) -> dict[str, float]:
    """What a fit should find."""
    checker, _ = bench(way, bits)
    chain = checker.chain
    designed = input_peak(chain, way)

    def ratio(hz: float) -> float:
        return board.gain_at(hz) / (response_at(chain, way, hz) * designed)

    truth = {
        "gain": ratio(MAIN_HZ),
        "high_gain": ratio(HIGH_HZ),
        "attack_s": board.attack_ohm * board.hold_farad,
        "release_s": board.release_ohm * board.hold_farad,
        "offset_lsb": board.offset_lsb,
        "drop_v": board.dead_v,
        "noise_lsb": board.noise_lsb,
        "delay_s": board.delay_s,
        "clock": board.clock,
    }
    return truth | ({"low_gain": ratio(LOW_HZ[way])} if way == "acoustic" else {})


RELATIVE = ("gain", "low_gain", "high_gain", "attack_s", "release_s")


def covered(way: str, bits: int, number: int) -> dict[str, tuple[bool, float, float]]:
    """One board fitted: name → (interval holds the truth, error, half the interval), shares "
    "where relative."""
    rng = np.random.default_rng([2026, 15, bits, len(way), number])
    board = replace(drawn(way, bits, rng), dead_v=rng.uniform(0.005, 0.03), offset_lsb=rng.uniform(1.0, 8.0))
    checker, _ = bench(way, bits)
    fitted = fit_board(capture_of(board, way, bits, rng), checker.model)
    rows = {}
    for name, true in truth_of(board, way, bits).items():
        found = fitted.intervals[name]
        unit = true if name in RELATIVE else 1.0
        rows[name] = (found.holds(true), (found.value - true) / unit, (found.high - found.low) / 2 / unit)
    return rows


def _scaled(board: InventedBoard, **times: float) -> InventedBoard:
    return replace(board, **{name: getattr(board, name) * factor for name, factor in times.items()})


def _neighbour(board: InventedBoard, rng: np.random.Generator) -> InventedBoard:
    name = str(rng.choice(["attack_ohm", "release_ohm"]))
    return _scaled(board, **{name: float(rng.choice([1.5, 1 / 1.5]))})


def _clipped(board: InventedBoard, rng: np.random.Generator) -> InventedBoard:
    swing_v = rng.uniform(0.2, 0.6)
    return replace(board, swing_up_v=swing_v, swing_down_v=swing_v)


# Fault → (what it does to a healthy board, how the class begins that is right).
FAULTS = {
    "healthy": (lambda b, _: b, "within its tolerances"),
    "attack ten times": (lambda b, _: _scaled(b, attack_ohm=10), "attack ten times too slow"),
    "attack a tenth": (lambda b, _: _scaled(b, attack_ohm=0.1), "attack ten times too quick"),
    "release ten times": (lambda b, _: _scaled(b, release_ohm=10), "release ten times too slow"),
    "release a tenth": (lambda b, _: _scaled(b, release_ohm=0.1), "released too quickly"),
    "neighbouring value": (_neighbour, "one value a step off"),
    "swapped": (
        lambda b, _: replace(b, attack_ohm=b.release_ohm, release_ohm=b.attack_ohm),
        "attack and release swapped",
    ),
    "release missing": (lambda b, _: with_release_gone(b), "release missing"),
    "capacitor leaky": (
        lambda b, r: replace(
            b, release_ohm=1 / (1 / b.release_ohm + 1 / (RELEASE_OHM * r.uniform(0.05, 0.4)))
        ),
        "released too quickly",
    ),
    "capacitor dried out": (
        lambda b, r: _scaled(b, hold_farad=r.uniform(0.05, 0.4)),
        "capacitor dried out",
    ),
    "half wave missing": (lambda b, _: replace(b, mode=1), "half wave missing"),
    "diode reversed": (
        lambda b, r: replace(b, mode=2, offset_lsb=b.offset_lsb + r.uniform(5, 15)),
        "diode reversed",
    ),
    "diode reversed, rest at 0": (lambda b, _: replace(b, mode=2, offset_lsb=0.0), "nothing arrives"),
    "offset": (
        lambda b, r: replace(b, offset_lsb=b.offset_lsb + 2**b.bits * r.uniform(0.02, 0.1)),
        "offset",
    ),
    "clipped early": (_clipped, "clipped early"),
    "dead zone": (lambda b, r: replace(b, dead_v=r.uniform(0.06, 0.6)), "dead zone"),
    "no coupling": (lambda b, r: _scaled(b, sensitivity=r.uniform(0, 0.003)), "nothing arrives"),
    "converter saturated": (lambda b, r: replace(b, reference_v=r.uniform(0.3, 0.7)), "converter saturated"),
    "microphone too weak": (
        lambda b, r: _scaled(b, sensitivity=10 ** (-r.uniform(8, 20) / 20)),
        "gain low",
    ),
}


def verdict_on(fault: str, way: str, bits: int, number: int) -> str:
    """The class that one faulty board is put into."""
    place = list(FAULTS).index(fault)
    rng = np.random.default_rng([2026, 15, 4, place, number])
    board = FAULTS[fault][0](drawn(way, bits, rng), rng)
    checker, _ = bench(way, bits)
    return checker.check(capture_of(board, way, bits, rng)).ranking.verdict


def run_coverage(boards: int) -> None:
    """Print how often each interval holds the truth; boards: of each of the four kinds."""
    found: dict[str, list[tuple[bool, float, float]]] = {}
    begin = time.monotonic()
    for way, bits in (("wire", 10), ("acoustic", 12), ("acoustic", 10), ("wire", 12)):
        for number in range(boards):
            for name, row in covered(way, bits, number).items():
                found.setdefault(name, []).append(row)
        print(way, bits, f"{time.monotonic() - begin:.0f} s")
        for name, rows in found.items():
            holds, error, half = np.array(rows).T
            print(
                f"  {name:12} {int(holds.sum())} of {len(rows)}, median error {np.median(abs(error)):.3g}, "
                f"median half interval {np.median(half):.3g}", flush=True,
            )  # fmt: skip


def run_faults(boards: int, way: str = "wire", bits: int = 10) -> None:
    """Print the confusion table."""
    for fault, (_, right) in FAULTS.items():
        got: dict[str, int] = {}
        for number in range(boards):
            try:
                verdict = verdict_on(fault, way, bits, number)
            except Exception as problem:
                verdict = f"refused: {problem}"[:70]
            got[verdict] = got.get(verdict, 0) + 1
        good = sum(count for verdict, count in got.items() if verdict.startswith(right))
        print(f"{fault}: {good} of {boards}; {got}", flush=True)


if __name__ == "__main__":
    {"coverage": run_coverage, "faults": run_faults}[sys.argv[1]](int(sys.argv[2]))

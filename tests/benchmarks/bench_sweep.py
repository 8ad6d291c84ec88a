"""How fast a thousand detectors follow a clip, against the plainest loop there is.

    python tests/benchmarks/bench_sweep.py [--repeats 5] [--seconds 12]

Bank: read_bank, from the rectified drive to the readings of 100 frames a second, of 1,000 peak detectors.
Multiply-add: y ← a·y + b·x for the same samples and as many a and b, double precision, its state in vector
registers; the loop that no detector could undercut if every step had to be taken. One-fma: y ← a·y + x, which
shows that the multiply-add loop is not slow by neglect (at most 2.2 times the time of this one).

All on one thread, by the processor time of that thread, one after the other in each repeat, so that what else
the machine does falls on all of them alike. Ratios are taken within a repeat: smallest, median, largest.
"""

from __future__ import annotations

import argparse
import itertools
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from envlab.analog.adc import instants_s, stamps_of
from envlab.analog.bank import DetectorBank, bank_of, read_bank
from envlab.analog.detector import PeakDetector, hold_step
from envlab.analog.kernels import compiled
from envlab.analog.microphone import hear
from envlab.analog.noise import noise_streams
from envlab.analog.parts import series_values
from envlab.analog.preamp import amplify
from envlab.analog.rectifier import rectify
from envlab.analog.vector_kernels import LANES, everywhere, load, store
from envlab.sound.interpolate import internal_rate_hz, interpolated_blocks
from envlab.study.brief import demo_brief
from envlab.units import FloatArray

BLOCK = 65_536
CANDIDATES = 1000
FRAMES_HZ = 100.0
RATE_HZ = 384_000.0


@compiled
def multiply_add(drive: FloatArray, keep: FloatArray, gain: FloatArray, state: FloatArray) -> None:
    """Run y ← keep·y + gain·x over a block, LANES lanes at a time."""
    for first in range(0, keep.size, LANES):
        a, b, y = load(keep, first), load(gain, first), load(state, first)
        for n in range(drive.size):
            y = a * y + b * everywhere(drive[n])
        store(state, first, y)


@compiled
def one_fma(drive: FloatArray, keep: FloatArray, state: FloatArray) -> None:
    """Run y ← keep·y + x over a block, LANES lanes at a time."""
    for first in range(0, keep.size, LANES):
        a, y = load(keep, first), load(state, first)
        for n in range(drive.size):
            y = a * y + everywhere(drive[n])
        store(state, first, y)


def over_candidates(drive_v: FloatArray, keep: FloatArray, gain: FloatArray, bleed: FloatArray) -> None:
    """Run a peak detector the way that needs no compiler: all candidates in an array, time in Python."""
    v = np.zeros(keep.size)
    for u in drive_v:
        v = np.maximum(bleed * v, keep * v + gain * u)


@dataclass(frozen=True, eq=False)
class Contest:
    """The same samples and candidates for every contestant."""

    drive_v: FloatArray
    detectors: tuple[PeakDetector, ...]

    def bank(self) -> DetectorBank:
        return bank_of(self.detectors, RATE_HZ)

    def steps(self) -> FloatArray:
        """charge_keep, charge_gain and bleed_keep, shape (3, candidates), filled up to whole vectors."""
        steps = np.array([hold_step(detector, RATE_HZ) for detector in self.detectors])
        spare = -len(self.detectors) % LANES
        return np.ascontiguousarray(np.concatenate((steps, np.repeat(steps[-1:], spare, axis=0))).T)

    def blocks(self) -> list[tuple[int, FloatArray]]:
        return [(i, self.drive_v[i : i + BLOCK]) for i in range(0, self.drive_v.size, BLOCK)]


def bank_s(contest: Contest) -> float:
    """Return the seconds that the bank takes."""
    bank = contest.bank()
    times_s = instants_s(contest.drive_v.size / RATE_HZ, FRAMES_HZ)
    upper, fraction = stamps_of(times_s, contest.drive_v.size, RATE_HZ)
    began, state = time.thread_time(), bank.start()
    for start, block_v in contest.blocks():
        due = slice(*np.searchsorted(upper, (start, start + block_v.size)))
        _, state = read_bank(block_v, bank, upper[due] - start, fraction[due], state=state)
    return time.thread_time() - began


def multiply_add_s(contest: Contest) -> float:
    """Return the seconds that the multiply-add takes."""
    keep, gain, _ = contest.steps()
    began, state = time.thread_time(), np.zeros(keep.size)
    for _, block_v in contest.blocks():
        multiply_add(block_v, keep, gain, state)
    return time.thread_time() - began


def one_fma_s(contest: Contest) -> float:
    """Return the seconds that the one-fma form takes."""
    keep, _, _ = contest.steps()
    began, state = time.thread_time(), np.zeros(keep.size)
    for _, block_v in contest.blocks():
        one_fma(block_v, keep, state)
    return time.thread_time() - began


def python_loop_s(contest: Contest, samples: int = 4000) -> float:
    """Return the seconds that numpy over candidates would take, from its first samples."""
    keep, gain, bleed = contest.steps()[:, : len(contest.detectors)]
    began = time.thread_time()
    over_candidates(contest.drive_v[:samples], keep, gain, bleed)
    return (time.thread_time() - began) * contest.drive_v.size / samples


def parts(hold_farad: tuple[float, float], attack_ohm: tuple[float, float]) -> tuple[PeakDetector, ...]:
    """Return 1,000 detectors of parts one can buy, drawn from all that the ranges give."""
    values = (
        series_values("E3", *hold_farad),
        series_values("E12", *attack_ohm),
        series_values("E6", 33e3, 1.5e6),
    )
    every = list(itertools.product(*values))
    drawn = np.random.default_rng(7).choice(len(every), CANDIDATES, replace=False)
    return tuple(PeakDetector(every[i][1], every[i][0], every[i][2]) for i in np.sort(drawn))


def drives(seconds: float) -> tuple[dict[str, FloatArray], float]:
    """Return the rectified drive of every demo clip at its levels, and the seconds a sample that it took."""
    brief = demo_brief()
    chain, found, spent_s, samples = brief.chain, {}, 0.0, 0
    for clip in brief.clips:
        recording = clip.recording()
        assert internal_rate_hz(recording.sample_rate_hz) == RATE_HZ
        pressure_pa = recording.pressure_pa[: int(seconds * recording.sample_rate_hz)]
        noise_pa = chain.noise_pa(
            pressure_pa.size, recording.sample_rate_hz, noise_streams(np.random.default_rng(1))
        )
        pieces, heard, amplified = [], None, None
        began = time.thread_time()
        for _, fine_pa in interpolated_blocks(pressure_pa + noise_pa, recording.sample_rate_hz, BLOCK):
            microphone_v, heard = hear(fine_pa, chain.microphone, sample_rate_hz=RATE_HZ, state=heard)
            step = amplify(microphone_v, chain.preamp, sample_rate_hz=RATE_HZ, state=amplified)
            amplified = step.end
            pieces.append(rectify(step.preamp_v, chain.rectifier))
        spent_s += time.thread_time() - began
        found[clip.label] = np.concatenate(pieces)
        samples += found[clip.label].size
    return found, spent_s / samples


def contests(seconds: float) -> tuple[dict[str, Contest], int, float]:
    """Return all contests, how many of them (the first) are clips, and the front's seconds a sample."""
    usual = parts((220e-9, 4.7e-6), (470, 47e3))
    shortest = parts((100e-12, 1e-9), (100, 10e3))
    clips, front_s = drives(seconds)
    noise_v = np.abs(np.random.default_rng(3).standard_normal(int(seconds * RATE_HZ)))
    loud = next(iter(clips))
    found = {label: Contest(drive_v, usual) for label, drive_v in clips.items()}
    found["white noise"] = Contest(noise_v, usual)
    found["white noise, shortest constants"] = Contest(noise_v, shortest)
    found[f"{loud}, shortest constants"] = Contest(clips[loud], shortest)
    return found, len(clips), front_s


CONTESTANTS: tuple[Callable[[Contest], float], ...] = (bank_s, multiply_add_s, one_fma_s)


def spread(ratios: FloatArray) -> str:
    return f"{ratios.min():5.2f} {np.median(ratios):5.2f} {ratios.max():5.2f}"


def main() -> None:
    """Print the table."""
    arguments = argparse.ArgumentParser(description="Detector bank against a plain multiply-add.")
    arguments.add_argument("--repeats", type=int, default=5)
    arguments.add_argument("--seconds", type=float, default=12.0, help="of each clip")
    wanted = arguments.parse_args()
    all_contests, clips, front_s = contests(wanted.seconds)
    first = next(iter(all_contests.values()))
    for contestant in CONTESTANTS:
        contestant(Contest(first.drive_v[:BLOCK], first.detectors))
    times_s = np.array(
        [
            [[contestant(one) for contestant in CONTESTANTS] for one in all_contests.values()]
            for _ in range(wanted.repeats)
        ]
    )
    print(f"{CANDIDATES} candidates, {wanted.repeats} repeats; ratios are min, median, max")
    print(f"{'':36} ns per sample and candidate   multiply-add/bank   multiply-add/one-fma")
    print(f"{'':36}    bank   mul-add   one-fma")
    samples = np.array([one.drive_v.size for one in all_contests.values()]) * CANDIDATES
    ns = 1e9 * np.median(times_s, axis=0) / samples[:, np.newaxis]
    gain, neglect = times_s[..., 1] / times_s[..., 0], times_s[..., 1] / times_s[..., 2]
    for i, label in enumerate(all_contests):
        numbers = "  ".join(f"{number:8.4f}" for number in ns[i])
        print(f"{label:36}{numbers}   {spread(gain[:, i])}   {spread(neglect[:, i])}")
    mean = np.exp(np.log(gain[:, :clips]).mean(axis=1))
    print(f"{'geometric mean of the clips':36}{'':31}{spread(mean)}")
    slow = python_loop_s(first) / bank_s(first)
    print(f"numpy over candidates, time in Python: {slow:.0f} times the bank's time")
    print(
        f"interpolation, microphone, preamp, rectifier: {1e9 * front_s:.1f} ns a sample, for all candidates"
    )


if __name__ == "__main__":
    main()

"""How fast a thousand detectors follow a clip, against the plainest loop there is, and what metrics cost.

    python tests/benchmarks/bench_sweep.py [--repeats 5] [--seconds 12] [--song 180]

The board is the parade's with an ideal rectifier; bench_half_waves.py and bench_tolerance.py have real ones.

Bank: read_bank, from the rectified drive to the readings of 100 frames a second, of 1,000 peak detectors.
Multiply-add: y ← a·y + b·x for the same samples and as many a and b, double precision, its state in vector
registers; the loop that no detector could undercut if every step had to be taken. One-fma: y ← a·y + x, which
shows that the multiply-add loop is not slow by neglect (at most 2.2 times the time of this one).

Bank and metrics: the same, then counts, and every metric of a clip (metrics/streaming_metrics.py) from the
readings.

All on one thread, by the processor time of that thread, one after the other in each repeat, so that what else
the machine does falls on all of them alike. Ratios are taken within a repeat: smallest, median, largest.

Then a song of --song seconds (the mixed minute, over and over), as a sweep runs it, on two threads: from the
file's samples to the frames' counts (envelopes only), to every metric of the clip, and the whole sweep, which
adds metrics on test signals (tone, onset, ripple_aliasing, noise) and the tables. Wall and processor time; on
a machine that does other things too only the latter means something, and it is longer than on a quiet one.
Last, 10,000 detectors at 48 kHz, the file's samples as they are. See bench_streamed.py for hours of music.

Above all the processor, and below the table what a step of bank and multiply-add asks of it at least, counted
in their assembly (loop_floor.py).

What bounds it (two threads of a server processor with 512-bit vectors, others at work on it). Of a thousand
candidates behind one front 20 to 30 ns a sample are the bank, 3 to 5 the metrics, and 15 what all candidates
share: interpolation 4 (half of it spectra), noise 2.5, microphone 4, preamp and rectifier 4.5. The filters of
the latter wait for their own last step, not for arithmetic. So microphone, preamp
and rectifier run in one loop where nothing stands between them (engine/one_pass.py). Next: the tiles in which
few lanes of a group charge, and all are stepped.

A whole sweep of three minutes takes 3.8 s of processor time: 2.7 the clip, and 1.1 beside it, a millisecond
a candidate: ripple aliasing 0.5 (half of it settled cycles; two threads wait for each other's Python), the
song's loudness 0.24 (it is read twice, and on one thread), table and tones 0.15, onset and silence 0.25. Half
a second of it all is on one thread alone. Next there: the song's loudness beside the bench's metrics, and
ripple aliasing as one compiled call a detector.
"""

from __future__ import annotations

import argparse
import itertools
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import loop_floor
import numpy as np
import soundfile
from bench_half_waves import processor

from envlab.analog.adc import instants_s, stamps_of
from envlab.analog.bank.detector_bank import BLOCK_MULTIPLE, DetectorBank, bank_of, read_bank
from envlab.analog.detector import PeakDetector, hold_step
from envlab.analog.kernels import lane_kernels
from envlab.analog.kernels.stage_kernels import compiled
from envlab.analog.kernels.vector_kernels import LANES, everywhere, load, store, two_groups_fit
from envlab.analog.microphone import hear, self_noise_pa
from envlab.analog.noise import noise_streams
from envlab.analog.parts import PartRange, series_values
from envlab.analog.preamps.preamp import amplify, input_noise_v
from envlab.analog.rectifiers.ideal import Rectifier, rectify
from envlab.chain import Chain
from envlab.engine.quantiser import Quantiser
from envlab.engine.waves import WhiteNoise
from envlab.light.table import LookupTable
from envlab.metrics.metrics_of_clip import clip_columns, frame_envelopes
from envlab.metrics.streaming_metrics import StreamingMetrics
from envlab.sound.clip import Clip
from envlab.sound.interpolate import internal_rate_hz, interpolated_blocks
from envlab.sound.stream import open_sound
from envlab.study.specification.ranges import Choices
from envlab.study.specification.specification import Specification, demo_specification
from envlab.study.sweep.sweep import sweep
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
class Judged:
    """The candidates as boards, and their brightness tables."""

    chains: list[Chain]
    tables: list[LookupTable]


@dataclass(frozen=True, eq=False)
class Contest:
    """The same samples and candidates for every contestant."""

    drive_v: FloatArray
    detectors: tuple[PeakDetector, ...]
    judged: Judged

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


def metrics_s(contest: Contest) -> float:
    """Return the seconds that bank and metrics take."""
    bank, chains, tables = contest.bank(), contest.judged.chains, contest.judged.tables
    quantiser = Quantiser(chains, chains)
    times_s = instants_s(contest.drive_v.size / RATE_HZ, FRAMES_HZ)
    upper, fraction = stamps_of(times_s, contest.drive_v.size, RATE_HZ)
    began, state = time.thread_time(), bank.start()
    metrics = StreamingMetrics(chains, tables, times_s.size)
    for start, block_v in contest.blocks():
        due = slice(*np.searchsorted(upper, (start, start + block_v.size)))
        read_v, state = read_bank(block_v, bank, upper[due] - start, fraction[due], state=state)
        noise_lsb = np.zeros(read_v.shape[0])
        metrics.take(quantiser.counts(read_v.T, noise_lsb))
    metrics.columns()
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


def ideal_parade() -> Specification:
    """Return the parade with an ideal rectifier, whose drive its detectors' bank reads."""
    parade = demo_specification()
    return replace(parade, chain=replace(parade.chain, rectifier=Rectifier()))


def boards(specification: Specification, detectors: tuple[PeakDetector, ...]) -> Judged:
    """Return the specification's board with each of the detectors."""
    chains = [replace(specification.chain, detector=detector) for detector in detectors]
    return Judged(chains, [chain.brightness_table() for chain in chains])


def drives(specification: Specification, seconds: float) -> tuple[dict[str, FloatArray], float]:
    """Return the rectified drive of every demo clip at its levels, and the seconds a sample that it took."""
    chain, found, spent_s, samples = specification.chain, {}, 0.0, 0
    for clip in specification.clips:
        recording = clip.recording()
        assert internal_rate_hz(recording.sample_rate_hz) == RATE_HZ
        pressure_pa = recording.pressure_pa[: int(seconds * recording.sample_rate_hz)]
        noise = noise_streams(np.random.default_rng(1))
        noise_pa = self_noise_pa(
            chain.microphone, pressure_pa.size, recording.sample_rate_hz, noise.microphone
        )
        white = WhiteNoise(noise)
        pieces, heard, amplified = [], None, None
        began = time.thread_time()
        for _, fine_pa in interpolated_blocks(pressure_pa + noise_pa, recording.sample_rate_hz, BLOCK):
            microphone_v, heard = hear(fine_pa, chain.microphone, sample_rate_hz=RATE_HZ, state=heard)
            microphone_v += input_noise_v(chain.preamp, white.next(microphone_v.size), RATE_HZ)
            step = amplify(microphone_v, chain.preamp, sample_rate_hz=RATE_HZ, state=amplified)
            amplified = step.end
            pieces.append(rectify(step.preamp_v, chain.rectifier))
        spent_s += time.thread_time() - began
        found[clip.label] = np.concatenate(pieces)
        samples += found[clip.label].size
    return found, spent_s / samples


def contests(specification: Specification, seconds: float) -> tuple[dict[str, Contest], int, float]:
    """Return all contests, how many of them (the first) are clips, and the front's seconds a sample."""
    usual = parts((220e-9, 4.7e-6), (470, 47e3))
    shortest = parts((100e-12, 1e-9), (100, 10e3))
    of_usual, of_shortest = boards(specification, usual), boards(specification, shortest)
    clips, front_s = drives(specification, seconds)
    noise_v = np.abs(np.random.default_rng(3).standard_normal(int(seconds * RATE_HZ)))
    loud = next(iter(clips))
    found = {label: Contest(drive_v, usual, of_usual) for label, drive_v in clips.items()}
    found["white noise"] = Contest(noise_v, usual, of_usual)
    found["white noise, shortest constants"] = Contest(noise_v, shortest, of_shortest)
    found[f"{loud}, shortest constants"] = Contest(clips[loud], shortest, of_shortest)
    return found, len(clips), front_s


def loops() -> dict[str, loop_floor.Loop | None]:
    """Return what a step of the bank and of the multiply-add asks of this processor; both have run."""
    bank = lane_kernels.hold_groups_in_twos if two_groups_fit() else lane_kernels.hold_groups
    return {
        "the bank": loop_floor.loop_of(bank, each="max"),
        "the multiply-add": loop_floor.loop_of(multiply_add, each="fused"),
    }


CONTESTANTS: tuple[Callable[[Contest], float], ...] = (bank_s, metrics_s, multiply_add_s, one_fma_s)


def spread(ratios: FloatArray) -> str:
    return f"{ratios.min():5.2f} {np.median(ratios):5.2f} {ratios.max():5.2f}"


def song(specification: Specification, folder: Path, seconds: float) -> Clip:
    """Return a clip of so many seconds, the mixed minute over and over."""
    clip = next(clip for clip in specification.clips if clip.path.stem == "mixed_minute")
    samples, rate_hz = soundfile.read(clip.path)
    path = folder / f"song_{seconds:g}.flac"
    soundfile.write(path, np.resize(samples, round(seconds * rate_hz)), rate_hz)
    return Clip(path, clip.level_db_spl, ("beat",))


def timed(name: str, run: Callable[[], object], seconds: float) -> None:
    """Run once and print how long it took."""
    wall_s, busy_s = time.perf_counter(), time.process_time()
    run()
    wall_s, busy_s = time.perf_counter() - wall_s, time.process_time() - busy_s
    print(f"{name:52}{wall_s:8.2f} s wall {busy_s:8.2f} s processor time for {seconds:g} s of music")


def print_song(specification: Specification, judged: Judged, seconds: float) -> None:
    """Print how long a thousand candidates take on a song: envelopes, metrics, a whole sweep."""
    # Twenty attacks, two capacitors, twenty-five releases: a thousand pairs of time constants.
    ranges: dict[str, Choices] = {
        "detector.attack_ohm": PartRange("E12", 470, 18e3),
        "detector.hold_farad": (470e-9, 1e-6),
        "detector.release_ohm": PartRange("E12", 47e3, 4.7e6),
    }
    with tempfile.TemporaryDirectory() as folder:
        clip = song(specification, Path(folder), seconds)
        sound = open_sound(clip.path, clip.level_db_spl)
        chains, tables = judged.chains, judged.tables
        timed("envelopes only", lambda: frame_envelopes(sound, chains, seed=(1,)), seconds)
        timed("all metrics of the clip", lambda: clip_columns(sound, chains, tables, seed=(1,)), seconds)
        whole = "whole sweep, metrics on test signals and tables too"
        timed(
            whole,
            lambda: sweep(Specification(specification.chain, [clip], ranges), judging=specification.judging),
            seconds,
        )


def print_at_the_files_rate(drive_v: FloatArray, seconds: float) -> None:
    """Print how long ten thousand detectors take at 48 kHz, from a stretch of drive."""
    rng = np.random.default_rng(5)
    tens = 10 ** rng.uniform((2.7, -6.7, 4.5), (4.7, -5.3, 6.2), (10 * CANDIDATES, 3))
    bank = bank_of(tuple(PeakDetector(*row) for row in tens), RATE_HZ / 8)
    coarse_v = np.ascontiguousarray(drive_v[::8])
    times_s = instants_s(drive_v.size / RATE_HZ, FRAMES_HZ)
    upper, fraction = stamps_of(times_s, coarse_v.size, RATE_HZ / 8)
    read_bank(coarse_v[:BLOCK_MULTIPLE], bank, upper[:0], fraction[:0], state=bank.start())
    began = time.thread_time()
    read_bank(coarse_v, bank, upper, fraction, state=bank.start())
    busy_s = (time.thread_time() - began) * seconds * RATE_HZ / drive_v.size
    print(f"{10 * CANDIDATES} detectors at 48 kHz, {seconds:g} s of music: {busy_s:.2f} s of one thread")


def main() -> None:
    """Print the table."""
    arguments = argparse.ArgumentParser(description="Detector bank against a plain multiply-add.")
    arguments.add_argument("--repeats", type=int, default=5)
    arguments.add_argument("--seconds", type=float, default=12.0, help="of each clip")
    arguments.add_argument("--song", type=float, default=180.0, help="seconds of the song")
    asked = arguments.parse_args()
    specification = ideal_parade()
    all_contests, clips, front_s = contests(specification, asked.seconds)
    first = next(iter(all_contests.values()))
    for contestant in CONTESTANTS:
        contestant(Contest(first.drive_v[:BLOCK], first.detectors, first.judged))
    times_s = np.array(
        [
            [[contestant(one) for contestant in CONTESTANTS] for one in all_contests.values()]
            for _ in range(asked.repeats)
        ]
    )
    print(processor())
    print(f"{CANDIDATES} candidates, {asked.repeats} repeats; ratios are min, median, max")
    print(f"{'':36} ns per sample and candidate")
    print(
        f"{'':36}    bank   metrics   mul-add   one-fma   multiply-add/bank   multiply-add/one-fma"
        "   (bank+metrics)/bank"
    )
    samples = np.array([one.drive_v.size for one in all_contests.values()]) * CANDIDATES
    ns = 1e9 * np.median(times_s, axis=0) / samples[:, np.newaxis]
    bank_all_s, metrics_all_s, plain_s, fused_s = np.moveaxis(times_s, -1, 0)
    gain, neglect, cost = plain_s / bank_all_s, plain_s / fused_s, metrics_all_s / bank_all_s
    for i, label in enumerate(all_contests):
        numbers = "  ".join(f"{number:8.4f}" for number in ns[i])
        print(f"{label:36}{numbers}   {spread(gain[:, i])}   {spread(neglect[:, i])}   {spread(cost[:, i])}")
    means = [np.exp(np.log(ratio[:, :clips]).mean(axis=1)) for ratio in (gain, cost)]
    print(f"{'geometric mean of the clips':36}{'':41}{spread(means[0])}{'':23}{spread(means[1])}")
    slow = python_loop_s(first) / bank_s(first)
    print(f"numpy over candidates, time in Python: {slow:.0f} times the bank's time")
    print(
        f"interpolation, microphone, preamp, rectifier: {1e9 * front_s:.1f} ns a sample, for all candidates"
    )
    for name, loop in loops().items():
        print(f"a step of {name}: {loop or 'not counted on this kind of processor'}")
    print_song(specification, first.judged, asked.song)
    print_at_the_files_rate(first.drive_v, asked.song)


if __name__ == "__main__":
    main()

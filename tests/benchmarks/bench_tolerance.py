"""How long a thousand boards of one design take on all clips of the parade, and how far from the exact way.

    python tests/benchmarks/bench_tolerance.py [--boards 1000] [--exact 20]

Side by side: every board on every clip with every metric, as envlab tolerance does it; wall and processor
time of all threads. Exactly: some of the same boards one by one, on one clip; how many times as long a board
takes, by how many counts their readings differ, and by how much L*. Then the same for boards with real
rectifiers, in ns of processor time a sample and board, wave and front end included. Last, what envlab design
asks of boards, causes and worst cases too, over a sweep of as many candidates on the same clips.
"""

from __future__ import annotations

import argparse
import platform
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from envlab.analog.rectifiers.absolute_value import AbsoluteValue
from envlab.analog.rectifiers.bias_superdiodes import BiasSuperdiodes
from envlab.analog.rectifiers.difference_superdiodes import DifferenceSuperdiodes
from envlab.analog.rectifiers.diodeless import Diodeless
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.light.lightness import lightness_cie1976
from envlab.sound.interpolate import internal_rate_hz
from envlab.sound.stream import Sound
from envlab.study.specification.specification import Specification, demo_specification
from envlab.study.sweep.sweep import sweep
from envlab.study.tolerance.board_metrics import BoardJudge
from envlab.study.tolerance.board_run import read_boards
from envlab.study.tolerance.drawn_boards import board_of, draw
from envlab.study.tolerance.tolerance import tolerance
from envlab.study.tolerance.tolerances import varied_parameters


def quietly(*_: object) -> None:
    """Report no progress."""


def main() -> None:
    """Run and print."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--boards", type=int, default=1000)
    asked.add_argument("--exact", type=int, default=20)
    wanted = asked.parse_args()
    specification = demo_specification()
    # What envlab design chooses for the parade; the parts of its file only say where the sweep begins.
    detector = replace(specification.chain.detector, attack_ohm=15e3, release_ohm=100e3)
    chain = replace(specification.chain, detector=detector)
    parameters = varied_parameters(chain, specification.tolerance, specification.ranges)
    boards = [board_of(chain, parameters, row) for row in draw(parameters, wanted.boards, 1)]
    recordings = [clip.recording() for clip in specification.clips]
    judge = BoardJudge(specification, chain, recordings)
    judge.metrics(boards[:2], quietly)
    wall, processor = time.perf_counter(), time.process_time()
    judge.metrics(boards, quietly)
    wall, processor = time.perf_counter() - wall, time.process_time() - processor
    length_s = sum(recording.duration_s for recording in recordings)
    print(
        f"{wanted.boards} boards, {length_s:.0f} s of clips, all metrics: {wall:.1f} s, "
        f"processor {processor:.1f} s"
    )
    some, clip = boards[: wanted.exact], recordings[2]
    index = chain.reading_of_frame(int(clip.duration_s * chain.frame_rate_hz))
    spent, read = [], []
    for one_by_one in (False, True):
        began = time.process_time()
        read.append(
            read_boards(clip, chain, some, index, seed=(1, 1, 2), one_by_one=one_by_one).envelope_counts
        )
        spent.append(time.process_time() - began)
    table = chain.brightness_table()
    seen = [lightness_cie1976(table.look_up(counts) / table.brightest_code) for counts in read]
    apart = np.abs(read[0] - read[1])
    print(
        f"{len(some)} boards one by one: {spent[1] / spent[0]:.0f} times as long; readings differ by at most "
        f"{apart.max():.0f} count, {100 * apart.mean():.3f} % of them at all; L* by at most "
        f"{np.abs(seen[0] - seen[1]).max():.2f}, mean {np.abs(seen[0] - seen[1]).mean():.5f}"
    )
    print(f"processor: {processor_name()}")
    amplifiers = (DifferenceSuperdiodes(0.15), AbsoluteValue(0.15), Diodeless(), BiasSuperdiodes())
    for rectifier in (*amplifiers, Rectifier("half", diode="silicon")):
        print(with_real_rectifier(specification, replace(chain, rectifier=rectifier), clip, wanted.exact))
    print(against_sweep(specification, chain, max(20, wanted.boards // 20 * 20)))


def against_sweep(specification: Specification, chain: Chain, count: int) -> str:
    """Return how many times as long boards take, with causes and worst cases, as so many candidates."""
    ranges = {
        "detector.attack_ohm": tuple(np.geomspace(2e3, 15e3, count // 20)),
        "detector.release_ohm": tuple(np.geomspace(100e3, 470e3, 20)),
    }
    asked, spent_s = replace(specification, chain=chain), []
    sweep(asked, ranges={"detector.release_ohm": (100e3, 150e3)})
    for run in (
        lambda: sweep(asked, ranges=ranges),
        lambda: tolerance(asked, tolerances=replace(asked.tolerance, boards=count)),
    ):
        began = time.process_time()
        run()
        spent_s.append(time.process_time() - began)
    return (
        f"{chain.rectifier.topology}: {count} candidates {spent_s[0]:.1f} s of processor, {count} boards "
        f"with causes and worst cases {spent_s[1]:.1f} s, {spent_s[1] / spent_s[0]:.2f} times as long"
    )


def with_real_rectifier(specification: Specification, chain: Chain, clip: Sound, exact: int) -> str:
    """Return how long boards of a design take in lanes, and some of them one by one."""
    parameters = varied_parameters(chain, specification.tolerance)
    boards = [board_of(chain, parameters, row) for row in draw(parameters, 256, 1)]
    index = chain.reading_of_frame(int(clip.duration_s * chain.frame_rate_hz))
    samples = clip.duration_s * internal_rate_hz(clip.sample_rate_hz)
    some, spent_ns, read = boards[:exact], [], []
    read_boards(clip, chain, some[:2], index)
    for asked, one_by_one in ((boards, False), (some, True)):
        began = time.process_time()
        read.append(read_boards(clip, chain, asked, index, seed=(1,), one_by_one=one_by_one).envelope_counts)
        spent_ns.append(1e9 * (time.process_time() - began) / (samples * len(asked)))
    apart = np.abs(read[0][: len(some)] - read[1])
    return (
        f"{chain.rectifier.topology}: {spent_ns[0]:.2f} ns a sample and board side by side "
        f"({len(boards)} boards), "
        f"{spent_ns[1] / spent_ns[0]:.1f} times as long one by one ({len(some)}); apart by at most "
        f"{apart.max():.0f} count, {100 * (apart > 0).mean():.2f} % of readings"
    )


def processor_name() -> str:
    """Return what the system calls its processor."""
    for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
        if line.startswith("model name"):
            return line.split(":")[1].strip()
    return platform.processor()


if __name__ == "__main__":
    main()

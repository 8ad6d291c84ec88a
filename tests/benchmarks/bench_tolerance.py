"""How long a thousand boards of one design take on all clips of the parade, and how far from the exact way.

    python tests/benchmarks/bench_tolerance.py [--boards 1000] [--exact 20]

Side by side: every board on every clip with every metric, as envlab tolerance does it; wall and processor
time of all threads. Exactly: some of the same boards one by one, on one clip; how many times as long a board
takes, by how many counts their readings differ, and by how much L*.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import numpy as np

from envlab.light.lightness import lightness_cie1976
from envlab.study.specification.specification import demo_specification
from envlab.study.tolerance.board_metrics import BoardJudge
from envlab.study.tolerance.board_run import read_boards
from envlab.study.tolerance.tolerances import board_of, draw, varied_parameters


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


if __name__ == "__main__":
    main()

"""A record of how fast things are, to be held beside that of another day, version or machine.

    python tests/benchmarks/suite.py run OUT.json [--short]
    python tests/benchmarks/suite.py compare BEFORE.json AFTER.json [--band 0.15]

`run` writes ratios: the processor time of a thing over that of the plainest loop there is (y ← a·y + b·x over
the same samples), both in the same repeat and on one thread, so that other work on the machine falls on both.
Median and quartiles of the repeats, beside them the machine, the versions and the time of the plain loop.
--short: a second of each sound and five repeats, half a minute in all; it ends with status 1 where a median
is over twice that of suite_short.json, which is kept beside this file. For the banks both are taken beside
one fma of their own record, as the plain loop is twice as dear on one kind of processor as on another. No
time in seconds is ever judged.

`compare` prints what both records have, and ends with status 1 where a median grew by more than the band
(0.15: 15 %) and the quartiles do not overlap. Ratios are a processor's own: of two different ones nothing is
judged. How much dearer the plain loop is than a multiplication with addition in one (one fma) tells two
kinds of processor apart, and stands among the ratios.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import resource
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from functools import partial
from importlib.metadata import version
from pathlib import Path
from typing import Any

import bench_chain
import bench_half_waves
import bench_sweep
import numpy as np

from envlab.analog.microphone import hear
from envlab.analog.preamps.preamp import amplify
from envlab.analog.rectifiers.ideal import Rectifier, rectify
from envlab.engine.front_end import PIECE
from envlab.sound.interpolate import interpolated_blocks
from envlab.sound.recording import read_recording
from envlab.units import FloatArray

LIBRARIES = ("envlab", "numpy", "scipy", "numba", "soundfile")
EXCERPTS, LEVEL_DB_SPL = 8, 92.0
OF_BANK, OF_CHAIN, OF_LANES, OF_START = "bank", "one board", "boards in lanes", "start"
ONE_FMA = (OF_BANK, "one fma")
# How often its median in the kept record a median of a short run may be.
KEPT, GATE = Path(__file__).with_name("suite_short.json"), 2.0

# Its kind, its name, and what returns (its seconds, the plain loop's) for the same work.
Pair = tuple[str, str, Callable[[], tuple[float, float]]]


def busy_s(run: Callable[[], object], turns: int = 1) -> float:
    """Processor time of this thread for so many runs, s."""
    began = time.thread_time()
    for _ in range(turns):
        run()
    return time.thread_time() - began


def chains() -> Iterator[Pair]:
    """One board's stages and chains, over blocks as the engine takes them."""
    jobs = bench_chain.jobs()
    plain = jobs.pop("multiply-add")[0]
    for name, (run, detectors, _) in jobs.items():

        def pair(run: Any = run, detectors: int = detectors) -> tuple[float, float]:
            return busy_s(run, 8) / detectors, busy_s(plain, 8)

        yield OF_CHAIN, name, pair


def half_waves(seconds: float) -> Iterator[Pair]:
    """Hold capacitors behind rectifiers with amplifiers, 256 in lanes, a sample and board."""
    many = bench_half_waves.detectors()
    signal = bench_half_waves.bursts(seconds, 1.0)
    due = np.arange(3840, signal.size, 3840)
    for rectifier in bench_half_waves.IN_LANES:
        lanes = partial(bench_half_waves.read_lanes, many, rectifier, signal, due)

        def pair(lanes: Callable[[], object] = lanes) -> tuple[float, float]:
            plain = busy_s(lambda: bench_chain.multiply_add(signal, 0.999, 0.001), 16) / 16
            return busy_s(lanes) / len(many), plain

        yield OF_LANES, rectifier.topology, pair


def banks(seconds: float) -> Iterator[Pair]:
    """A thousand detectors on demo clips, on published music and on white noise."""
    specification = bench_sweep.ideal_parade()
    sounds = bench_sweep.drives(specification, seconds)[0]
    sounds |= {f"published {name}": drive_v for name, drive_v in published(seconds).items()}
    noise = np.random.default_rng(3).standard_normal(int(seconds * bench_sweep.RATE_HZ))
    sounds["white noise"] = np.abs(noise)
    detectors = bench_sweep.parts((220e-9, 4.7e-6), (470, 47e3))
    for name, drive_v in sounds.items():
        contest = bench_sweep.Contest(drive_v, detectors, bench_sweep.Judged([], []))

        def pair(contest: bench_sweep.Contest = contest) -> tuple[float, float]:
            return bench_sweep.bank_s(contest), bench_sweep.multiply_add_s(contest)

        yield OF_BANK, name, pair
    contest = bench_sweep.Contest(sounds["white noise"], detectors, bench_sweep.Judged([], []))
    yield *ONE_FMA, lambda: (bench_sweep.one_fma_s(contest), bench_sweep.multiply_add_s(contest))


def published(seconds: float) -> dict[str, FloatArray]:
    """Return the drive of the longest loops in the folder that ENVLAB_OPEN_RECORDINGS names, if any."""
    folder = os.environ.get("ENVLAB_OPEN_RECORDINGS")
    files = sorted(Path(folder).rglob("loop_*.flac"), key=lambda file: -file.stat().st_size) if folder else []
    chain = bench_sweep.ideal_parade().chain
    found = {}
    for file in files[:EXCERPTS]:
        recording = read_recording(file, LEVEL_DB_SPL)
        pressure_pa = recording.pressure_pa[: int(seconds * recording.sample_rate_hz)]
        pieces, heard, amplified = [], None, None
        for _, fine_pa in interpolated_blocks(pressure_pa, recording.sample_rate_hz, PIECE):
            volts, heard = hear(fine_pa, chain.microphone, sample_rate_hz=bench_sweep.RATE_HZ, state=heard)
            step = amplify(volts, chain.preamp, sample_rate_hz=bench_sweep.RATE_HZ, state=amplified)
            amplified = step.end
            pieces.append(rectify(step.preamp_v, Rectifier()))
        found[file.stem] = np.concatenate(pieces)
    return found


def starts() -> Iterator[Pair]:
    """Whole processes: what a command needs before it does anything, over a Python that does nothing."""
    for name, code in (
        ("import envlab", "import envlab"),
        ("envlab --help", "from envlab.cli import main\ntry: main(['--help'])\nexcept SystemExit: pass"),
    ):
        yield OF_START, name, partial(_pair_of_processes, code)


def _pair_of_processes(code: str) -> tuple[float, float]:
    return _process_s(code), _process_s("pass")


def _process_s(code: str) -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, "-c", code], stdout=subprocess.DEVNULL, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def measured(pairs: list[Pair], repeats: int) -> list[dict[str, Any]]:
    """Run all of them in turn, so many times, and return a row for each."""
    for _, _, run in pairs:  # what must be compiled is
        run()
    times_s = np.array([[run() for _, _, run in pairs] for _ in range(repeats)])
    ratios = times_s[..., 0] / times_s[..., 1]
    lower, median, upper = np.percentile(ratios, (25, 50, 75), axis=0)
    return [
        {
            "kind": kind, "name": name, "lower": float(lower[n]), "median": float(median[n]),
            "upper": float(upper[n]), "plain_s": float(np.median(times_s[:, n, 1])),
        }
        for n, (kind, name, _) in enumerate(pairs)
    ]  # fmt: skip


def machine() -> dict[str, Any]:
    """Return what a ratio depends on; bank and plain loop have run."""
    return {
        "processor": bench_half_waves.processor(),
        "cores": os.cpu_count(),
        "python": platform.python_version(),
        "versions": {name: version(name) for name in LIBRARIES},
        # What a step of bank and plain loop takes at least, by their assembly.
        "loops": {name: loop and loop.told for name, loop in bench_sweep.loops().items()},
    }


def record(short: bool) -> dict[str, Any]:
    """Measure everything."""
    seconds, repeats = (1.0, 5) if short else (12.0, 15)
    pairs = [*chains(), *banks(seconds), *half_waves(seconds), *starts()]
    rows = measured(pairs, repeats)
    taken = datetime.now(UTC).isoformat(timespec="seconds")
    return {"taken": taken, "short": short, "repeats": repeats, "machine": machine(), "ratios": rows}


def beyond_gates(rows: list[dict[str, Any]], kept: list[dict[str, Any]]) -> list[str]:
    """Return in words which medians are over GATE times their own in the kept record, and which it lacks."""
    medians, now = _beside_one_fma(kept), _beside_one_fma(rows)
    said = []
    for key, median in now.items():
        if key not in medians:
            said.append(f"{', '.join(key)}: not in {KEPT.name}")
        elif not median <= GATE * medians[key]:
            said.append(f"{', '.join(key)}: {median:.2f}, gate {GATE * medians[key]:.2f}")
    return said


def _beside_one_fma(rows: list[dict[str, Any]]) -> dict[tuple[str, str], float]:
    """Medians by kind and name; those of the banks over that of one fma, which is the processor's own."""
    medians = {(row["kind"], row["name"]): float(row["median"]) for row in rows}
    one_fma = medians.pop(ONE_FMA)
    return {key: median / one_fma if key[0] == OF_BANK else median for key, median in medians.items()}


def comparison(before: dict[str, Any], after: dict[str, Any], band: float) -> tuple[list[str], int]:
    """Return a line for each thing that both records have, and how many grew slower."""
    old = {(row["kind"], row["name"]): row for row in before["ratios"]}
    new = {(row["kind"], row["name"]): row for row in after["ratios"]}
    judged = all(before["machine"][key] == after["machine"][key] for key in ("processor", "cores"))
    judged &= before["short"] == after["short"]
    lines, slower = [], 0
    for key in [key for key in old if key in new]:
        one, other = old[key], new[key]
        grew = other["median"] / one["median"] - 1
        is_slower = judged and grew > band and other["lower"] > one["upper"]
        slower += is_slower
        said = "   SLOWER" if is_slower else ""
        lines.append(f"{', '.join(key):46}{one['median']:8.2f} → {other['median']:6.2f}{grew:+8.0%}{said}")
    lines += [f"{', '.join(key):46} in one of them only" for key in sorted(old.keys() ^ new.keys())]
    if not judged:
        lines.append("Different processors or lengths: nothing is judged.")
    return lines, slower


def main() -> int:
    """Measure, or compare."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    verbs = parser.add_subparsers(dest="verb", required=True)
    run = verbs.add_parser("run", help="measure and write a record")
    run.add_argument("out", type=Path)
    run.add_argument("--short", action="store_true", help="half a minute, and gates")
    compare = verbs.add_parser("compare", help="hold a record beside an earlier one")
    compare.add_argument("before", type=Path)
    compare.add_argument("after", type=Path)
    compare.add_argument("--band", type=float, default=0.15, help="by how much a median may grow, as a share")
    asked = parser.parse_args()
    if asked.verb == "compare":
        records = [json.loads(path.read_text("utf-8")) for path in (asked.before, asked.after)]
        lines, slower = comparison(*records, asked.band)
        print("\n".join(lines))
        return int(slower > 0)
    taken = record(asked.short)
    asked.out.write_text(json.dumps(taken, indent=1) + "\n", "utf-8")
    print(f"{taken['machine']['processor']}, {taken['machine']['cores']} cores; times the plain loop")
    for row in taken["ratios"]:
        quartiles = f"{row['lower']:7.2f} {row['median']:7.2f} {row['upper']:7.2f}"
        print(f"{row['kind'] + ', ' + row['name']:46}{quartiles}")
    kept = json.loads(KEPT.read_text("utf-8"))["ratios"]
    over = beyond_gates(taken["ratios"], kept) if asked.short else []
    print("\n".join(over))
    return int(bool(over))


if __name__ == "__main__":
    sys.exit(main())

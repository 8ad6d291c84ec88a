"""Fuzzing of one reader, guided by what its inputs reach; needs the extra "fuzz".

    python tests/fuzz/long_run.py READER --inputs 200000 --seed 1 --folder SCRATCH

It goes on after a finding: each kind is kept once in SCRATCH/READER/findings, with its text beside it. What
reached something new is in SCRATCH/READER/reached; `keep_corpus.py` makes the fixed corpus of it.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib
import json
import random
import resource
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import atheris
from fuzz.verdict import ROOM_BYTES, FindingError, Reader, verdict

# Compiled loops cannot be compiled once they are instrumented: every file that has one is imported before.
PACKAGE = Path(__file__).resolve().parents[2] / "envlab"
for source in sorted(PACKAGE.rglob("*.py")):
    if "njit" in source.read_text(encoding="utf-8") or "kernels" in source.name:
        importlib.import_module(".".join(source.relative_to(PACKAGE.parent).with_suffix("").parts))

with atheris.instrument_imports(include=["envlab"]):
    from fuzz.readers import READERS, quick_design
    from fuzz.variation import VARIATIONS


ADDRESSES_BYTES = 6 << 30  # what asks for more is refused by the system, and found as MemoryError
WHOLE_DESIGN_EVERY = 20


class LongRun:
    """Counts of one run, and its findings by their text."""

    def __init__(self, reader: Reader, folder: Path, inputs: int) -> None:
        self.reader, self.folder, self.inputs = reader, folder, inputs
        self.counts = {"read": 0, "refused": 0, "finding": 0}
        self.findings: dict[str, int] = {}
        self.began = time.process_time()
        self.slowest_s, self.slowest_bytes = 0.0, 0
        self.grown_kb = 0
        self.peak_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        self.quick = Reader("design", ".toml", reader.seeds, quick_design)
        (folder / "findings").mkdir(parents=True, exist_ok=True)
        self.scratch = folder / "scratch"
        self.scratch.mkdir(exist_ok=True)

    def one(self, data: bytes) -> None:
        """Read one input and count what came of it."""
        done = sum(self.counts.values())
        quick = self.reader.name == "design" and done % WHOLE_DESIGN_EVERY
        started = time.process_time()
        try:
            self.counts[verdict(self.quick if quick else self.reader, data, self.scratch)] += 1
            self._check_memory(data)
        except FindingError as problem:
            self._keep(str(problem), data)
        took_s = time.process_time() - started
        if took_s > self.slowest_s:
            self.slowest_s, self.slowest_bytes = took_s, len(data)
        if done % 500 == 0 or done + 1 >= self.inputs:
            self.write()

    def _check_memory(self, data: bytes) -> None:
        peak_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        grown, self.peak_kb = peak_kb - self.peak_kb, peak_kb
        self.grown_kb = max(self.grown_kb, grown)
        if grown * 1024 > 4 * ROOM_BYTES:
            raise FindingError(f"the process grew by {grown // 1024} MB over {len(data)} bytes")

    def _keep(self, text: str, data: bytes) -> None:
        self.counts["finding"] += 1
        kind = text.partition(": ")[0] if " at " in text else text.partition(" over ")[0][:60]
        self.findings[kind] = self.findings.get(kind, 0) + 1
        if self.findings[kind] == 1:
            name = hashlib.sha256(data).hexdigest()[:12]
            (self.folder / "findings" / name).write_bytes(data)
            (self.folder / "findings" / f"{name}.txt").write_text(text)
            self.write()

    def write(self) -> None:
        """Keep the counts; libFuzzer ends the process without a word."""
        state = {
            "reader": self.reader.name, **self.counts, "findings": self.findings,
            "process_s": round(time.process_time() - self.began, 1),
            "slowest_s": round(self.slowest_s, 3), "slowest_bytes": self.slowest_bytes,
            "largest_growth_kb": self.grown_kb, "peak_kb": self.peak_kb,
        }  # fmt: skip
        (self.folder / "counts.json").write_text(json.dumps(state, indent=1))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("reader", choices=READERS)
    parser.add_argument("--inputs", type=int, default=200_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--longest", type=int, default=12_000, help="bytes of an input")
    parser.add_argument("--folder", type=Path, required=True)
    asked = parser.parse_args()
    reader, folder = READERS[asked.reader], asked.folder / asked.reader
    run = LongRun(reader, folder, asked.inputs)
    begin, reached = folder / "begin", folder / "reached"
    for place in (begin, reached):
        place.mkdir(exist_ok=True)
    for data in reader.seeds():
        (begin / hashlib.sha256(data).hexdigest()[:12]).write_bytes(data)
    resource.setrlimit(resource.RLIMIT_AS, (ADDRESSES_BYTES, ADDRESSES_BYTES))

    def changed(data: bytes, most: int, seed: int) -> bytes:
        rng = random.Random(seed)
        if rng.random() < 0.4:
            return bytes(atheris.Mutate(data, most))
        for _ in range(rng.choice((1, 1, 2, 4))):
            data = VARIATIONS[reader.name](data, rng)
        return data[:most]

    flags = [
        f"-runs={asked.inputs}", f"-seed={asked.seed}", f"-max_len={asked.longest}", "-timeout=60",
        "-rss_limit_mb=0", "-print_final_stats=0", "-verbosity=0", f"-artifact_prefix={folder}/",
    ]  # fmt: skip
    atheris.Setup([sys.argv[0], *flags, str(reached), str(begin)], run.one, custom_mutator=changed)
    atheris.Fuzz()


if __name__ == "__main__":
    main()

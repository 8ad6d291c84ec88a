"""Changes the C runtime in one place at a time and counts how many changes the twin's vectors notice.

Run as ``python tests/firmware/mutate_runtime.py``. A mutant is killed when the program crashes, hangs or
gives one record that is not the twin's. Mutants that no compiler takes are counted apart. Survivors must be
in EQUIVALENT, each with the reason why no stimulus can tell it from the original; a survivor without a
reason fails, and so does a reason whose mutant is killed after all.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from firmware import placed_vectors as placed  # noqa: E402
from firmware import twin_vectors as twin  # noqa: E402

from envlab.digital.fixed_frame import Dither  # noqa: E402
from envlab.firmware.export import firmware_files  # noqa: E402

READINGS, PLACED = 25_000, 4_000
SOURCES = ("envlab_runtime.c", "envlab_products.h", "envlab_frame.c", "envlab_dither.c")
# A pattern and what it becomes; \\g<0> stands for what was found.
CHANGES = (
    (r"(?<=[\w)] )<(?= )", "<="), (r"(?<=[\w)] )<(?= )", ">"), (r"(?<=[\w)] )>(?= )", ">="),
    (r"(?<=[\w)] )>(?= )", "<"), (r"<=", "<"), (r">=", ">"), (r"==", "!="), (r"!=", "=="),
    (r"(?<=[\w)] )\+(?= )", "-"), (r"(?<=[\w)] )-(?= )", "+"), (r"\+=", "-="), (r"(?<= )-=", "+="),
    (r"<<", ">>"), (r">>", "<<"), (r"(?<= )&(?= )", "|"), (r"(?<= )\|(?= )", "&"), (r"(?<= )\^(?= )", "|"),
    (r"\+\+", "--"), (r"--", "++"), (r"\*(?= [ab]\b)", "+"), (r"\* fraction", "+ fraction"),
    (r"\b0x[0-9A-F]+(?=ul?\b)", "+1"), (r"\b\d+(?=u\b)", "+1"),
    (r"^ +\S.*[^=!<>]=[^=].*;$", ";"), (r"^ +\w+(\(|\+\+|--).*;$", ";"),
)  # fmt: skip

# What may be changed without any machine being able to tell, by file and original line, and why.
EQUIVALENT: dict[tuple[str, str, str], str] = {
    (
        "envlab_runtime.c",
        "if (offset_step > last) {",
        "if (offset_step >= last) {",
    ): "the last step is set to itself",
    (
        "envlab_runtime.c",
        "unsigned target = (reading > zero) ? reading - zero : 0u;",
        "unsigned target = (reading >= zero) ? reading - zero : 0u;",
    ): "at the zero the difference is 0 as well",
    (
        "envlab_runtime.c",
        "if (target >= now) {",
        "if (target > now) {",
    ): "at the target the product is 0, added or subtracted",
    (
        "envlab_runtime.c",
        "while (envelope > 0x1FFFu) {",
        "while (envelope > (0x1FFFu + 1u)) {",
    ): "0x2000 in one octave and 0x1000 in the next are the same sum",
    (
        "envlab_runtime.c",
        "while (envelope < 0x1000u) {",
        "while (envelope <= 0x1000u) {",
    ): "0x1000 in one octave and 0x2000 in the one before are the same sum",
    (
        "envlab_runtime.c",
        "while (envelope < 0x1000u) {",
        "while (envelope < (0x1000u + 1u)) {",
    ): "0x1000 in one octave and 0x2000 in the one before are the same sum",
    (
        "envlab_runtime.c",
        "if (position < window) {",
        "if (position <= window) {",
    ): "the window is set to itself",
    (
        "envlab_runtime.c",
        "if (position > ENVLAB_RANGE) {",
        "if (position >= ENVLAB_RANGE) {",
    ): "the range is set to itself",
    (
        "envlab_runtime.c",
        "if (quarter < fall) {",
        "if (quarter <= fall) {",
    ): "the fall is set to itself",
    (
        "envlab_runtime.c",
        "if (zero + ENVLAB_ZERO_REACH < state->zero_limit) {",
        "if (zero + ENVLAB_ZERO_REACH <= state->zero_limit) {",
    ): "the limit is set to itself",
    (
        "envlab_runtime.c",
        "if (reading > state->highest) {",
        "if (reading >= state->highest) {",
    ): "the highest is set to itself",
    (
        "envlab_runtime.c",
        "unsigned reach = (peak > window) ? peak - window : 0u;",
        "unsigned reach = (peak >= window) ? peak - window : 0u;",
    ): "at the window the difference is 0 as well",
    (
        "envlab_runtime.c",
        "if (aim > ENVLAB_WINDOW_START) {",
        "if (aim >= ENVLAB_WINDOW_START) {",
    ): "the aim is set to itself",
    (
        "envlab_runtime.c",
        "} else if (reach > ENVLAB_RANGE) {",
        "} else if (reach >= ENVLAB_RANGE) {",
    ): "what the aim rises by is 0",
    (
        "envlab_runtime.c",
        "aim += (reach > step) ? step : reach;",
        "aim += (reach >= step) ? step : reach;",
    ): "both are the same",
    (
        "envlab_runtime.c",
        "unsigned before = (state->peak_before > window) ? state->peak_before - window : 0u;",
        "unsigned before = (state->peak_before >= window) ? state->peak_before - window : 0u;",
    ): "at the window the difference is 0 as well",
    (
        "envlab_runtime.c",
        "if (reach < before) {",
        "if (reach <= before) {",
    ): "the reach is set to itself",
    (
        "envlab_runtime.c",
        "aim = (fall > window - ENVLAB_WINDOW_LEAST) ? ENVLAB_WINDOW_LEAST : window - fall;",
        "aim = (fall >= window - ENVLAB_WINDOW_LEAST) ? ENVLAB_WINDOW_LEAST : window - fall;",
    ): "both are the same",
    (
        "envlab_runtime.c",
        "if (aim > most) {",
        "if (aim >= most) {",
    ): "the aim is set to itself",
    (
        "envlab_runtime.c",
        "if (aim > window) {",
        "if (aim >= window) {",
    ): "at the aim the window stays either way",
    (
        "envlab_runtime.c",
        "window += (aim > ENVLAB_WINDOW_RISE) ? ENVLAB_WINDOW_RISE : aim;",
        "window += (aim >= ENVLAB_WINDOW_RISE) ? ENVLAB_WINDOW_RISE : aim;",
    ): "both are the same",
    (
        "envlab_runtime.c",
        "window -= (aim > ENVLAB_WINDOW_FALL) ? ENVLAB_WINDOW_FALL : aim;",
        "window -= (aim >= ENVLAB_WINDOW_FALL) ? ENVLAB_WINDOW_FALL : aim;",
    ): "both are the same",
    (
        "envlab_runtime.c",
        "fade = (dim - fade > ENVLAB_FADE_STEP) ? fade + ENVLAB_FADE_STEP : dim;",
        "fade = (dim - fade >= ENVLAB_FADE_STEP) ? fade + ENVLAB_FADE_STEP : dim;",
    ): "both are the same",
    (
        "envlab_runtime.c",
        "if (position > state->peak) {",
        "if (position >= state->peak) {",
    ): "the peak is set to itself",
    (
        "envlab_frame.c",
        "uint16_t factor = 0u;",
        "uint16_t factor = (0u + 1u);",
    ): "what it starts with is shifted out by the sixteen rounds",
}


@dataclass(frozen=True)
class Mutant:
    """One changed line of one file."""

    file: str
    number: int
    before: str
    after: str

    @property
    def key(self) -> tuple[str, str, str]:
        """What names the mutant even when lines above it come and go."""
        return self.file, self.before.strip(), self.after.strip()


def mutants_of(name: str, text: str) -> list[Mutant]:
    """Return every single change of the patterns above in the C statements of a file."""
    found: dict[tuple[int, str], Mutant] = {}
    lines = text.split("\n")
    first = next((n for n, line in enumerate(lines) if line == "#else"), 0) if name.endswith(".h") else 0
    inside = False
    for number in range(first, len(lines)):
        line = lines[number]
        inside = (inside or line == "{") and line != "}"
        if not inside or line.startswith(("#", "/*", " *", "{")) or not line.strip():
            continue
        for pattern, becomes in CHANGES:
            for match in re.finditer(pattern, line):
                new = f"({match[0]}u + 1u)" if becomes == "+1" else becomes
                end = match.end() + 1 if becomes == "+1" else match.end()
                if becomes == "+1" and line[match.end() : match.end() + 2] == "ul":
                    new, end = f"({match[0]}ul + 1ul)", match.end() + 2
                after = line[: match.start()] + new + line[end:]
                found.setdefault((number, after), Mutant(name, number, line, after))
    return list(found.values())


@dataclass(frozen=True)
class Probe:
    """A compiled-in set of parameters, what goes in, and what must come out."""

    files: dict[str, str]
    driver: Path
    sizes: tuple[int, int]
    stimuli: bytes
    wanted: bytes


def probes() -> list[Probe]:
    """Return every case of the twin, and the frame and dither parts, with the records of their twins."""
    found = []
    for case in twin.CASES.values():
        readings, offsets = twin.stimulus(case, READINGS)
        stimuli = twin.stimulus_bytes(readings, offsets)
        wanted = twin.expected_bytes(case, readings, offsets)
        sizes = (twin.STIMULUS_BYTES, twin.RECORD_BYTES)
        found.append(Probe(case.files, twin.DRIVER, sizes, stimuli, wanted))
    for name in placed.CASES:
        case, stimuli = twin.CASES[name], placed.placed_stimuli(twin.CASES[name], PLACED)
        wanted = placed.placed_records(case, stimuli).tobytes()
        found.append(Probe(case.files, placed.DRIVER, placed.SIZES, stimuli.tobytes(), wanted))
    files = firmware_files(twin.parade_design(dither=Dither(2, 1000.0)), design_digest="mutants")
    stimuli = _frame_stimuli()
    # What the true parts give; test_runtime.py holds them against their twin.
    with tempfile.TemporaryDirectory() as folder:
        true = Bench(Probe(files, HERE / "frame_driver.c", (10, 8), stimuli, b""), Path(folder))
        wanted = true.records(None, Path(folder))
    assert wanted is not None
    return [*found, Probe(files, HERE / "frame_driver.c", (10, 8), stimuli, wanted)]


def _frame_stimuli() -> bytes:
    rng = np.random.default_rng(9)
    limit = twin.parade_design().sum_limit
    count = 6000
    stimuli = np.empty(count, [("t", "<u4"), ("d", "<u2"), ("f", "<u2"), ("p", "u1"), ("q", "u1")])
    stimuli["t"] = rng.integers(0, 1 << 31, count) >> rng.integers(0, 12, count)
    stimuli["t"][:5] = [0, limit, limit + 1, 2 * limit, 8 * limit]
    for name in ("d", "f", "p", "q"):
        stimuli[name] = rng.integers(0, 65_536, count) & (0xFF if name in "pq" else 0xFFFF)
    stimuli["f"][:100] = 65_535
    return stimuli.tobytes()


class Bench:
    """A probe with everything compiled that a mutant leaves as it is."""

    def __init__(self, probe: Probe, folder: Path) -> None:
        self.probe, self.folder = probe, folder
        self.includes = ["-I", str(folder), "-I", str(HERE / "targets" / "c")]
        for name, text in probe.files.items():
            (folder / name).write_text(text, "ascii")
        self.sources = {
            path.name: path for path in [*folder.glob("envlab_*.c"), probe.driver, HERE / "host_main.c"]
        }
        for source in self.sources.values():
            assert self._compile(source, folder / f"{source.stem}.o")

    def _compile(self, source: Path, result: Path, *more: str) -> bool:
        sizes = (
            f"-DDRIVER_INPUT_BYTES={self.probe.sizes[0]}",
            f"-DDRIVER_RECORD_BYTES={self.probe.sizes[1]}",
        )
        command = [
            "gcc",
            "-std=c99",
            "-O0",
            "-w",
            *more,
            *self.includes,
            *sizes,
            "-c",
            str(source),
            "-o",
            str(result),
        ]
        return subprocess.run(command, capture_output=True, check=False).returncode == 0

    def records(self, mutant: Mutant | None, folder: Path) -> bytes | None:
        """Return what the probe writes with a mutant in it, or None if that does not compile."""
        objects = {name: self.folder / f"{source.stem}.o" for name, source in self.sources.items()}
        if mutant is not None:
            lines = self.probe.files[mutant.file].split("\n")
            lines[mutant.number] = mutant.after
            unit = "envlab_runtime.c" if mutant.file.endswith(".h") else mutant.file
            (folder / unit).write_text(self.probe.files[unit], "ascii")
            (folder / mutant.file).write_text("\n".join(lines), "ascii")
            objects[unit] = folder / "mutant.o"
            if not self._compile(folder / unit, objects[unit], "-I", str(folder)):
                return None
        program = folder / "program"
        subprocess.run(["gcc", *map(str, objects.values()), "-o", program], check=True)
        try:
            done = subprocess.run(
                [program], input=self.probe.stimuli, capture_output=True, check=False, timeout=5
            )
        except subprocess.TimeoutExpired:
            return b"hangs"
        return done.stdout if done.returncode == 0 else b"crashes"


def verdict(mutant: Mutant, benches: list[Bench]) -> str:
    """Return "killed", "survived" or "does not compile"."""
    with tempfile.TemporaryDirectory() as folder:
        for bench in benches:
            if mutant.file in bench.probe.files and mutant.file in _reached(bench):
                records = bench.records(mutant, Path(folder))
                if records is None:
                    return "does not compile"
                if records != bench.probe.wanted:
                    return "killed"
    return "survived"


def _reached(bench: Bench) -> set[str]:
    frame = bench.probe.driver not in (twin.DRIVER, placed.DRIVER)
    return set(SOURCES) if frame else {"envlab_runtime.c", "envlab_products.h"}


def judge(every: int = 1) -> tuple[list[Mutant], list[str]]:
    """Return mutants, every so-manieth of them, and what became of each."""
    every_probe = probes()
    texts = every_probe[-1].files
    mutants = [mutant for name in SOURCES for mutant in mutants_of(name, texts[name])][::every]
    with tempfile.TemporaryDirectory() as base, ThreadPoolExecutor(2) as pool:
        benches = []
        for number, probe in enumerate(every_probe):
            folder = Path(base) / str(number)
            folder.mkdir()
            benches.append(Bench(probe, folder))
        return mutants, list(pool.map(lambda m: verdict(m, benches), mutants))


def report(mutants: list[Mutant], verdicts: list[str]) -> tuple[str, int]:
    """Return what became of the mutants, in words, and how many of them need looking into."""
    lines, problems = [], 0
    for mutant, word in zip(mutants, verdicts, strict=True):
        reason = EQUIVALENT.get(mutant.key)
        if word == "survived":
            problems += reason is None
            lines.append(f"survived {mutant.file}:{mutant.number + 1}: {mutant.key[1]} -> {mutant.key[2]}")
            lines.append(f"    {reason or 'NOT EXPLAINED'}")
        elif word == "killed" and reason is not None:
            problems += 1
            lines.append(f"explained as equivalent, but killed: {mutant.key}")
    killed, survived = verdicts.count("killed"), verdicts.count("survived")
    share = 100 * killed / (killed + survived)
    lines.append(f"{killed + survived} mutants, {killed} killed ({share:.1f} %), {survived} survived;")
    lines.append(f"{verdicts.count('does not compile')} more do not compile")
    return "\n".join(lines), problems


def main() -> int:
    """Run every mutant, print what became of them, return 0 when all survivors are explained."""
    mutants, verdicts = judge()
    text, problems = report(mutants, verdicts)
    print(text)
    killed, survived = verdicts.count("killed"), verdicts.count("survived")
    return 0 if killed + survived >= 40 and killed >= 0.92 * (killed + survived) and not problems else 1


if __name__ == "__main__":
    sys.exit(main())

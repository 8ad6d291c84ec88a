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
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from firmware import frame_vectors, guard_vectors, layout_vectors  # noqa: E402
from firmware import placed_vectors as placed  # noqa: E402
from firmware import twin_vectors as twin  # noqa: E402
from firmware.equivalent_mutants import EQUIVALENT  # noqa: E402
from firmware.test_hand_edits import changed_with_its_check  # noqa: E402

from envlab.digital.followers import MovingMean  # noqa: E402
from envlab.digital.guard.guard_words import guard_words  # noqa: E402
from envlab.firmware.export import firmware_files  # noqa: E402
from envlab.firmware.headers.golden import golden_crc32  # noqa: E402
from envlab.firmware.headers.layout_macros import layout_table_lines  # noqa: E402
from envlab.light.layout.layout import Layout  # noqa: E402
from envlab.light.pixels import Pixels, Supply  # noqa: E402

READINGS, PLACED = 25_000, 4_000
RUNTIME, FRAME = ("envlab_runtime.c", "envlab_products.h"), ("envlab_frame.c", "envlab_dither.c")
GUARD, BOOT, LAYOUT = ("envlab_guard.c",), ("envlab_boot.c",), ("envlab_layout.c",)
SOURCES = (*RUNTIME, *FRAME, *GUARD, *BOOT, *LAYOUT)
# A pattern and what it becomes; \\g<0> stands for what was found.
CHANGES = (
    (r"(?<=[\w)] )<(?= )", "<="), (r"(?<=[\w)] )<(?= )", ">"), (r"(?<=[\w)] )>(?= )", ">="),
    (r"(?<=[\w)] )>(?= )", "<"), (r"<=", "<"), (r">=", ">"), (r"==", "!="), (r"!=", "=="),
    (r"(?<=[\w)] )\+(?= )", "-"), (r"(?<=[\w)] )-(?= )", "+"), (r"\+=", "-="), (r"(?<= )-=", "+="),
    (r"<<", ">>"), (r">>", "<<"), (r"(?<= )&(?= )", "|"), (r"(?<= )\|(?= )", "&"), (r"(?<= )\^(?= )", "|"),
    (r"\+\+", "--"), (r"--", "++"), (r"\*(?= [ab]\b)", "+"), (r"\* fraction", "+ fraction"),
    (r"\b0x[0-9A-F]+(?=ul?\b)", "+1"), (r"\b\d+(?=u\b)", "+1"),
    # The top bit of a word is lost: codes of 32768 and above.
    (r"ENVLAB_ROM_U16\((?:[^()]|\([^()]*\))*\)", r"(\g<0> & 0x7FFFu)"),
    (r"(?<=\^= )\w+(?=;)", r"(\g<0> & 0x7FFFu)"),
    (r"(?<=return )\((?:uint16_t|envlab_code)\)[^;?]+(?=;)", r"((\g<0>) & 0x7FFFu)"),
    (r"^ +\S.*[^=!<>]=[^=].*;$", ";"), (r"^ +\w+(\(|\+\+|--).*;$", ";"),
)  # fmt: skip


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
    # In a header the last #else begins the form in C, which is the one that the host compiles.
    first = max((n for n, line in enumerate(lines) if line == "#else"), default=0)
    first = first if name.endswith(".h") else 0
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
                after = line[: match.start()] + match.expand(new) + line[end:]
                found.setdefault((number, after), Mutant(name, number, line, after))
    return list(found.values())


@dataclass(frozen=True)
class Probe:
    """A compiled-in set of parameters, what goes in, what must come out, and files whose code it runs."""

    files: dict[str, str]
    driver: Path
    sizes: tuple[int, int]
    stimuli: bytes
    wanted: bytes
    reaches: tuple[str, ...]


def probes() -> list[Probe]:
    """Return every case of every twin, and what is asked at boot, also where something is wrong."""
    found = []
    for case in twin.CASES.values():
        readings, offsets = twin.stimulus(case, READINGS)
        stimuli = twin.stimulus_bytes(readings, offsets)
        wanted = twin.expected_bytes(case, readings, offsets)
        sizes = (twin.STIMULUS_BYTES, twin.RECORD_BYTES)
        found.append(Probe(case.files, twin.DRIVER, sizes, stimuli, wanted, RUNTIME))
    for name in placed.CASES:
        case, placed_at = twin.CASES[name], placed.placed_stimuli(twin.CASES[name], PLACED)
        wanted = placed.placed_records(case, placed_at).tobytes()
        found.append(Probe(case.files, placed.DRIVER, placed.SIZES, placed_at.tobytes(), wanted, RUNTIME))
    for case in sorted(frame_vectors.CASES.values(), key=lambda case: case.words.dither_bits):
        frames = frame_vectors.stimuli(case, 1500, seed=9)
        wanted = frame_vectors.expected(case, frames).tobytes()
        stimuli = frames.tobytes()
        found.append(Probe(case.files, frame_vectors.DRIVER, case.sizes, stimuli, wanted, FRAME))
    lights = [(words, guard_vectors.lights(words, 6000)) for words in guard_vectors.CASES.values()]
    # At 11 bit one duty alone tells how its two parts are compared.
    lights.append((guard_words(50.0, bits=11), np.repeat([0, 31_711, 0, 65_535], 20)))
    for words, duties in lights:
        wanted = guard_vectors.expected(words, duties).tobytes()
        sizes = (2, guard_vectors.RECORD.itemsize)
        files = guard_vectors.guard_files(words)
        stimuli = duties.astype("<u2").tobytes()
        found.append(Probe(files, guard_vectors.DRIVER, sizes, stimuli, wanted, GUARD))
    for table in layout_vectors.CASES.values():
        duties = layout_vectors.duties(table)
        wanted = layout_vectors.expected(table, duties).tobytes()
        sizes = (2, layout_vectors.record(table).itemsize)
        files = layout_vectors.layout_files(table)
        stimuli = duties.astype("<u2").tobytes()
        found.append(Probe(files, layout_vectors.DRIVER, sizes, stimuli, wanted, LAYOUT))
    return [*found, *_boot_probes(), *_layout_boot_probes()]


def _boot_probes() -> list[Probe]:
    """Whole designs, one of a moving mean, one with a turned bit in a large code, one with another number."""
    named = ("parade", "even in counts", "both clamps", "gate always shut", "ends of the words")
    cases = [twin.CASES[name].files for name in named]
    table = cases[2]["envlab_table.h"]
    head, rows = table.rsplit("65535u, 65535u", 1)
    damaged = cases[2] | {"envlab_table.h": f"{head}65535u, 32767u{rows}"}
    numbers = changed_with_its_check(cases[0]["envlab_parameters.h"], "RELEASE_FACTOR", add=200)
    changed = cases[0] | {"envlab_parameters.h": numbers}
    moving = firmware_files(twin.parade_design(moving=MovingMean(0.010)), design_digest="moving")
    answers = [(files, b"\0\1\1") for files in (*cases, moving)] + [
        (damaged, b"\1\0\1"),
        (changed, b"\2\1\0"),
    ]
    return [
        Probe(files, HERE / "boot_driver.c", (1, 3), b"\0", wanted, (*BOOT, *RUNTIME))
        for files, wanted in answers
    ]


def _layout_boot_probes() -> list[Probe]:
    """Designs with a layout of light: one that travels, one of more ranks than a byte has; damaged tables."""
    travelling = Layout("travelling", group_pixels=3, pixels_per_second=40.0)
    many = {"pixels": Pixels(600, 3, 0.020, 0.0), "supply": Supply(18.0)}
    answers = []
    for design, bits in (
        (twin.parade_design(brightness_rate_hz=100.0, layout=travelling), (1, 1, 1)),
        (twin.parade_design(**many, layout=Layout("from_middle", lit_share=1.0)), (256, 32_768, 32_768)),
    ):
        table, files = design.layout_table, firmware_files(design, design_digest="layout")
        answers.append((files, b"\0\1\1"))
        for name, bit in zip(("rank_of_pixel", "starts", "slopes"), bits, strict=True):
            numbers = getattr(table, name)
            damaged = replace(table, **{name: (*numbers[:-1], numbers[-1] ^ bit)})
            text = files["envlab_layout_table.h"].replace(
                "\n".join(layout_table_lines(table)), "\n".join(layout_table_lines(damaged))
            )
            asked = (design.words, design.codes, design.frame_words, design.guard_words)
            seen = golden_crc32(*asked, table) != golden_crc32(*asked, damaged)
            answers.append((files | {"envlab_layout_table.h": text}, b"\1\0\0" if seen else b"\1\0\1"))
    return [Probe(files, HERE / "boot_driver.c", (1, 3), b"\0", wanted, BOOT) for files, wanted in answers]


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
            if mutant.file in bench.probe.files and mutant.file in bench.probe.reaches:
                records = bench.records(mutant, Path(folder))
                if records is None:
                    return "does not compile"
                if records != bench.probe.wanted:
                    return "killed"
    return "survived"


def judge(every: int = 1) -> tuple[list[Mutant], list[str]]:
    """Return mutants, every so-manieth of them, and what became of each."""
    every_probe = probes()
    texts = {name: text for probe in every_probe for name, text in probe.files.items()}
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

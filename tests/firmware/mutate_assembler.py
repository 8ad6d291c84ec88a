"""Leaves out or changes each instruction of the 8-bit machine's products, and counts what is noticed.

Run as ``python tests/firmware/mutate_assembler.py``. A mutant is killed when it does not come back, or when
one record of product_driver.c differs. Survivors must be in EQUIVALENT, each with its reason.
"""

from __future__ import annotations

import re
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from firmware import product_vectors as vectors  # noqa: E402
from firmware.targets import MACHINES, Driver, run_machine  # noqa: E402

from envlab.firmware.marks import RUNTIME_FOLDER  # noqa: E402

INSTRUCTION = re.compile(r'"(?P<words>[a-z]+\b[^"]*)"')
# What one slip makes of an instruction: a carry forgotten or taken along, a step back and forth, a wrong
# half.
CHANGES = (
    (r"^adc\b", "add"), (r"^sbc\b", "sub"), (r"^add\b", "adc"), (r"^sub\b", "sbc"), (r"^adc\b", "sbc"),
    (r"^sbc\b", "adc"), (r"%A\[(a|step)\]", r"%B[\1]"), (r"%B\[(a|step)\]", r"%A[\1]"),
    (r"%A\[b\]", "%B[b]"), (r"%B\[b\]", "%A[b]"), (r"\br0$", "r1"), (r"\br1$", "r0"),
)  # fmt: skip
# What may be changed without any machine being able to tell: function and change, and why.
EQUIVALENT: dict[tuple[str, str, str], str] = {
    (
        "envlab_part_of_step",
        "add %A[low], %B[fine]",
        "adc %A[low], %B[fine]",
    ): "the sum before it has no carry: 128 + 255 * 255 stays within 16 bits",
}


@dataclass(frozen=True)
class Mutant:
    """One changed instruction: the function and line it stands in, before and after ("" where left out)."""

    function: str
    number: int
    before: str
    after: str

    @property
    def key(self) -> tuple[str, str, str]:
        """What names the mutant even when lines above it come and go."""
        return self.function, self.before, self.after


def source() -> list[str]:
    """Return the lines of envlab_products.h."""
    return (RUNTIME_FOLDER / "envlab_products.h").read_text("ascii").split("\n")


def mutants() -> list[Mutant]:
    """Return every change of the list above, and every instruction left out, in the assembler's part."""
    found: list[Mutant] = []
    function, inside = "", False
    for number, line in enumerate(source()):
        if line.startswith("#if") and "__AVR_HAVE_MUL__" in line:
            inside = True
        if inside and line == "#else":
            break
        if not inside:
            continue
        named = re.search(r"\b(envlab_\w+)\(", line)
        function = named[1] if named else function
        instruction = INSTRUCTION.search(line)
        if instruction is None or line.strip().startswith((":", "#")):
            continue
        words = instruction["words"]
        afters = {re.sub(pattern, becomes, words) for pattern, becomes in CHANGES} - {words}
        found += [Mutant(function, number, words, after) for after in ("", *sorted(afters))]
    return found


def verdict(mutant: Mutant, stimuli: bytes, wanted: bytes) -> str:
    """Return "killed", "survived" or "does not assemble"."""
    lines = source()
    lines[mutant.number] = lines[mutant.number].replace(f'"{mutant.before}"', f'"{mutant.after}"')
    machine = MACHINES["avr-multiplier"]
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        (folder / "envlab_products.h").write_text("\n".join(lines), "ascii")
        driver = Driver(
            (HERE / "product_driver.c",), vectors.INPUT_BYTES, vectors.RECORD_BYTES, include=(folder,)
        )
        try:
            machine.build(driver, folder)
        except RuntimeError:
            return "does not assemble"
        try:
            records = run_machine(machine, driver, stimuli, folder)
        except RuntimeError:
            return "killed"
    return "survived" if records == wanted else "killed"


def judge(found: list[Mutant]) -> list[str]:
    """Return what became of each mutant, in their order."""
    stimuli = vectors.product_stimuli()
    wanted = vectors.product_records(stimuli)
    with ThreadPoolExecutor(2) as pool:
        return list(pool.map(lambda mutant: verdict(mutant, stimuli.tobytes(), wanted), found))


def report(found: list[Mutant], verdicts: list[str]) -> tuple[str, int]:
    """Return what became of the mutants, in words, and how many of them need looking into."""
    lines, problems = [], 0
    for mutant, word in zip(found, verdicts, strict=True):
        reason = EQUIVALENT.get(mutant.key)
        if word == "survived":
            problems += reason is None
            lines.append(f"survived {mutant.number + 1}: {mutant.key}: {reason or 'NOT EXPLAINED'}")
        elif reason is not None:
            problems += 1
            lines.append(f"explained as equivalent, but {word}: {mutant.key}")
    counts = {word: verdicts.count(word) for word in ("killed", "survived", "does not assemble")}
    return "\n".join([*lines, str(counts)]), problems


def main() -> int:
    """Run every mutant, print what became of them, return 0 when all survivors are explained."""
    found = mutants()
    text, problems = report(found, judge(found))
    print(text)
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())

"""What one processor makes of a small question; a program, so that it can be told what to compile for.

    python tests/study/sweep/on_processor.py DESIGN.toml "A BOARD|ANOTHER" OUT.npz

Writes the readings of boards of the zoo, the sweep's table, the choice, and the boards of a tolerance run,
the first with one thread, then with two.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
from zoo import ZOO

from envlab.sound.recording import Recording
from envlab.study.specification.specification import read_specification
from envlab.study.sweep.choice import choose
from envlab.study.sweep.sweep import sweep
from envlab.study.tolerance.tolerance import tolerance

RATE_HZ = 48_000.0


def beats(length_s: float) -> Recording:
    """Dying bursts of noise over a hum, from half a pascal down: every stage has something to do."""
    rng, at_s = np.random.default_rng(16), np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    wave = 0.5 * rng.standard_normal(at_s.size) * np.exp(-(at_s % 0.25) / 0.05)
    return Recording(wave + 0.05 * np.sin(2 * np.pi * 55 * at_s), RATE_HZ)


def registers() -> list[str]:
    """Return the kinds of vector registers that the loop over lanes was compiled to use: x, y or z."""
    from envlab.analog.kernels import lane_kernels

    loops = lane_kernels.hold_groups, lane_kernels.hold_groups_in_twos
    codes = " ".join(code for loop in loops for code in loop.inspect_asm().values())
    return [kind for kind in "xyz" if f"%{kind}mm" in codes]


def main(design: Path, names: list[str], out: Path) -> None:
    """Write everything into one archive."""
    said: dict[str, np.ndarray] = {}
    sound = beats(0.5)
    for name in names or ZOO:
        said[f"counts {name}"] = ZOO[name].chain.run(sound).adc_counts
    asked = read_specification(design)
    for workers in (1, 2):
        table = sweep(asked, workers=workers)
        for column in table.columns:
            said[f"table {column} {workers}"] = table[column].to_numpy(dtype=float)
        choice = choose(table, asked)
        said[f"choice {workers}"] = np.array(choice.number)
        boards = tolerance(asked, chain=choice.chain, workers=workers).boards
        for column in boards.columns:
            said[f"boards {column} {workers}"] = boards[column].to_numpy(dtype=float)
    said["registers"] = np.array(registers())
    np.savez(out, **said)


if __name__ == "__main__":
    main(Path(sys.argv[1]), [one for one in sys.argv[2].split("|") if one], Path(sys.argv[3]))

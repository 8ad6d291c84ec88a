"""Processors with vectors of 128, 256 and 512 bits, one thread and two: the same choice, the same counts.

A processor with 128 bits here is one without a fused multiply-add, so that the last digits of sums differ; on
the others numpy's own loops differ. Readings and choice may not, nor metrics in any digit that is written.
Compiled loops are told what to compile for by numba's NUMBA_CPU_NAME and NUMBA_CPU_FEATURES, numpy's by
NPY_DISABLE_CPU_FEATURES; each processor has a cache of its own.

All 97 boards of the zoo: ENVLAB_WHOLE_ZOO=1 pytest -m slow tests/study/sweep/test_processors.py
"""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from reference.small_specification import write_small_design

PROGRAM = Path(__file__).with_name("on_processor.py")
# One of each way in which a board is computed.
BOARDS = (
    *("as it comes", "average, loaded", "differences, node lifted", "silicon"),
    *("as soldered", "electret", "loaded by the ADC"),
)
# Measured 8e-14; written are nine digits.
METRICS_WITHIN = 1e-12


@dataclass(frozen=True)
class Processor:
    """What numba is to compile for, and the widest registers that are then used: x 128, y 256, z 512 bits."""

    name: str
    features: str
    registers: str
    needs: str


PROCESSORS = {
    128: Processor("x86-64-v2", "", "x", "sse4.2"),
    256: Processor("haswell", "", "xy", "avx2"),
    # By itself the compiler takes half the width on this one.
    512: Processor("skylake-avx512", "-prefer-256-bit", "xyz", "avx512f"),
}


def here() -> list[int]:
    """Return the widths that this processor has; where it is of another kind, none."""
    import llvmlite.binding as llvm

    features = llvm.get_host_cpu_features()
    return [bits for bits, kind in PROCESSORS.items() if features.get(kind.needs, False)]


def without(bits: int) -> str:
    """Return the names of numpy's own loops that a narrower processor would not have."""
    from numpy._core._multiarray_umath import __cpu_dispatch__, __cpu_features__

    found = [name for name in __cpu_dispatch__ if __cpu_features__.get(name)]
    if bits == 512:
        return ""
    return " ".join(name for name in found if bits == 128 or "512" in name or name == "X86_V4")


def run_on(bits: int, design: Path, folder: Path) -> dict[str, np.ndarray]:
    kind, out = PROCESSORS[bits], folder / f"{bits}.npz"
    told = {
        "NUMBA_CPU_NAME": kind.name,
        "NUMBA_CPU_FEATURES": kind.features,
        "NUMBA_CACHE_DIR": str(folder / f"loops-{bits}"),
        "NPY_DISABLE_CPU_FEATURES": without(bits),
        "PYTHONPATH": os.pathsep.join(filter(None, sys.path)),
        "PYTHONWARNINGS": "ignore",
    }
    boards = "" if os.environ.get("ENVLAB_WHOLE_ZOO") else "|".join(BOARDS)
    subprocess.run(
        [sys.executable, str(PROGRAM), str(design), boards, str(out)], env=os.environ | told, check=True
    )
    with np.load(out) as archive:
        return {name: archive[name] for name in archive.files}


def apart(one: np.ndarray, other: np.ndarray) -> float:
    """Return by how much two columns lie apart at most, as a share; NaN and infinity stay where they are."""
    finite = np.isfinite(one)
    assert np.array_equal(one[~finite], other[~finite], equal_nan=True)
    size = np.maximum(np.abs(one[finite]), 1e-9)
    return float((np.abs(one[finite] - other[finite]) / size).max(initial=0.0))


@pytest.mark.slow
def test_every_width_gives_the_same_readings_and_choice(tmp_path: Path) -> None:
    design = write_small_design(tmp_path)
    design.write_text(design.read_text(encoding="utf-8") + "\n[tolerance]\nboards = 20\n", encoding="utf-8")
    widths = here()
    assert widths, "a processor that is no x86-64 needs names of its own here"
    said = {bits: run_on(bits, design, tmp_path) for bits in widths}
    first = said[widths[0]]
    assert sum(name.startswith("counts ") for name in first) >= len(BOARDS)
    for bits, found in said.items():
        assert "".join(found.pop("registers")) == PROCESSORS[bits].registers
        for name, values in found.items():
            if name.endswith(" 1"):
                assert np.array_equal(values, found[name[:-1] + "2"], equal_nan=True), (bits, name, "threads")
            if name.startswith(("counts ", "choice ")):
                assert np.array_equal(values, first[name]), (bits, name)
            else:
                assert apart(values, first[name]) <= METRICS_WITHIN, (bits, name)


def test_lying_apart_is_noticed() -> None:
    one = np.array([1.0, np.nan, np.inf, 0.0])
    assert apart(one, one.copy()) == 0
    assert apart(one, np.array([1.0, np.nan, np.inf, 1e-15])) == pytest.approx(1e-6)
    with pytest.raises(AssertionError):
        apart(one, np.array([1.0, 2.0, np.inf, 0.0]))

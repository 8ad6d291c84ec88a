"""Every benchmark runs, and what the suite says of two records follows from their numbers."""

from __future__ import annotations

import copy
import json
import platform
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from envlab.analog.kernels.vector_kernels import LANES, two_groups_fit

HERE = Path(__file__).parent
# As little as shows that it runs; bench_audition has a step of its own in CI, bench_start another.
SMALL = {
    "bench_chain.py": "--repeats 1",
    "bench_diode.py": "--repeats 1 --seconds 0.3",
    "bench_half_waves.py": "--repeats 1 --seconds 0.3",
    "bench_streamed.py": "--short 4 --long 8 --compare 4 --candidates 64",
    "bench_sweep.py": "--repeats 1 --seconds 0.3 --song 2",
    "bench_tolerance.py": "--boards 16 --exact 2",
}


def record(one_fma: float = 1.0, **medians: float) -> dict:
    """A record with these medians, their quartiles 1 % beside them."""
    rows = [
        {"kind": "bank", "name": name, "lower": 0.99 * at, "median": at, "upper": 1.01 * at}
        for name, at in {**medians, "one fma": one_fma}.items()
    ]
    return {"short": True, "machine": {"processor": "made up", "cores": 2}, "ratios": rows}


@pytest.fixture(scope="module")
def suite():
    sys.path.insert(0, str(HERE))
    try:
        import suite as found
    finally:
        sys.path.remove(str(HERE))
    return found


# Written by hand: a loop of two steps of 16 detectors, another around it, and one without vectors.
REGISTER = """
\tvmulpd %zmm1, %zmm2, %zmm3
\tvfmadd213pd %zmm8, %zmm4, %zmm1
\tvmaxpd %zmm1, %zmm3, %zmm1
"""
STEP = "\tvbroadcastsd (%rdi,%rax,8), %zmm8\n" + REGISTER + REGISTER.replace("213pd", "231pd")
ASSEMBLY = f"""
.outer:
\txorl %eax, %eax
.inner:
{STEP}{STEP}
\tjne\t.inner
\tvmaxpd %zmm11, %zmm13, %zmm11
\tjne\t.outer
.plain:
\taddq $1, %rax
\tjne\t.plain
"""


def test_what_a_step_takes_at_least_is_counted_in_the_assembly(suite):
    step_of = suite.bench_sweep.loop_floor.step_of
    loop = step_of(ASSEMBLY, each="max")
    assert loop.arithmetic == {"mul": 2, "fused": 2, "max": 2}
    assert (loop.bits, loop.lanes, loop.least_cycles) == (512, 16, 3.0)
    narrow = step_of(ASSEMBLY.replace("zmm", "ymm"), each="max")
    assert (narrow.bits, narrow.lanes, narrow.least_cycles) == (256, 8, 3.0)
    assert step_of("\tfmla v0.2d, v1.2d, v2.2d\n", each="max") is None


@pytest.mark.skipif(platform.machine() not in ("x86_64", "AMD64"), reason="assembly of x86")
def test_a_step_of_bank_and_plain_loop_is_what_their_formulas_say(suite):
    sweep = suite.bench_sweep
    contest = sweep.Contest(np.ones(4096), sweep.parts((220e-9, 4.7e-6), (470, 47e3)), sweep.Judged([], []))
    assert sweep.bank_s(contest) > 0
    assert sweep.multiply_add_s(contest) > 0
    bank, plain = sweep.loops().values()
    registers = bank.lanes * 64 // bank.bits
    # w ← max(bleed·w, charge·w + u) and y ← a·y + b·x: a register each.
    assert bank.arithmetic == dict.fromkeys(("mul", "fused", "max"), registers)
    assert plain.arithmetic == dict.fromkeys(("mul", "fused"), plain.lanes * 64 // plain.bits)
    assert bank.lanes == (2 if two_groups_fit() else 1) * LANES
    assert plain.lanes == LANES
    assert suite.machine()["loops"]["the bank"]["least_cycles"] == 1.5 * registers


@pytest.mark.slow
@pytest.mark.parametrize("name", SMALL)
def test_runs(name):
    done = subprocess.run(
        [sys.executable, HERE / name, *SMALL[name].split()], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert len(done.stdout.splitlines()) >= 3


def test_what_grew_is_said_and_counted(suite):
    lines, slower = suite.comparison(record(one=1.0, other=2.0), record(one=1.3, other=2.0), 0.15)
    assert slower == 1
    assert [line.endswith("SLOWER") for line in lines] == [True, False, False]
    assert "+30%" in lines[0]


def test_a_change_within_the_band_is_none(suite):
    assert suite.comparison(record(one=1.0), record(one=1.14), 0.15)[1] == 0


def test_a_change_within_the_scatter_is_none(suite):
    after = record(one=1.3)
    after["ratios"][0]["lower"] = 0.9
    assert suite.comparison(record(one=1.0), after, 0.15)[1] == 0


def test_two_processors_are_not_judged(suite):
    after = copy.deepcopy(record(one=9.0))
    after["machine"]["processor"] = "another"
    lines, slower = suite.comparison(record(one=1.0), after, 0.15)
    assert slower == 0
    assert "nothing is judged" in lines[-1]


def test_what_only_one_record_has_is_said(suite):
    lines, _ = suite.comparison(record(one=1.0), record(one=1.0, more=1.0), 0.15)
    assert [line for line in lines if "in one of them only" in line and "more" in line]


def test_a_gate_is_twice_the_kept_median(suite):
    kept = record(one=1.0, two=1.0)["ratios"]
    over = suite.beyond_gates(record(one=1.99, two=2.01, new=1.0)["ratios"], kept)
    assert over == ["bank, two: 2.01, gate 2.00", "bank, new: not in suite_short.json"]


def test_banks_are_judged_beside_what_the_processor_does_in_one_fma(suite):
    """Where the plain loop costs one fma and not two, ratios are twice as large, and nothing is slower."""
    kept = record(0.5, one=0.4)["ratios"]
    assert suite.beyond_gates(record(1.0, one=0.8)["ratios"], kept) == []
    assert suite.beyond_gates(record(1.0, one=1.7)["ratios"], kept) == ["bank, one: 1.70, gate 1.60"]
    assert suite.beyond_gates(record(0.5, one=0.9)["ratios"], kept) == ["bank, one: 1.80, gate 1.60"]


def test_no_number_is_no_pass(suite):
    assert suite.beyond_gates(record(one=float("nan"))["ratios"], record(one=1.0)["ratios"]) != []


def test_the_kept_record_says_of_which_machine_and_has_published_music(suite):
    kept = json.loads(suite.KEPT.read_text("utf-8"))
    assert kept["short"] and kept["machine"]["processor"] and kept["machine"]["versions"]["numba"]
    assert sum(row["name"].startswith("published ") for row in kept["ratios"]) == suite.EXCERPTS


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_memory_is_that_of_a_command_and_of_what_it_started():
    sys.path.insert(0, str(HERE))
    try:
        from memory_of import memory_of
    finally:
        sys.path.remove(str(HERE))
    # 200 MB in a process that another one starts, and waits for.
    below = "import time; held = bytearray(b'x') * 200_000_000; time.sleep(1.5)"
    above = f"import subprocess, sys; sys.exit(3 + subprocess.call([sys.executable, '-c', {below!r}]))"
    used = memory_of([sys.executable, "-c", above])
    assert used.status == 3
    assert used.alone_mb < 60
    assert 200 < used.together_mb < 320
    assert used.wall_s > 1.5
    alone = memory_of([sys.executable, "-c", below])
    assert alone.together_mb == alone.alone_mb > 200

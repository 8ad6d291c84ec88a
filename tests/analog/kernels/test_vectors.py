"""What each operation on a vector of lanes returns, said in numpy; and on which compilers it is proven.

The yardstick is numpy on the same numbers, lane by lane. Who replaces envlab/analog/kernels/vector_kernels.py
has done so rightly when this passes.
"""

from __future__ import annotations

import importlib.metadata
import re
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from envlab.analog.kernels.stage_kernels import compiled, held_next
from envlab.analog.kernels.vector_kernels import (
    LANES,
    PROVEN,
    above,
    any_above,
    either,
    everywhere,
    exponent,
    lesser,
    load,
    mantissa,
    size_of,
    smallest,
    store,
    times_two_to,
)

ROOT = Path(__file__).resolve().parents[3]
RNG = np.random.default_rng(5)
ONE, OTHER = RNG.normal(size=LANES), RNG.normal(size=LANES)
POSITIVE = np.exp(RNG.uniform(-200, 200, LANES))


@compiled
def _of_two(one: Any, other: Any, out: Any) -> None:
    a, b = load(one, 0), load(other, 0)
    store(out, 0, a + b)
    store(out, LANES, a - b)
    store(out, 2 * LANES, a * b)
    store(out, 3 * LANES, a / b)
    store(out, 4 * LANES, min(a, b))
    store(out, 5 * LANES, max(a, b))
    store(out, 6 * LANES, lesser(a, b))
    store(out, 7 * LANES, above(a, b))
    store(out, 8 * LANES, size_of(a))
    store(out, 9 * LANES, either(a, everywhere(0.25), b, a))


@compiled
def _of_one(positive: Any, power: float, out: Any) -> None:
    a = load(positive, 0)
    store(out, 0, exponent(a))
    store(out, LANES, mantissa(a))
    store(out, 2 * LANES, times_two_to(a, everywhere(power)))


@compiled
def _asked(one: Any, limit: float) -> tuple[float, bool]:
    return smallest(load(one, 0)), any_above(load(one, 0), limit)


@compiled
def _held(drive: Any, charge: Any, bleed: Any, start: Any, out: Any) -> None:
    w = load(start, 0)
    for u in drive:
        w = held_next(w, everywhere(u), load(charge, 0), load(bleed, 0))
    store(out, 0, w)


def test_two_vectors():
    out = np.empty(10 * LANES)
    _of_two(ONE, OTHER, out)
    below = np.where(ONE < 0.25, OTHER, ONE)
    plain = [
        ONE + OTHER,
        ONE - OTHER,
        ONE * OTHER,
        ONE / OTHER,
        np.minimum(ONE, OTHER),
        np.maximum(ONE, OTHER),
    ]
    plain += [np.minimum(ONE, OTHER), (ONE > OTHER).astype(float), np.abs(ONE), below]
    for place, expected in enumerate(plain):
        np.testing.assert_array_equal(out[place * LANES : (place + 1) * LANES], expected, err_msg=str(place))


@pytest.mark.parametrize("power", [0, 1, 7, -9])
def test_parts_of_a_number(power):
    out = np.empty(3 * LANES)
    # What times_two_to is given holds k in its last bits: 1.5·2^52 + k does.
    _of_one(POSITIVE, 1.5 * 2.0**52 + power, out)
    share, whole = np.frexp(POSITIVE)
    np.testing.assert_array_equal(out[:LANES], whole - 1)
    np.testing.assert_array_equal(out[LANES : 2 * LANES], 2 * share)
    np.testing.assert_array_equal(out[2 * LANES :], np.ldexp(POSITIVE, power))


@pytest.mark.parametrize("lane", [0, 7, 8, 15, 16, LANES - 1])
def test_one_lane_is_found_wherever_it_is(lane):
    values = np.ones(LANES)
    values[lane] = -2.0
    assert _asked(values, 1.0) == (-2.0, False)
    values[lane] = 3.0
    assert _asked(values, 2.5) == (1.0, True)
    assert not _asked(values, 3.0)[1]


def test_a_step_in_lanes_is_the_step_alone():
    drive = np.abs(RNG.normal(size=500))
    charge, bleed = RNG.uniform(0.5, 0.9, LANES), RNG.uniform(0.9, 0.9999, LANES)
    out = np.empty(LANES)
    _held(drive, charge, bleed, np.zeros(LANES), out)
    for lane in range(LANES):
        w = 0.0
        for u in drive:
            w = max(bleed[lane] * w, charge[lane] * w + u)
        # A fused multiply-add rounds once where this rounds twice.
        assert out[lane] == pytest.approx(w, rel=1e-13)


@pytest.mark.parametrize("name", PROVEN)
def test_the_compiler_is_one_on_which_it_is_proven(name):
    def number(version: str) -> tuple[int, ...]:
        return tuple(int(part) for part in re.findall(r"\d+", version)[:2])

    least, before = PROVEN[name]
    assert number(least) <= number(importlib.metadata.version(name)) < number(before)
    asked = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["dependencies"]
    assert f"{name}>={least},<{before}" in asked


def test_nobody_else_writes_for_the_compiler():
    package = ROOT / "envlab"
    # Who listens to the compiler's events writes nothing for it.
    pattern = re.compile(
        r"llvmlite|numba\.extending|numba\.core(?! import event$)|numba import types|@intrinsic", re.M
    )
    found = [path.relative_to(package) for path in package.rglob("*.py") if pattern.search(path.read_text())]
    assert found == [Path("analog/kernels/vector_kernels.py")]

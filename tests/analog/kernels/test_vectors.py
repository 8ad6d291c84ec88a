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
    address,
    any_above,
    both,
    either,
    everywhere,
    everywhere_in,
    exponent,
    lanes_of,
    lesser,
    load,
    mantissa,
    narrow,
    single,
    size_of,
    smallest,
    store,
    times_two_to,
    wide,
)

ROOT = Path(__file__).resolve().parents[3]
RNG = np.random.default_rng(5)
ONE, OTHER = RNG.normal(size=LANES), RNG.normal(size=LANES)
POSITIVE = np.exp(RNG.uniform(-200, 200, LANES))


@compiled
def _of_two(one: Any, other: Any, limit: Any, out: Any) -> None:
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
    store(out, 9 * LANES, either(a, load(limit, 0), b, a))


@compiled
def _of_one(positive: Any, power: Any, out: Any) -> None:
    a = load(positive, 0)
    store(out, 0, exponent(a))
    store(out, LANES, mantissa(a))
    store(out, 2 * LANES, times_two_to(a, load(power, 0)))


@compiled
def _of_both(numbers: Any, doubles: Any, singles: Any) -> None:
    a = load(numbers, 0)
    store(singles, 0, narrow(a))
    store(singles, LANES, single(0.1))
    store(doubles, 0, wide(narrow(a)))
    store(doubles, LANES, everywhere(0.1))
    store(doubles, 2 * LANES, either(single(0.0), narrow(a), a, everywhere(0.0)))


@compiled
def _of_twice_the_width(one: Any, other: Any, number: Any, out: Any) -> tuple[int, int, float]:
    pair = both(load(one, 0), load(other, 0))
    store(out, 1, pair + everywhere_in(pair, number))
    return lanes_of(load(one, 0)), lanes_of(pair), smallest(pair)


@compiled
def _by_address(numbers: Any, out: Any) -> None:
    place = address(numbers)
    store(address(out), LANES, load(place, 1))
    address(out)[0] = place[2]


@compiled
def _asked(one: Any, limit: float) -> tuple[float, bool]:
    return smallest(load(one, 0)), any_above(load(one, 0), limit)


@compiled
def _held(drive: Any, charge: Any, bleed: Any, start: Any, out: Any) -> None:
    w = load(start, 0)
    for u in drive:
        w = held_next(w, everywhere(u), load(charge, 0), load(bleed, 0))
    store(out, 0, w)


@pytest.mark.parametrize("kind", [np.float64, np.float32])
def test_two_vectors(kind):
    one, other = ONE.astype(kind), OTHER.astype(kind)
    out, limit = np.empty(10 * LANES, kind), np.full(LANES, 0.25, kind)
    _of_two(one, other, limit, out)
    below = np.where(one < 0.25, other, one)
    plain = [
        one + other,
        one - other,
        one * other,
        one / other,
        np.minimum(one, other),
        np.maximum(one, other),
    ]
    plain += [np.minimum(one, other), (one > other).astype(kind), np.abs(one), below]
    for place, expected in enumerate(plain):
        np.testing.assert_array_equal(out[place * LANES : (place + 1) * LANES], expected, err_msg=str(place))


# What times_two_to is given holds k in its last bits: 1.5·2^52 + k does, and of singles 1.5·2^23 + k.
@pytest.mark.parametrize(("kind", "bits"), [(np.float64, 52), (np.float32, 23)])
@pytest.mark.parametrize("power", [0, 1, 7, -9])
def test_parts_of_a_number(kind, bits, power):
    positive = (POSITIVE if kind is np.float64 else np.cbrt(np.sqrt(POSITIVE))).astype(kind)
    out = np.empty(3 * LANES, kind)
    _of_one(positive, np.full(LANES, 1.5 * 2.0**bits + power, kind), out)
    share, whole = np.frexp(positive)
    np.testing.assert_array_equal(out[:LANES], whole - 1)
    np.testing.assert_array_equal(out[LANES : 2 * LANES], 2 * share)
    np.testing.assert_array_equal(out[2 * LANES :], np.ldexp(positive, power))


def test_a_single_is_the_nearest_to_its_double():
    doubles, singles = np.empty(3 * LANES), np.empty(2 * LANES, np.float32)
    _of_both(ONE, doubles, singles)
    nearest = ONE.astype(np.float32)
    np.testing.assert_array_equal(singles[:LANES], nearest)
    np.testing.assert_array_equal(doubles[:LANES], nearest.astype(float))
    np.testing.assert_array_equal(singles[LANES:], np.float32(0.1))
    np.testing.assert_array_equal(doubles[LANES : 2 * LANES], 0.1)
    np.testing.assert_array_equal(doubles[2 * LANES :], np.where(ONE > 0, ONE, 0.0))


@pytest.mark.parametrize("kind", [np.float64, np.float32])
def test_an_address_reads_and_writes_its_array(kind):
    numbers, out = np.arange(2 * LANES).astype(kind), np.zeros(2 * LANES, kind)
    _by_address(numbers, out)
    assert out[0] == 2
    np.testing.assert_array_equal(out[LANES:], numbers[1 : LANES + 1])


@pytest.mark.parametrize("kind", [np.float64, np.float32])
@pytest.mark.parametrize("least", [0, LANES - 1, LANES, 2 * LANES - 1])
def test_two_vectors_are_one_of_twice_the_width(kind, least):
    values, out = np.arange(1, 2 * LANES + 1).astype(kind), np.zeros(2 * LANES + 2, kind)
    values[least] = -3
    said = _of_twice_the_width(values[:LANES].copy(), values[LANES:].copy(), kind(0.5), out)
    assert said == (LANES, 2 * LANES, -3)
    np.testing.assert_array_equal(out, [0, *(values + 0.5), 0])


@pytest.mark.parametrize("lane", [0, 7, 8, 15, 16, LANES - 1])
@pytest.mark.parametrize("kind", [np.float64, np.float32])
def test_one_lane_is_found_wherever_it_is(lane, kind):
    values = np.ones(LANES, kind)
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

"""Captures that cannot be judged: one line each, with what to do, and no number."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bench.invented import bench, capture_of, drawn

from envlab.bench.captures.capture import Capture
from envlab.errors import EnvlabError


@pytest.fixture(scope="module")
def good() -> Capture:
    rng = np.random.default_rng(77)
    return capture_of(drawn("wire", 10, rng), "wire", 10, rng)


def refused(capture: Capture, match: str) -> str:
    with pytest.raises(EnvlabError, match=match) as said:
        bench("wire", 10)[0].check(capture)
    assert "\n" not in str(said.value)
    return str(said.value)


def test_too_short(good):
    half = good.values.size // 2
    text = refused(
        replace(good, values=good.values[:half], time_s=good.time_s[:half]), "capture the whole file"
    )
    assert "bench signal 15." in text
    broken = replace(good, values=good.values[:half], time_s=good.time_s[:half], is_partial=True)
    refused(broken, "it broke off")


def test_counts_above_the_top(good):
    refused(replace(good, values=4 * good.values + 900), r"ends at 1023")


def test_negative_counts(good):
    refused(replace(good, values=good.values - 50), "none below 0")


def test_too_slow_for_the_attack(good):
    slow = slice(None, None, 40)
    text = refused(replace(good, values=good.values[slow], time_s=good.time_s[slow]), "too few for an attack")
    assert "at least 132 are wanted" in text


def test_another_designs_log(good):
    refused(replace(good, export_mark=1), "0x00000001, this design's is 0x")
    refused(replace(good, bits=12), "12 bit, the design's 10")
    refused(replace(good, rate_hz=500.0), "log of another design")


def test_no_marks(good):
    rng = np.random.default_rng(3)
    refused(replace(good, values=np.floor(rng.uniform(0, 300, good.values.size))), "marks were not found")


def test_automatic_gain_of_the_sound_card(good):
    """Gain that brings every level near one loudness."""
    rest = good.values[:30].mean()
    above = np.maximum(good.values - rest, 0.0)
    steady = rest + 240 * (above / 270) ** 0.12 * (above > 1.5)
    text = refused(
        replace(good, values=np.floor(steady)), "turn off every automatic gain|marks were not found"
    )
    assert "automatic gain" in text

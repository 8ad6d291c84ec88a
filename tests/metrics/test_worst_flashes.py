"""Flashes of a design with a colour: the larger of general and red ones, kept or counted in passing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from envlab.chain import Chain
from envlab.light.costume_colour import CostumeColour
from envlab.light.flashes.flash import count_flashes
from envlab.metrics.clip_metrics import clip_metrics
from envlab.metrics.streaming_metrics import StreamingMetrics
from envlab.metrics.worst_flashes import most_flashes, red_flashes

WHITE = Chain()
RED = replace(WHITE, colour=CostumeColour("#ff0000"))


def dips(frames: int = 400) -> np.ndarray:
    """A dim glow that goes out six times a second: no change of 10 %, but red comes and goes."""
    glow = RED.count_map().floor_counts * 2.2
    return np.where(np.arange(frames) % 16 < 8, glow, 0.0).round()


def test_a_dim_red_that_goes_out_flashes_red_and_not_otherwise():
    counts = dips()[np.newaxis]
    assert clip_metrics(counts, [WHITE]).flashes_per_s[0] == 0
    assert clip_metrics(counts, [RED]).flashes_per_s[0] == 6


def test_streamed_equals_kept():
    rows = np.stack([dips(), np.roll(dips(), 5), np.where(np.arange(400) % 20 < 10, 600.0, 0.0)])
    chains = [RED] * 3
    tables = [one.brightness_table() for one in chains]
    streamed = StreamingMetrics(chains, tables, rows.shape[1])
    for block in np.split(rows.astype(np.int32), [3, 130, 131, 300], axis=1):
        streamed.take(np.ascontiguousarray(block))
    kept = clip_metrics(rows, chains, tables)
    assert streamed.columns().metrics.flashes_per_s.tolist() == kept.flashes_per_s.tolist()
    assert kept.flashes_per_s.tolist() == [6, 6, 5]


def test_of_a_light_the_larger_count_of_both():
    luminance = np.where(np.arange(400) % 20 < 10, 1.0, 0.0)
    assert red_flashes(WHITE, luminance) == 0
    assert most_flashes(WHITE, luminance) == count_flashes(luminance, 100.0)
    assert most_flashes(RED, luminance) == max(red_flashes(RED, luminance), count_flashes(luminance, 100.0))
    dim = np.where(np.arange(400) % 16 < 8, 0.05, 0.0)
    assert most_flashes(WHITE, dim) == 0
    assert most_flashes(RED, dim) == red_flashes(RED, dim) == 6


@pytest.mark.parametrize("limit", ["table", "frame"])
def test_both_ways_to_spare_the_supply_have_a_colour(limit):
    chain = replace(RED, current_limit=limit)
    assert red_flashes(chain, np.where(np.arange(400) % 20 < 10, 1.0, 0.0)) == 5

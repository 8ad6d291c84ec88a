"""Where a chain is fed and over which copper: by hand, and the drop against sums along the wire."""

from __future__ import annotations

import numpy as np
import pytest

from envlab.errors import ParameterError
from envlab.light.pixels import Pixels
from envlab.light.power.feed import Feed, pixel_needs_v, wiring_of
from envlab.light.power.wiring import wire_drop


def test_copper_by_hand():
    # 0.5 mm²: 0.01724/0.5 = 0.0345 Ω/m ([IEC60028], from memory); 0.6 m out and back are 41 mΩ.
    wiring = wiring_of(Feed("start", 0.04, 0.5, 0.6), 24)
    assert wiring.conductor_ohm_per_m == pytest.approx(0.03448)
    assert wiring.feed_ohm == pytest.approx(2 * 0.6 * 0.03448)
    assert (wiring.pitch_m, wiring.feeds) == (0.04, (0,))


def test_what_is_not_stated_is_taken():
    wiring = wiring_of(Feed(), 10)
    assert wiring.pitch_m == 0.04
    assert wiring.conductor_ohm_per_m == pytest.approx(0.01724 / 0.2)
    assert wiring.feed_ohm == pytest.approx(0.01724 / 0.2)
    assert pixel_needs_v(Feed(), Pixels(forward_v=3.2)) == pytest.approx(3.7)
    assert pixel_needs_v(Feed(pixel_needs_v=4.0), Pixels()) == 4.0


@pytest.mark.parametrize(
    ("fed_from", "count", "feeds"),
    [("start", 24, (0,)), ("both_ends", 24, (0, 23)), ("middle", 25, (12,)), ("both_ends", 1, (0,)),
     ("middle", 1, (0,)), ("middle", 2, (0,))],
)  # fmt: skip
def test_where_it_is_fed(fed_from, count, feeds):
    assert Feed(fed_from).feeds(count) == feeds


@pytest.mark.parametrize("fed_from", ["start", "middle", "both_ends"])
def test_the_drop_against_currents_summed_along_the_wire(fed_from):
    """Independent: link by link, each carries what the pixels behind it take; from both ends by symmetry."""
    count, each_a = 24, 0.45
    wiring = wiring_of(Feed(fed_from, 0.05, 0.34, 0.8), count)
    link_ohm = 2 * wiring.conductor_ohm_per_m * wiring.pitch_m
    first = wiring.feeds[0]
    behind = {"start": count - 1, "middle": count - 1 - first, "both_ends": count // 2 - 1}[fed_from]
    fed = {"start": count, "middle": count, "both_ends": count / 2}[fed_from]
    drop_v = fed * each_a * wiring.feed_ohm + sum(each_a * k * link_ohm for k in range(1, behind + 1))
    computed = wire_drop(np.full(count, each_a), wiring, 5.0)
    assert computed.lowest_v == pytest.approx(5.0 - drop_v, rel=1e-9)


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"fed_from": "end"}, "fed_from is 'end'; it must be one of start, both_ends, middle"),
        ({"pitch_m": 0.0}, "pitch_m is 0.0; it must be from 0.001 to 10 m"),
        ({"wire_mm2": 0.0}, "wire_mm2 is 0.0; it must be from 0.01 to 100 mm²"),
        ({"lead_m": -1.0}, "lead_m is -1.0; it must be from 0 to 100 m"),
    ],
)
def test_what_cannot_be_is_refused(change, text):
    with pytest.raises(ParameterError) as refused:
        Feed(**change)
    assert text in str(refused.value)

"""By air, in a room: intervals grow by what an echo may have moved, and not without one.

The long figure stands in DEVELOPERS.md (`tests/bench/room.py 20100 20`). Attack, release,
offset, dead zone and clock hold on boards 0 to 3 and 10 to 13. Half an interval grows from 0.16 % to some
200 % of the attack and from 0.02 % to some 30 % of the release: by air, in such a room, no attack is told.
"""

from __future__ import annotations

import numpy as np
import pytest
from bench.room import fitted_in, half_width

from envlab.bench.fit.room_error import slow_share


def test_noise_from_reading_to_reading_is_no_room():
    rng = np.random.default_rng(8)
    for _ in range(20):
        assert slow_share(rng.standard_normal(15_000)) == 0.0


def test_what_moves_slowly_is_measured():
    """A sine of amplitude 3 has a mean square of 4.5, whatever noise it stands in."""
    rng = np.random.default_rng(9)
    slow = 3 * np.sin(2 * np.pi * np.arange(20_000) / 500)
    assert slow_share(slow + rng.standard_normal(20_000)) == pytest.approx(4.5, rel=0.03)


@pytest.mark.slow
def test_in_a_room_intervals_grow_and_hold():
    room, none = fitted_in(20, with_room=True), fitted_in(20, with_room=False)
    for name in ("attack_s", "release_s"):
        assert room[name][0].holds(room[name][1]), (name, room[name])
        assert half_width(name, *room[name]) > 20 * half_width(name, *none[name])
        assert none[name][0].value == pytest.approx(none[name][1], rel=0.01)

"""A looped passage can flash where the clip does not: at the seam."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from envlab.light.flashes.flash import count_flashes
from envlab.study.listening.metrics import looped_flashes

RATE_HZ = 100.0


def light(pulses_s: list[float], duration_s: float) -> SimpleNamespace:
    """Dark, but for pulses of 50 ms at full light."""
    luminance = np.zeros(round(duration_s * RATE_HZ))
    for start_s in pulses_s:
        first = round(start_s * RATE_HZ)
        luminance[first : first + 5] = 1.0
    return SimpleNamespace(relative_luminance=luminance, frame_rate_hz=RATE_HZ, total_frames=luminance.size)


def test_two_pulses_at_each_end_are_four_in_a_second_when_looped():
    seen = light([2.1, 2.3, 5.6, 5.8], 8.0)
    assert count_flashes(seen.relative_luminance, RATE_HZ) == 2
    report = looped_flashes(seen, (2.0, 6.0))
    assert report.worst_per_s == 4
    # The worst second begins before the seam; its instant is told within the passage.
    assert 5.0 <= report.worst_start_s <= 5.8


@pytest.mark.parametrize(("length_s", "flashes"), [(0.5, 2), (0.25, 4), (2.0, 1)])
def test_one_pulse_in_a_short_loop_comes_as_often_as_the_loop(length_s, flashes):
    seen = light([1.1], 4.0)
    assert looped_flashes(seen, (1.0, 1.0 + length_s)).worst_per_s == flashes


def test_what_lies_outside_is_not_counted():
    seen = light([0.2, 0.4, 0.6, 0.8, 3.5], 6.0)
    assert looped_flashes(seen, (3.0, 5.0)).worst_per_s == 1
    assert looped_flashes(seen, (0.0, 6.0)).worst_per_s == 4

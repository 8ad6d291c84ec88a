"""The sliding second of [WCAG2.2], in whole frames; flash.py states what is counted in it."""

from __future__ import annotations

import math

from envlab.errors import check_range


def window_reach(frame_rate_hz: float) -> int:
    """Return how many frames apart two frame starts within one second can lie."""
    check_range("frame_rate_hz", frame_rate_hz, 1.0, 10_000.0, unit="Hz")
    return math.floor(frame_rate_hz + 1e-9)

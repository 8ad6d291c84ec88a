"""Where the yoke's pixels stand in a preview: in one line, or as worn over both shoulders."""

from __future__ import annotations

from typing import Literal

import numpy as np

from envlab.units import FloatArray

Layout = Literal["line", "shoulders"]
LAYOUTS = ("line", "shoulders")
# More dots than this cannot be told apart; all pixels of a table shine alike, so fewer show the same.
MOST_DOTS = 120

# Half of the yoke's centre line from the breast over the shoulder down the upper arm, seen from the front, as
# Bézier curves; unit: half the shoulders' breadth, x to the wearer's side, y down.
HALF_YOKE = (
    ((0, 0.66), (0.24, 0.66), (0.34, 0.46), (0.39, 0.24)),
    ((0.39, 0.24), (0.43, 0.08), (0.57, 0.01), (0.73, 0.07)),
    ((0.73, 0.07), (0.93, 0.15), (1.01, 0.34), (1.04, 0.6)),
)
_STEPS = 40
_LINE_SHARE = 0.94


def dots(count: int, layout: Layout, width: int, height: int) -> tuple[FloatArray, float]:
    """Return centres (dots, 2) as x, y in a box of width × height, and the radius, in screen pixels."""
    shown = min(count, MOST_DOTS)
    if layout == "line":
        gap = _LINE_SHARE * width / shown
        x = width / 2 + gap * (np.arange(shown) - (shown - 1) / 2)
        return np.stack((x, np.full(shown, height / 2)), axis=1), _radius(gap, height)
    unit, shoulders_y = _wearer(width, height)
    places, gap = _evenly_along(_yoke_line(), shown)
    return places * unit + (width / 2, shoulders_y), _radius(gap * unit, height)


def _radius(gap: float, height: int) -> float:
    return max(1.5, min(0.27 * gap, 0.08 * height))


def wearer_head(width: int, height: int) -> tuple[float, float, float]:
    """Return centre x, y and half the height of the wearer's head, in the same box."""
    unit, shoulders_y = _wearer(width, height)
    return width / 2, shoulders_y - 0.32 * unit, 0.29 * unit


def _wearer(width: int, height: int) -> tuple[float, float]:
    return min(width / 2.9, height / 1.55), 0.42 * height


def _yoke_line() -> FloatArray:
    t = np.linspace(0.0, 1.0, _STEPS + 1)[:, None]
    weights = ((1 - t) ** 3, 3 * (1 - t) ** 2 * t, 3 * (1 - t) * t**2, t**3)
    curves = [
        np.sum([w * np.array(p) for w, p in zip(weights, curve, strict=True)], axis=0) for curve in HALF_YOKE
    ]
    half = np.concatenate([curves[0], *(curve[1:] for curve in curves[1:])])
    return np.concatenate([half[:0:-1] * (-1, 1), half])


def _evenly_along(points: FloatArray, count: int) -> tuple[FloatArray, float]:
    lengths = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))))
    gap = float(lengths[-1]) / count
    wanted = gap * (np.arange(count) + 0.5)
    return np.stack([np.interp(wanted, lengths, points[:, axis]) for axis in (0, 1)], axis=1), gap

"""Which time constants keep what is asked: a metric over attack and release, limits outlined."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import QuadMesh
from matplotlib.colors import LogNorm, Normalize
from matplotlib.ticker import FuncFormatter, NullFormatter
from numpy.typing import NDArray

from envlab.analog.detector import PeakDetector
from envlab.metrics.catalogue import FLASH_METRIC, METRICS, Better
from envlab.plot.palette import INK, INK_ON_MAP, ON_MAP, SOFT
from envlab.plot.style import SMALL_PT, TEXT_PT, dress, heading, note
from envlab.plot.sweep.better_direction import better_side, target_of
from envlab.plot.sweep.map_marks import DASHED, SOLID, divide, dots, name_inside, outline, ring
from envlab.study.specification.specification import Specification
from envlab.study.specification.targets import Target
from envlab.study.sweep.choice import Choice
from envlab.units import FloatArray

STEPS_A_DECADE = 6
FLASH_WORDS = "keeps the flash limit"
_SIDE_WORDS: dict[Better, str] = {"high": ": more is better", "low": ": less is better", "neither": ""}
_COLOURS: dict[Better, str] = {"high": "cividis", "low": "cividis_r", "neither": "Greys"}
OVER_DECADES = ("attack_ms", "attack_60hz_ms", "release_ms")


@dataclass(frozen=True, eq=False)
class TimeMap:
    """Candidates at the chosen gain on squares of a sixth of a decade of two time constants.

    attack_step, release_step: shape (squares,), whole numbers n of 10^(n/6) seconds. row: the number of the
    best-ranked candidate of each square. chosen_s: Ra·C and Rr·C of the choice.
    """

    attack_step: NDArray[np.int64]
    release_step: NDArray[np.int64]
    row: NDArray[np.int64]
    chosen_s: tuple[float, float]


def _time_constants_s(choice: Choice) -> tuple[FloatArray, FloatArray] | None:
    """Return (Ra·C, Rr·C) of every candidate, each of shape (candidates,), s; None without these parts."""
    detector = choice.chain.detector
    if not isinstance(detector, PeakDetector):
        return None

    def part(name: str) -> FloatArray:
        key = f"detector.{name}"
        if key in choice.table:
            return choice.table[key].to_numpy(float)
        return np.full(len(choice.table), float(getattr(detector, name)))

    hold = part("hold_farad")
    return part("attack_ohm") * hold, part("release_ohm") * hold


def time_map(choice: Choice, specification: Specification) -> TimeMap | None:
    """Return the squares to draw; None if the sweep does not move both time constants."""
    both = _time_constants_s(choice)
    if both is None:
        return None
    fixed = ("detector.attack_ohm", "detector.hold_farad", "detector.release_ohm")
    shown = np.ones(len(choice.table), dtype=bool)
    for key in specification.ranges:
        if key not in fixed:
            shown &= (choice.table[key] == choice.row[key]).to_numpy()
    steps = [np.round(STEPS_A_DECADE * np.log10(tau)).astype(np.int64) for tau in both]
    best: dict[tuple[int, int], int] = {}
    rank = choice.table["rank"].to_numpy(int)
    for number in np.flatnonzero(shown):
        square = (int(steps[0][number]), int(steps[1][number]))
        if square not in best or rank[number] < rank[best[square]]:
            best[square] = int(number)
    attack, release = np.array(list(best), dtype=np.int64).T
    if min(np.unique(attack).size, np.unique(release).size) < 2:
        return None
    chosen_s = (float(both[0][choice.number]), float(both[1][choice.number]))
    return TimeMap(attack, release, np.array(list(best.values())), chosen_s)


def time_constant_map(
    choice: Choice,
    specification: Specification,
    ax: Axes,
    metric: str = "beat_contrast_lstar",
    *,
    named: bool = True,
) -> Axes:
    """Draw one metric of the sweep over Ra·C and Rr·C at the chosen gain, with what keeps the limits.

    metric: a key of metrics.catalogue.METRICS. Each square shows its best-ranked candidate; the brighter, the
    better, whichever way that is; in greys, the darker, the more, where no way is better. Solid outline:
    keeps the flash limit; with dots in it: meets every target. Dashed: on one side the metric's own target is
    kept. named: whether the map says so itself. Raises ValueError if time_map has nothing to draw.
    """
    squares = time_map(choice, specification)
    if squares is None:
        raise ValueError("this sweep does not move both time constants")
    grid = _Grid.of(squares)
    values = grid.spread(choice.table[metric].to_numpy(float)[squares.row], np.nan)
    safe = grid.spread(choice.table["flash_safe"].to_numpy(bool)[squares.row], False)
    meets = choice.table["violation"].to_numpy(float)[squares.row] == 0
    x_ms, y_ms = grid.edges_ms
    _axes_of_map(ax, x_ms, y_ms)
    if np.isfinite(values).any():
        mesh = _squares(ax, grid, values, metric, specification)
        label = _scale_words(metric, specification) if named else METRICS[metric].axis
        _colour_scale(ax, mesh, label, target_of(metric, specification.targets))
    else:
        note(ax, "not judged", (0.5, 0.5), coords="axes fraction", ha="center", colour=SOFT)
    outline(ax, safe, x_ms, y_ms, FLASH_WORDS)
    target = target_of(metric, specification.targets)
    if target is not None and metric != FLASH_METRIC and np.isfinite(values).any():
        divide(ax, target.violation(values) == 0, np.isfinite(values), x_ms, y_ms, "keeps its own target")
    feasible = safe & grid.spread(meets, False)
    outline(ax, feasible, x_ms, y_ms, "meets every target")
    dots(ax, feasible, x_ms, y_ms, "meets every target")
    ring(ax, 1e3 * squares.chosen_s[0], 1e3 * squares.chosen_s[1], "chosen")
    if named:
        name_inside(ax, safe, feasible, x_ms, y_ms, FLASH_WORDS)
        heading(ax, "Ring: chosen. Dots: meet every target.", SOFT)
    return ax


@dataclass(frozen=True, eq=False)
class _Grid:
    """Where each square lies, and the edges of columns and rows, ms."""

    place: tuple[NDArray[np.int64], NDArray[np.int64]]
    shape: tuple[int, int]
    edges_ms: tuple[FloatArray, FloatArray]

    @classmethod
    def of(cls, squares: TimeMap) -> _Grid:
        left, low = squares.attack_step.min(), squares.release_step.min()
        place = (squares.release_step - low, squares.attack_step - left)
        shape = (int(place[0].max()) + 1, int(place[1].max()) + 1)
        x_ms, y_ms = (
            1e3 * 10 ** ((first + np.arange(count + 1) - 0.5) / STEPS_A_DECADE)
            for first, count in ((left, shape[1]), (low, shape[0]))
        )
        return cls(place, shape, (x_ms, y_ms))

    def spread(self, values: NDArray[Any], empty: Any) -> NDArray[Any]:
        """Shape (rows, columns); empty where no candidate lies."""
        every = np.full(self.shape, empty)
        every[self.place] = values
        return every


def _axes_of_map(ax: Axes, x_ms: FloatArray, y_ms: FloatArray) -> None:
    ax.set(xscale="log", yscale="log")
    dress(ax, x="Ra·C, ms  (attack: R4 × C3)", y="Rr·C, ms  (release: R5 × C3)", grid="none")
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    ax.set_xlim(x_ms[0] / 1.15, x_ms[-1] * 1.15)
    ax.set_ylim(y_ms[0] / 1.15, y_ms[-1] * 1.15)


def _squares(
    ax: Axes, grid: _Grid, values: FloatArray, metric: str, specification: Specification
) -> QuadMesh:
    side = better_side(metric, specification.targets)
    x_ms, y_ms = grid.edges_ms
    return ax.pcolormesh(
        x_ms,
        y_ms,
        values,
        cmap=_COLOURS[side],
        norm=_norm(values, metric, specification),
        linewidth=0.5,
        edgecolors="face",
        rasterized=True,  # hundreds of squares a map: as an image they weigh nothing
    )


def _norm(values: FloatArray, metric: str, specification: Specification) -> Normalize:
    """Times over decades as decades; the rest from 0 to what its target makes worth telling apart."""
    shown = values[np.isfinite(values)]
    lowest, highest = float(shown.min()), float(shown.max())
    if metric in OVER_DECADES and lowest > 0:
        return LogNorm(lowest, max(highest, 1.01 * lowest))
    target = target_of(metric, specification.targets)
    if target is not None and target.limit > 0:
        worth = 4 * target.limit if target.side == "at_most" else highest
        highest = max(min(highest, worth), 1.25 * target.limit)
    bottom = min(0.0, lowest)
    return Normalize(bottom, highest if highest > bottom else bottom + 1.0)


def _scale_words(metric: str, specification: Specification) -> str:
    side = _SIDE_WORDS[better_side(metric, specification.targets)]
    target = target_of(metric, specification.targets)
    return f"{METRICS[metric].axis}{side}{'' if target is None else ', target dashed'}"


def _colour_scale(ax: Axes, mesh: QuadMesh, words: str, target: Target | None) -> None:
    low, high = mesh.get_clim()
    above = bool((np.ma.asarray(mesh.get_array()) > high).any())
    bar = ax.figure.colorbar(mesh, ax=ax, pad=0.02, aspect=30, extend="max" if above else "neither")
    bar.set_label(words, fontsize=TEXT_PT, color=INK)
    bar.ax.tick_params(which="both", labelsize=SMALL_PT, colors=SOFT, labelcolor=INK, width=0.7)
    bar.ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    bar.ax.yaxis.set_minor_formatter(NullFormatter())
    bar.outline.set_visible(False)
    if target is not None and low <= target.limit <= high:
        for hue, width, style in ((ON_MAP, 3.2, SOLID), (INK_ON_MAP, 1.6, DASHED)):
            bar.ax.axhline(target.limit, color=hue, linewidth=width, linestyle=style)

"""Layouts of light side by side: every pixel through the same few seconds, as a screen shows it."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from envlab.errors import NotJudgedError
from envlab.light.lightness import srgb_encode
from envlab.plot.palette import INK, colour
from envlab.plot.strips import LANTERN, strip_label
from envlab.plot.style import beside_heading, dress, heading, margin_note, no_ticks, sheet
from envlab.study.layouts.compared import LayoutScene
from envlab.study.layouts.comparison import LayoutComparison
from envlab.study.layouts.figures import LayoutFigures

_ROW_MM, _TRACE_MM = 17.0, 22.0
MOST_ROWS = 240
MOST_COLUMNS = 1200
# Lines that lie closer than so many per cent cannot be told apart.
_SAME = 1.0
_STYLES = (("solid", "-"), ("dashed", (0, (5, 2))), ("dotted", (0, (1, 1.2))))


def layouts_sheet(found: LayoutComparison) -> Figure:
    """Return the layouts as strips, pixel by pixel, and below them the luminous intensity of the whole.

    Parameters
    ----------
    found : LayoutComparison
        As envlab.judge.judge_layouts gives it, with a clip that could be judged.

    Returns
    -------
    matplotlib Figure
    """
    scene = found.scene
    if scene is None:
        raise NotJudgedError("layouts: no clip could be judged, there is nothing to draw")
    names = [one.name for one in found.figures]
    fig = sheet(_TRACE_MM + 14 + _ROW_MM * len(names))
    heights = [*([_ROW_MM] * len(names)), _TRACE_MM]
    axes = fig.subplots(len(heights), 1, sharex=True, height_ratios=heights)
    for one, ax in zip(found.figures, axes, strict=False):
        pixel_strip(scene, one.name, ax)
        strip_label(ax, _label(one.name, found))
        margin_note(ax, _beside(one), 0.5)
    heading(axes[0], "Every pixel, the first at the bottom", colour("light"))
    beside_heading(axes[0], f"{scene.clip.replace('_', ' ')}, from {scene.start_s:.0f} s on")
    _whole(scene, names, axes[-1])
    return fig


def pixel_strip(scene: LayoutScene, name: str, ax: Axes) -> Axes:
    """Draw the pixels of one layout over time, each as a screen shows its light over that of one at full.

    Luminance times the lantern's hue is coded for the screen after sRGB [IEC61966-2-1]. Of a long chain or
    many frames as many rows and columns as fit on paper.
    """
    codes = scene.codes[name]
    rows = _thinned(codes.shape[1], MOST_ROWS)
    columns = _thinned(codes.shape[0], MOST_COLUMNS)
    luminance = codes[columns][:, rows].T / scene.full_code
    screen = srgb_encode(luminance[..., None] * np.array(LANTERN))
    extent = (0.0, codes.shape[0] / scene.frame_rate_hz, 0.0, 1.0)
    ax.imshow(screen, aspect="auto", interpolation="nearest", extent=extent, origin="lower")
    dress(ax, grid="none")
    no_ticks(ax, y=True)
    ax.tick_params(labelbottom=False, bottom=False)
    for spine in ax.spines.values():
        spine.set_visible(False)
    return ax


def _thinned(count: int, most: int) -> NDArray[np.int64]:
    return np.linspace(0, count - 1, min(count, most)).round().astype(np.int64)


def _whole(scene: LayoutScene, names: list[str], ax: Axes) -> None:
    """Draw the sum of all pixels over that of all at full, %: of layouts that differ, each."""
    full = scene.full_code * scene.codes[names[0]].shape[1]
    shares = {name: 100 * scene.codes[name].sum(axis=1, dtype=np.int64) / full for name in names}
    drawn: dict[str, list[str]] = {}
    for name in names:
        twin = next((one for one in drawn if np.allclose(shares[one], shares[name], atol=_SAME)), name)
        drawn.setdefault(twin, []).append(name)
    time_s = np.arange(shares[names[0]].size + 1) / scene.frame_rate_hz
    told = []
    for number, name in enumerate(sorted(drawn, key=lambda one: -len(drawn[one]))):
        word, style = _STYLES[number % len(_STYLES)]
        share = np.append(shares[name], shares[name][-1])
        ax.step(time_s, share, where="post", color=INK, linewidth=1.0, linestyle=style, label=name)
        told.append(f"{word}: {', '.join(drawn[name]) if number else 'the others'}")
    beside_heading(ax, "; ".join(told) if len(told) > 1 else "the same in all")
    dress(ax, x="time, s", y="of full, %")
    heading(ax, "Luminous intensity of the whole", colour("light"))
    ax.set_ylim(0, None)
    ax.set_xlim(0, time_s[-1])


def _label(name: str, found: LayoutComparison) -> str:
    return f"{name},\nthis design" if name == found.worn else name


def _beside(one: LayoutFigures) -> str:
    near = "nothing lit" if math.isnan(one.equal_lit_lstar) else f"near L* {one.equal_lit_lstar:.0f}"
    return f"{near}\nflashes in 1 s: whole {one.flashes_per_s},\nworst region {one.regions.worst_per_s}"

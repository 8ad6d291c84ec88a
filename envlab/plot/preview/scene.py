"""The moving picture of a preview: glowing pixels, the brightness with a playhead, what one sees in words."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Ellipse
from numpy.typing import NDArray

from envlab.light.lightness import lightness_cie1976, srgb_decode, srgb_encode
from envlab.plot.palette import PALETTE
from envlab.plot.preview.layout import Layout, dots, wearer_head
from envlab.units import FloatArray

if TYPE_CHECKING:
    from scipy.sparse import csr_array

Picture = NDArray[np.uint8]

WIDTH, HEIGHT = 1280, 720
# The light's box, and the brightness trace under it: left, top, right, bottom in screen dots.
LIGHT_BOX = (0, 84, WIDTH, 466)
TRACE_BOX = (70, 496, WIDTH - 40, 612)
_DPI = 100
_LONGEST_NAME = 52
_INK, _SOFT, _GRID, _PAPER, _TRACE = (PALETTE[name][1] for name in ("ink", "soft", "grid", "paper", "light"))
_LEVELS = 1024
# The halo round a dot: its share of the dot's light at the rim, and where halos meet; it fades over so many
# radii. For looks only.
_HALO, _MEETING, _FADE = 0.22, 0.3, 2.2


class PreviewScene:
    """Draws any moment of a preview.

    luminance: Y of each of the board's frames, 0 to 1, shape (frames,), frame n at n/frame_rate_hz. Every
    drawn dot has, over its whole disc, the sRGB code of Y · colour_linear. heading, lines: words above and
    below. pixels: how many the costume has. of_pixels: where they are not all alike, Y of each dot, (frames,
    dots).
    """

    def __init__(
        self,
        luminance: FloatArray,
        frame_rate_hz: float,
        colour_linear: tuple[float, float, float],
        *,
        pixels: int,
        layout: Layout,
        heading: tuple[str, str],
        lines: tuple[str, ...],
        of_pixels: FloatArray | None = None,
    ) -> None:
        self._luminance, self._rate_hz, self._of_pixels = luminance, frame_rate_hz, of_pixels
        self._colour = np.array(colour_linear)
        self.duration_s = luminance.size / frame_rate_hz
        left, top, right, bottom = LIGHT_BOX
        self.centres, self.radius = dots(pixels, layout, right - left, bottom - top)
        self._glow = _glow(self.centres, self.radius, right - left, bottom - top)
        self._lit = self._glow > 0
        self._level_of_lit = self._glow[self._lit]
        if of_pixels is not None:
            self._origins = _origins(self.centres, self.radius, self._lit)
        lightness = lightness_cie1976(luminance)
        head = wearer_head(right - left, bottom - top) if layout == "shoulders" else None
        pale, bright = (
            _drawn(_still(lightness, frame_rate_hz, heading, lines, head, bright=b)) for b in (False, True)
        )
        self._pale, self._bright = pale.view(np.uint32)[..., 0], bright.view(np.uint32)[..., 0]
        self._paper = srgb_decode(pale[top, left, :3] / 255.0)
        self._shares = np.linspace(0.0, 1.0, _LEVELS)[:, None]
        self._ink = np.array([*_rgb(_INK), 255], dtype=np.uint8).view(np.uint32)[0]

    def frame_at(self, time_s: float) -> int:
        """Return the index of the board's frame that stands at a time."""
        return min(int(time_s * self._rate_hz + 1e-6), self._luminance.size - 1)

    def draw(self, time_s: float) -> Picture:
        """Return the picture at a time, s, as RGBA of shape (HEIGHT, WIDTH, 4)."""
        picture = self._pale.copy()
        left, top, right, bottom = LIGHT_BOX
        picture[top:bottom, left:right][self._lit] = self._lit_codes(self.frame_at(time_s))
        left, top, right, bottom = TRACE_BOX
        head = left + round((right - left) * min(time_s / self.duration_s, 1.0))
        picture[top:bottom, left:head] = self._bright[top:bottom, left:head]
        picture[top - 4 : bottom + 4, head - 1 : head + 1] = self._ink
        return picture[..., None].view(np.uint8)

    def _lit_codes(self, frame: int) -> NDArray[np.uint32]:
        """Return the screen's codes of every place that has light of a dot, each by the dot next to it."""
        if self._of_pixels is None:
            return self._codes(self._luminance[frame])[self._level_of_lit]
        luminance = self._origins @ self._of_pixels[frame]
        shares = self._shares[self._level_of_lit]
        return self._on_screen(luminance[:, None], shares)

    def _codes(self, luminance: float) -> NDArray[np.uint32]:
        """Return the screen's codes for each share of a dot's light: the dot itself at 1, paper at 0."""
        return self._on_screen(np.float64(luminance), self._shares)

    def _on_screen(self, luminance: FloatArray | np.float64, shares: FloatArray) -> NDArray[np.uint32]:
        """Return the screen's codes (places,) of shares (places, 1) of light of a luminance."""
        light = luminance * self._colour * shares
        # Light in the air adds to the paper; a dot stands before it.
        light += self._paper * np.clip((1.0 - shares) / (1.0 - _MEETING), 0.0, 1.0)
        codes = np.full((len(shares), 4), 255, dtype=np.uint8)
        codes[:, :3] = np.round(255.0 * srgb_encode(np.minimum(light, 1.0)))
        return codes.view(np.uint32)[:, 0]


def caution_picture(heading: str, lines: tuple[str, ...]) -> Picture:
    """Return a still picture of words, RGBA of shape (HEIGHT, WIDTH, 4)."""
    fig = _sheet()
    fig.text(0.5, 0.74, heading, color=_INK, fontsize=30, fontweight="bold", ha="center", va="center")
    for number, line in enumerate(lines):
        words = "\n".join(textwrap.wrap(line, 72))
        fig.text(0.5, 0.58 - 0.15 * number, words, color=_INK, fontsize=17, ha="center", va="center")
    return _drawn(fig)


def _still(
    lightness: FloatArray,
    rate_hz: float,
    heading: tuple[str, str],
    lines: tuple[str, ...],
    head: tuple[float, float, float] | None,
    *,
    bright: bool,
) -> Figure:
    """Everything that does not move; the trace pale for what is to come, bright for what has been."""
    fig = _sheet()
    name, about = heading
    # A file's name may be longer than the picture is wide.
    name = name if len(name) <= _LONGEST_NAME else f"{name[: _LONGEST_NAME - 1]}…"
    fig.text(0.031, 0.945, name, color=_INK, fontsize=19, fontweight="bold", va="center")
    fig.text(0.969, 0.945, about, color=_SOFT, fontsize=13, ha="right", va="center")
    left, top, right, bottom = TRACE_BOX
    place = (left / WIDTH, 1 - bottom / HEIGHT, (right - left) / WIDTH, (bottom - top) / HEIGHT)
    ax = fig.add_axes(place)
    ax.set_facecolor("none")
    time_s = np.arange(lightness.size + 1) / rate_hz
    held = np.append(lightness, lightness[-1:])
    hue = _TRACE if bright else _SOFT
    ax.fill_between(time_s, held, step="post", color=hue, alpha=0.45 if bright else 0.25, linewidth=0)
    ax.plot(time_s, held, drawstyle="steps-post", color=hue, linewidth=1.2)
    ax.set(xlim=(0, time_s[-1]), ylim=(0, 104), yticks=[0, 50, 100])
    ax.tick_params(colors=_SOFT, labelcolor=_SOFT, labelsize=10, length=3)
    for side, spine in ax.spines.items():
        spine.set_visible(side == "bottom")
        spine.set(color=_GRID)
    ax.set_ylabel("lightness, L*", color=_SOFT, fontsize=11)
    ax.annotate("s", (1, 0), (14, -16), "axes fraction", "offset points", color=_SOFT, fontsize=10)
    for number, line in enumerate(lines):
        fig.text(0.031, 0.083 - 0.031 * number, line, color=_INK, fontsize=11, va="center")
    if head:
        x, y, radius = head
        centre = ((LIGHT_BOX[0] + x) / WIDTH, 1 - (LIGHT_BOX[1] + y) / HEIGHT)
        size = (1.7 * radius / WIDTH, 2 * radius / HEIGHT)
        rim = Ellipse(centre, *size, transform=fig.transFigure, fill=False, color=_SOFT, linewidth=1.5)
        fig.add_artist(rim)
    return fig


class _Dot(NamedTuple):
    """What one dot gives to the places round it: its window, its light in the air and on its disc."""

    window: tuple[slice, slice]
    halo: FloatArray
    disc: FloatArray


def _each_dot(centres: FloatArray, radius: float, width: int, height: int) -> Iterator[_Dot]:
    reach = int(radius * (1 + 2.5 * _FADE)) + 1
    for x, y in centres:
        left, right = max(0, int(x) - reach), min(width, int(x) + reach + 1)
        top, bottom = max(0, int(y) - reach), min(height, int(y) + reach + 1)
        down, across = np.ogrid[top:bottom, left:right]
        outside = np.maximum(np.hypot(across + 0.5 - x, down + 0.5 - y) - radius, 0.0)
        away = outside / radius
        # To nothing at the end of its reach, not cut off.
        faded = np.exp(-2.0 * np.square(away / _FADE)) * np.maximum(1.0 - away / (2.5 * _FADE), 0.0)
        yield _Dot((slice(top, bottom), slice(left, right)), _HALO * faded, np.maximum(1.0 - outside, 0.0))


def _glow(centres: FloatArray, radius: float, width: int, height: int) -> NDArray[np.uint16]:
    """Return the share of a dot's light at each place, as a level out of _LEVELS: the disc has the last."""
    halo, disc = np.zeros((height, width)), np.zeros((height, width))
    for dot in _each_dot(centres, radius, width, height):
        halo[dot.window] += dot.halo
        disc[dot.window] = np.maximum(disc[dot.window], dot.disc)
    halo = np.minimum(halo, _MEETING)
    share = np.maximum(halo, halo + (1.0 - halo) * disc)
    return np.round(share * (_LEVELS - 1)).astype(np.uint16)


def _origins(centres: FloatArray, radius: float, lit: NDArray[np.bool_]) -> csr_array:
    """Return what of the light at each lit place is whose, (places, dots): the sum of a row is 1."""
    from scipy.sparse import csr_array

    height, width = lit.shape
    place = np.cumsum(lit.ravel()).reshape(lit.shape) - 1
    rows, columns, given = [], [], []
    for number, dot in enumerate(_each_dot(centres, radius, width, height)):
        # A disc stands before what others give to the air round it.
        light = dot.halo + 1e3 * dot.disc
        here = (light > 0) & lit[dot.window]
        rows.append(place[dot.window][here])
        columns.append(np.full(int(here.sum()), number))
        given.append(light[here])
    values, at = np.concatenate(given), np.concatenate(rows)
    whole = np.bincount(at, values, int(lit.sum()))
    return csr_array((values / whole[at], (at, np.concatenate(columns))), (whole.size, len(centres)))


def _sheet() -> Figure:
    return Figure(figsize=(WIDTH / _DPI, HEIGHT / _DPI), dpi=_DPI, facecolor=_PAPER)


def _drawn(fig: Figure) -> Picture:
    buffer = io.BytesIO()
    FigureCanvasAgg(fig)
    fig.savefig(buffer, format="rgba", dpi=_DPI)
    return np.frombuffer(buffer.getvalue(), dtype=np.uint8).reshape(HEIGHT, WIDTH, 4)


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)

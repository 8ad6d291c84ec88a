"""Pictures as SVG or PNG, the same bytes for the same picture."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from envlab.plot.palette import PALETTE

_IMAGE_DPI = 200
_THEMED = {light: f"var(--{name})" for name, (light, _) in PALETTE.items()}


def png_bytes(fig: Figure, *, dpi: float = 200.0, background: str = "white") -> bytes:
    """Return a figure as PNG; dpi: pixels an inch on paper."""
    buffer = io.BytesIO()
    FigureCanvasAgg(fig)
    fig.savefig(buffer, format="png", dpi=dpi, facecolor=background, metadata={"Software": None})
    return buffer.getvalue()


def save_png(fig: Figure, path: str | Path, *, dpi: float = 200.0) -> None:
    """Write a figure as PNG, dpi dots an inch."""
    Path(path).write_bytes(png_bytes(fig, dpi=dpi))


def svg_text(fig: Figure, name: str) -> str:
    """Return a figure as a whole SVG file; name seeds its inner ids, so that equal figures are equal."""
    buffer = io.StringIO()
    paper, dots_per_inch = fig.get_facecolor(), fig.dpi
    canvas: Any = FigureCanvasSVG(fig)
    _settle(fig)
    drawn = matplotlib.rc_context({"svg.hashsalt": name, "svg.fonttype": "path", "path.simplify": True})
    fig.set(facecolor="none", dpi=_IMAGE_DPI)
    # Inner ids come from how numbers are written out, which a whole process can be told to do in another way.
    with drawn, np.printoptions(legacy=False):
        # savefig would draw all of it once more before, for a layout that is settled.
        canvas.print_svg(buffer, metadata={"Date": None, "Creator": None})
    fig.set(facecolor=paper, dpi=dots_per_inch)
    return buffer.getvalue()


def inline_svg(fig: Figure, name: str) -> str:
    """Return a figure as the inside of a web page: an svg element without a role or a title of its own.

    Its ids carry the name, so that several pictures share a page. Colours of the palette become the page's
    own, var(--ink) and so on, so that the picture follows a light or a dark page.
    """
    return inlined(svg_text(fig, name), name)


def inlined(text: str, name: str) -> str:
    """Return what inline_svg does from the picture's whole SVG file, as svg_text gives it."""
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r"<!--.*?-->", "", text, flags=re.DOTALL)
    box = re.search(r'viewBox="[^"]*"', text)
    if box is None:
        raise ValueError("the SVG has no viewBox")
    text = f"<svg {box.group()}>" + text[text.index(">") + 1 :]
    text = _renamed(text.replace("xlink:href=", "href="), name)
    text = re.sub(r' d="[^"]*"', _rounded, text)
    text = re.sub(r"#[0-9a-f]{6}\b", lambda hex_: _THEMED.get(hex_.group(), hex_.group()), text)
    return re.sub(r"\n\s*", "\n", text).strip()


def _settle(fig: Figure) -> None:
    """Lay the axes out and round their places to a millionth of the sheet.

    The layout's solver works in an order that depends on what was drawn before, and its last digits with it.
    """
    engine = fig.get_layout_engine()
    if engine is None:
        return
    engine.execute(fig)
    fig.set_layout_engine("none")
    for ax in fig.axes:
        left, low, width, height = (round(float(edge), 6) for edge in ax.get_position().bounds)
        ax.set_position((left, low, width, height))


def _renamed(text: str, name: str) -> str:
    """Number the ids in their order; as they come, they hash the last digits of coordinates."""
    ids = {old: f"{name}-{n}" for n, old in enumerate(re.findall(r'\bid="([^"]+)"', text))}
    return re.sub(r'(\bid="|href="#|url\(#)([^")]+)', lambda found: found[1] + ids[found[2]], text)


def _rounded(path: re.Match[str]) -> str:
    """A path to a hundredth of a point, which no printer shows; halves the size."""
    return re.sub(r"\d+\.\d{3,}", lambda number: f"{float(number.group()):.2f}", path.group())

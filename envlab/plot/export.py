"""Pictures as SVG or PNG, the same bytes for the same picture."""

from __future__ import annotations

import io
import re
from pathlib import Path

import matplotlib
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from envlab.plot.palette import PALETTE

_IMAGE_DPI = 200
_THEMED = {light: f"var(--{name})" for name, (light, _) in PALETTE.items()}


def png_bytes(figure: Figure, *, dpi: float = 200.0, background: str = "white") -> bytes:
    """Return a figure as PNG; dpi: pixels an inch on paper."""
    buffer = io.BytesIO()
    FigureCanvasAgg(figure)
    figure.savefig(buffer, format="png", dpi=dpi, facecolor=background, metadata={"Software": None})
    return buffer.getvalue()


def save_png(figure: Figure, path: str | Path, *, dpi: float = 200.0) -> None:
    """Write a figure as PNG."""
    Path(path).write_bytes(png_bytes(figure, dpi=dpi))


def svg_text(figure: Figure, name: str) -> str:
    """Return a figure as a whole SVG file; name seeds its inner ids, so that equal figures are equal."""
    buffer = io.StringIO()
    FigureCanvasSVG(figure)
    with matplotlib.rc_context({"svg.hashsalt": name, "svg.fonttype": "path", "path.simplify": True}):
        figure.savefig(
            buffer, format="svg", dpi=_IMAGE_DPI, facecolor="none", metadata={"Date": None, "Creator": None}
        )
    return buffer.getvalue()


def inline_svg(figure: Figure, name: str) -> str:
    """Return a figure as the inside of a web page: an svg element without a role or a title of its own.

    Its ids carry the name, so that several pictures share a page. Colours of the palette become the page's
    own, var(--ink) and so on, so that the picture follows a light or a dark page.
    """
    text = svg_text(figure, name)
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r"<!--.*?-->", "", text, flags=re.DOTALL)
    box = re.search(r'viewBox="[^"]*"', text)
    if box is None:
        raise ValueError("the SVG has no viewBox")
    text = f"<svg {box.group()}>" + text[text.index(">") + 1 :]
    text = re.sub(r'\bid="', f'id="{name}-', text)
    text = re.sub(r'xlink:href="#', f'href="#{name}-', text)
    text = text.replace('xlink:href="data:', 'href="data:').replace("url(#", f"url(#{name}-")
    text = re.sub(r' d="[^"]*"', _rounded, text)
    text = re.sub(r"#[0-9a-f]{6}\b", lambda hex_: _THEMED.get(hex_.group(), hex_.group()), text)
    return re.sub(r"\n\s*", "\n", text).strip()


def _rounded(path: re.Match[str]) -> str:
    """A path to a hundredth of a point, which no printer shows; halves the size."""
    return re.sub(r"(\.\d\d)\d+", r"\1", path.group())

"""Chains and layouts for the tests of a layout of light."""

from __future__ import annotations

import numpy as np
from hypothesis import strategies as st

from envlab.digital.fixed_frame import WORD_MOST, FrameWords, full_code, most_word
from envlab.digital.pixel_layout import LayoutTable, standing_duties
from envlab.light.layout.layout import Layout
from envlab.light.layout.table import layout_table

YOKE = FrameWords(24, 3, 8, 5059, 0, 100)
FINE_YOKE = YOKE._replace(bits=16, limit=1_304_500)
# The brightest duty of a table that is scaled down, and of one that only the frame's limit holds.
SCALED = most_word(70, 8)
TABLES = {"scaled": SCALED, "up to full": WORD_MOST}
LAYOUTS = {
    "from end": Layout("from_end"),
    "from end, all lit": Layout("from_end", lit_share=1.0),
    "from end, five ranks": Layout("from_end", lit_share=0.5, ranks=5, rest_light=0.02),
    "from middle": Layout("from_middle", rest_light=0.004),
    "from middle, three ranks": Layout("from_middle", lit_share=0.8, ranks=3),
    "share": Layout("share", rest_light=0.01),
    "share of a third": Layout("share", lit_share=1 / 3),
    "travelling": Layout("travelling"),
    "travelling, two": Layout("travelling", group_pixels=2, pixels_per_second=30.0, rest_light=0.05),
    "weights": Layout("weights", weights=tuple(float(1 + n % 7) for n in range(24))),
    "weights, some dark": Layout("weights", weights=tuple(float(n % 3) for n in range(24)), rest_light=0.01),
}


def light_of(table: LayoutTable, frame: FrameWords, duties: np.ndarray) -> np.ndarray:
    """Sum of the codes of all white channels at common duties, nearest code, by plain division."""
    full = full_code(frame.bits)
    codes = (2 * standing_duties(table, duties) * full + WORD_MOST) // (2 * WORD_MOST)
    return frame.channels * codes.sum(axis=1)


@st.composite
def layouts(draw: st.DrawFn, pixels: int) -> Layout:
    """Any layout that so many pixels can have."""
    kind = draw(st.sampled_from(["from_end", "from_middle", "share", "travelling", "weights"]))
    keys: dict[str, object] = {"rest_light": draw(st.sampled_from([0.0, 0.0, 0.003, 0.05]))}
    if kind in ("from_end", "from_middle", "share") and draw(st.booleans()):
        keys["lit_share"] = draw(st.floats(1.0 / pixels, 1.0))
    if kind in ("from_end", "from_middle") and draw(st.booleans()):
        keys["ranks"] = draw(st.integers(1, pixels if kind == "from_end" else (pixels + 1) // 2))
    if kind == "travelling":
        keys["group_pixels"] = draw(st.none() | st.integers(1, pixels))
        keys["pixels_per_second"] = draw(st.floats(0.1, min(3.0 * pixels, 30.0)))
    if kind == "weights":
        weight = st.sampled_from([0.0, 1.0, 1.0, 3.0]) | st.floats(0.0, 100.0)
        drawn = draw(st.lists(weight, min_size=pixels, max_size=pixels))
        keys["weights"] = tuple(drawn) if max(drawn) > 0 else (1.0,) * pixels
    return Layout(kind, **keys)


@st.composite
def chains(draw: st.DrawFn) -> tuple[Layout, FrameWords, int, LayoutTable]:
    """A layout, its chain, the brightest duty of the brightness table, and the layout's table."""
    pixels = draw(st.integers(2, 12))
    bits = draw(st.sampled_from([8, 8, 10, 16]))
    dither_bits = draw(st.sampled_from([0, 2])) if bits < 12 else 0
    channels = draw(st.sampled_from([1, 3]))
    granted = draw(st.floats(0.12, 1.0))
    limit = max(int(granted * pixels * channels * full_code(bits)), full_code(bits))
    frame = FrameWords(pixels, channels, bits, limit, dither_bits, 800)
    brightest = most_word(limit // (pixels * channels), bits, dither_bits)
    brightest = draw(st.sampled_from([brightest, WORD_MOST]))
    layout = draw(layouts(pixels))
    return layout, frame, brightest, layout_table(layout, frame, brightest_duty=brightest)

"""Layouts of light that try every kind and every end of the words, and what the twin says of each duty."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from envlab.digital.fixed_frame import FrameWords, most_word
from envlab.digital.pixel_layout import NEVER, LayoutTable, picture_places, standing_duties
from envlab.firmware.headers.layout_macros import LAYOUT_FILES, layout_macros, layout_table_lines
from envlab.firmware.marks import RUNTIME_FOLDER
from envlab.light.layout.layout import Layout
from envlab.light.layout.table import layout_table

DRIVER = Path(__file__).parent / "layout_driver.c"
YOKE = FrameWords(24, 3, 8, 5059, 0, 100)
MOST_ASKED = 32
BRIGHTEST = most_word(70, 8)
# A slope, a span and a travel at the end of their words, ranks at duties one beside the other.
ENDS = LayoutTable(
    (0, 1, 2, 3, 1), (0, 0, 65_534, NEVER), (65_535, 1, 65_535, 65_535), 0, 0, 65_535, 65_535, 8
)
MOST_FRACTION = LayoutTable((0, 1), (1, 256), (65_535, 256), 16, 1, 65_534, 1, 16)
REST_ALONE = LayoutTable((0, 0), (NEVER,), (0,), 16, 65_535, 0, 32_768, 8)
MANY_RANKS = LayoutTable(
    tuple(range(257)), (*range(0, 65_536, 256), 65_000), (65_535,) * 257, 8, 0, 65_535, 0, 8
)


def _yoke(layout: Layout, brightest_duty: int = BRIGHTEST) -> LayoutTable:
    return layout_table(layout, YOKE, brightest_duty=brightest_duty)


CASES = {
    "from end": _yoke(Layout("from_end")),
    "from end, four ranks, all lit": _yoke(Layout("from_end", lit_share=1.0, ranks=4, rest_light=0.02)),
    "from middle, up to full": _yoke(Layout("from_middle"), 65_535),
    "share": _yoke(Layout("share", rest_light=0.01)),
    "travelling": _yoke(Layout("travelling", group_pixels=5, pixels_per_second=71.0)),
    "weights": _yoke(Layout("weights", weights=tuple(float(n % 5) for n in range(24)))),
    "one pixel": layout_table(Layout("from_end"), YOKE._replace(pixels=1, limit=300), brightest_duty=30_000),
    "ends of the words": ENDS,
    "slopes under one": MOST_FRACTION,
    "rest alone": REST_ALONE,
    "257 ranks": MANY_RANKS,
}


def layout_files(table: LayoutTable) -> dict[str, str]:
    """Return the C files, the layout's table and a parameter header with nothing else in it."""
    names = (*LAYOUT_FILES, "envlab_products.h", "envlab_rom.h")
    files = {name: (RUNTIME_FOLDER / name).read_text("ascii") for name in names}
    macros = [("FRAME_PIXELS", f"{table.pixels}u", ""), *layout_macros(table)]
    lines = [f"#define ENVLAB_{name} {value}" for name, value, _ in macros]
    files["envlab_parameters.h"] = "#include <stdint.h>\n" + "\n".join(lines) + "\n"
    files["envlab_layout_table.h"] = (
        '#include <stdint.h>\n#include "envlab_rom.h"\n' + "\n".join(layout_table_lines(table)) + "\n"
    )
    return files


def record(table: LayoutTable) -> np.dtype:
    """One record as layout_driver.c writes it."""
    return np.dtype([("place", "<u2"), ("part", "<u2"), ("duties", "<u2", (min(table.pixels, MOST_ASKED),))])


def duties(table: LayoutTable, count: int = 3000, seed: int = 5) -> np.ndarray:
    """Return duties (count,): both ends, round every start and end of a rank, of every size and at random."""
    rng = np.random.default_rng(seed)
    ends = [
        start + -(-(table.span << table.fraction) // max(slope, 1))
        for start, slope in zip(table.starts, table.slopes, strict=True)
    ]
    near = (np.array([0, 65_535, *table.starts, *ends])[:, None] + np.arange(-2, 3)).ravel()
    sizes = (2.0 ** rng.uniform(0, 16, count)).astype(np.int64)
    wanted = np.concatenate((near[(near >= 0) & (near <= 65_535)], sizes))[:count]
    third = count // 3
    wanted[-third:] = rng.integers(0, 65_536, third)
    return wanted


def expected(table: LayoutTable, given: np.ndarray) -> np.ndarray:
    """Return the records that layout_driver.c must write, by the Python twin."""
    made = np.zeros(given.size, record(table))
    made["duties"] = standing_duties(table, given)[:, -MOST_ASKED:]
    if table.travels:
        made["place"] = picture_places(table, given.size)[0]
        made["part"] = table.step * np.arange(1, given.size + 1) & 0xFFFF
    return made

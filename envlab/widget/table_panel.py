"""Knobs for the table: where it starts and ends, which curve, how deep the pixel is; what that does."""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import ipywidgets

from envlab.board_firmware.folder import depth_words
from envlab.chain import Chain
from envlab.errors import EnvlabError
from envlab.light.curve import CURVE_WORDS, CURVES
from envlab.light.flashes.flash import FLASHES_ALLOWED_PER_S
from envlab.light.table_facts import table_facts
from envlab.plot.export import png_bytes
from envlab.plot.table.table_sheets import curve_sheet
from envlab.study.chosen_on_clips import ClipLight, most_flashing, relit

_STYLE = {"description_width": "11em"}
_WIDE = {"width": "24em"}
_PICTURE_DPI = 110.0


class TablePanel:
    """Controls for the table of one board, and what its clips look like through it.

    Parameters
    ----------
    chain : Chain
        The board with the present settings.
    lights : sequence of ClipLight
        Its clips through the present table. box: the widget to show. What cannot be is said in words, and the
        last table stays.
    """

    def __init__(self, chain: Chain, lights: Sequence[ClipLight]) -> None:
        self.chain = chain
        self.lights = tuple(lights)
        self._words = ipywidgets.HTML()
        self._picture = ipywidgets.Image(format="png", layout={"max_width": "100%"})
        self._problem = ipywidgets.HTML()
        asked = chain.brightness
        self.floor = self._number("floor, dB SPL", asked.floor_db_spl)
        self.ceiling = self._number("ceiling, dB SPL", asked.ceiling_db_spl)
        self.curve = self._choice("curve", [(CURVE_WORDS[name], name) for name in CURVES], asked.curve)
        self.depth = self._choice("pixel depth, bit", list(range(1, 17)), chain.pixel_bits)
        self.box = ipywidgets.VBox(
            [
                ipywidgets.HBox(
                    [self.floor, self.ceiling, self.curve, self.depth], layout={"flex_flow": "row wrap"}
                ),
                self._problem,
                self._words,
                self._picture,
            ]
        )
        self._settle(chain)

    def _number(self, name: str, value: float) -> Any:
        control = ipywidgets.FloatText(
            value=value, step=1.0, description=name, continuous_update=False, style=_STYLE, layout=_WIDE
        )
        control.observe(self._react, names="value")
        return control

    def _choice(self, name: str, options: list[Any], value: object) -> Any:
        control = ipywidgets.Dropdown(
            options=options, value=value, description=name, style=_STYLE, layout=_WIDE
        )
        control.observe(self._react, names="value")
        return control

    def _react(self, change: object) -> None:
        del change
        try:
            brightness = replace(
                self.chain.brightness,
                floor_db_spl=self.floor.value,
                ceiling_db_spl=self.ceiling.value,
                curve=self.curve.value,
            )
            self._settle(replace(self.chain, brightness=brightness, pixel_bits=self.depth.value))
        except EnvlabError as problem:
            self._problem.value = f"<b>{html.escape(str(problem))}</b>"

    def _settle(self, chain: Chain) -> None:
        lights = relit(self.lights, chain)
        words = table_words(chain, lights)
        self._picture.value = png_bytes(curve_sheet(chain, lights), dpi=_PICTURE_DPI)
        self.chain, self.lights = chain, lights
        self._words.value = "".join(f"<p>{html.escape(line)}</p>" for line in words)
        self._problem.value = ""


def table_words(chain: Chain, lights: Sequence[ClipLight]) -> list[str]:
    """Return what a board's table does, and what its clips do with it, a sentence or two a line."""
    scale = chain.level_scale()
    facts = table_facts(chain.brightness_table(), scale)
    flashing = most_flashing(tuple(lights))
    count = flashing.flashes.worst_per_s
    verdict = "is kept" if count <= FLASHES_ALLOWED_PER_S else "is NOT kept: do not export this table"
    return [
        f"The light is {chain.count_map().words(scale)}.",
        f"{facts.distinct_levels} levels; the largest step between two of them is "
        f"{facts.largest_step_lstar:.1f} L*, first light comes at {facts.first_lit_db_spl:.1f} dB SPL.",
        *depth_words(chain),
        f"{flashing.clip.label} flashes most: {count} in its worst second. The limit of "
        f"{FLASHES_ALLOWED_PER_S} {verdict}.",
    ]

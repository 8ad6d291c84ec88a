"""Knobs for choosing parts: what is asked, which values are tried; the choice, its reasons and a picture."""

from __future__ import annotations

import html
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import ipywidgets
import pandas as pd

from envlab.analog.parts import PartRange
from envlab.errors import EnvlabError
from envlab.metrics.catalogue import METRICS
from envlab.plot.export import png_bytes
from envlab.plot.sheets import effects_sheet
from envlab.plot.sweep.part_effects import PART_WORDS, swept_keys
from envlab.study.specification.specification import Specification
from envlab.study.specification.targets import Target, Targets
from envlab.study.sweep.choice import Choice, choose
from envlab.study.sweep.sweep import sweep
from envlab.units import format_value, unit_of

_WIDE = {"description_width": "15em"}
_PICTURE_DPI = 110.0


class PartsPanel:
    """Controls for the targets and the part ranges of a specification, and what comes of them.

    choice: of the present settings.

    Parameters
    ----------
    specification : Specification
        What they ask. box: the widget to show. A target that moves only judges anew; a range that moves
        sweeps anew, so give it few clips and coarse series. What cannot be is said in words, and the last
        choice stays.
    """

    def __init__(self, specification: Specification) -> None:
        self.specification = specification
        self._table = sweep(specification)
        self.choice: Choice = choose(self._table, specification)
        self._words = ipywidgets.HTML()
        self._picture = ipywidgets.Image(format="png", layout={"max_width": "100%"})
        self._problem = ipywidgets.HTML()
        self.limits = {target.metric: self._limit_control(target) for target in specification.targets.soft}
        self.ranges: dict[str, Any] = {
            key: self._range_control(key, choices)
            for key, choices in specification.ranges.items()
            if isinstance(choices, PartRange) and len(choices.values) > 1
        }
        self.box = ipywidgets.VBox(
            [
                ipywidgets.HBox(
                    [
                        ipywidgets.VBox([ipywidgets.HTML("<b>What is asked</b>"), *self.limits.values()]),
                        ipywidgets.VBox([ipywidgets.HTML("<b>Values to try</b>"), *self.ranges.values()]),
                    ],
                    layout={"flex_flow": "row wrap"},
                ),
                self._problem,
                self._words,
                self._picture,
            ]
        )
        self._show()

    def _limit_control(self, target: Target) -> Any:
        entry = METRICS[target.metric]
        side = "at most" if target.side == "at_most" else "at least"
        control = ipywidgets.FloatText(
            value=target.limit,
            step=target.scale / 10,
            description=f"{entry.label} {side}, {entry.unit or '0 to 1'}",
            tooltip=entry.says,
            continuous_update=False,
            style={"description_width": "20em"},
            layout={"width": "27em"},
        )
        control.observe(self._reacting(self._judge), names="value")
        return control

    def _range_control(self, key: str, choices: PartRange) -> Any:
        unit = unit_of(key) or ""
        control = ipywidgets.SelectionRangeSlider(
            options=[(format_value(value, unit), value) for value in choices.values],
            value=(choices.values[0], choices.values[-1]),
            description=PART_WORDS.get(key, key),
            continuous_update=False,
            style=_WIDE,
            layout={"width": "34em"},
        )
        control.observe(self._reacting(self._sweep), names="value")
        return control

    def _reacting(self, act: Callable[[], None]) -> Callable[[object], None]:
        def react(change: object) -> None:
            del change
            try:
                act()
            except EnvlabError as problem:
                self._problem.value = f"<b>{html.escape(str(problem))}</b>"

        return react

    def _judge(self) -> None:
        targets = tuple(
            replace(target, limit=self.limits[target.metric].value)
            if target.metric in self.limits
            else target
            for target in self.specification.targets.items
        )
        self._settle(replace(self.specification, targets=Targets(targets)), self._table)

    def _sweep(self) -> None:
        ranges = dict(self.specification.ranges)
        for key, control in self.ranges.items():
            offered = ranges[key]
            assert isinstance(offered, PartRange)
            ranges[key] = replace(offered, low=control.value[0], high=control.value[1])
        specification = replace(self.specification, ranges=ranges)
        self._problem.value = "Sweeping…"
        self._settle(specification, sweep(specification))

    def _settle(self, specification: Specification, table: pd.DataFrame) -> None:
        self.choice = choose(table, specification)
        self.specification, self._table = specification, table
        self._show()

    def _show(self) -> None:
        self._problem.value = ""
        self._words.value = "".join(f"<p>{html.escape(line)}</p>" for line in self.choice.words)
        if swept_keys(self.specification):
            fig = effects_sheet(self.choice, self.specification)
            self._picture.value = png_bytes(fig, dpi=_PICTURE_DPI)

"""What comes of a comparison of layouts: their numbers, and a few seconds of each to look at."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from envlab.light.viewing import Viewing
from envlab.study.layouts.figures import LayoutFigures


@dataclass(frozen=True, eq=False)
class LayoutScene:
    """A few seconds of one clip in every layout.

    clip: its label. start_s: where in it. codes: name of the layout → (frames, pixels), as worn, the flash
    guard as the design has it. full_code: of a pixel at full.
    """

    clip: str
    start_s: float
    frame_rate_hz: float
    full_code: int
    codes: Mapping[str, NDArray[np.uint16]]


@dataclass(frozen=True, eq=False)
class Compared:
    """What was found of layouts side by side.

    figures: of each layout that could be judged. worn: name of the design's own. limit_a: of the supply.
    flash_limit: most flashes of the whole in a second. clips: labels. not_judged: of a layout, clip or number
    → why. scene: None where no clip could be judged. made_up_weights: whether the weights are not the
    design's.
    """

    figures: tuple[LayoutFigures, ...]
    worn: str
    viewing: Viewing
    limit_a: float
    flash_limit: float
    clips: tuple[str, ...]
    not_judged: Mapping[str, str]
    scene: LayoutScene | None
    made_up_weights: bool

    def keeps(self, one: LayoutFigures) -> bool:
        """Return whether a layout keeps what is hard: the flashes of the whole, and the supply."""
        return one.keeps_current and one.flashes_per_s <= self.flash_limit

    def of(self, name: str) -> LayoutFigures:
        """Return the numbers of a layout by its name, as "from end"; KeyError if it was not judged."""
        return {one.name: one for one in self.figures}[name]

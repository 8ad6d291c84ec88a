"""What a design run has done in a second process, beside the boards of the choice and what is in its way."""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, TypeAlias

from envlab.files.second_process import Answer, SecondProcess

if TYPE_CHECKING:
    from envlab.chain import Chain
    from envlab.report.pictures import Picture
    from envlab.study.chosen_on_clips import ClipLight
    from envlab.study.exported.judgement import ExportedJudgement
    from envlab.study.layouts.comparison import LayoutComparison
    from envlab.study.power.power_verdict import PowerVerdict
    from envlab.study.specification.specification import Specification
    from envlab.study.sweep.choice import Choice
    from envlab.study.tolerance.result import ToleranceResult

    # What the exported firmware shows, what every layout of light would, and the plain light on the clips.
    _Played: TypeAlias = tuple[ExportedJudgement, LayoutComparison, tuple[ClipLight, ...]]
    # Pictures of what a choice does on the clips, and what is said of what feeds it.
    _Drawn: TypeAlias = tuple[dict[str, Picture], PowerVerdict]

# Share of the time of playing the firmware that hearing the clips takes, and that and judging it; then come
# the layouts.
_HEARD, _JUDGED = 0.8, 0.9


class Beside:
    """Has the firmware of a design played, its worst boards heard, and half of the pictures drawn.

    In a second process, where the clips are short enough that its memory does not count, beside the boards
    of the choice and what stands in its way. A design whose firmware was played and that is then not chosen
    was played in vain.
    """

    def __init__(self, second: SecondProcess, specification: Specification) -> None:
        self.second, self._specification = second, replace(specification)
        self._chain: Chain | None = None
        self._firmware: Future[Answer] | None = None
        self._tolerance: Future[Answer] | None = None
        if second.at_hand:
            second.begin(_get_ready, specification.chain)

    def foresee(self, chain: Chain) -> None:
        """Begin to play the firmware of a design that will probably be chosen, if that costs no time."""
        if self.second.at_hand:
            self.firmware(chain)

    def firmware(self, chain: Chain) -> None:
        """Begin to play the firmware of the design that is chosen, unless that was foreseen."""
        if self._chain != chain:
            self._chain, self._firmware = chain, self.second.begin(_play_firmware, self._specification, chain)

    def choose(self, choice: Choice) -> None:
        """Begin with what a choice asks for, before what stands in its way is known, if it costs no time."""
        if self.second.at_hand:
            self.tolerance_of(choice)

    def tolerance_of(self, choice: Choice) -> Future[Answer]:
        """Begin to hear many boards of the choice behind its firmware, unless that has begun."""
        self.firmware(choice.chain)
        if self._tolerance is None:
            self._tolerance = self.second.begin(_hear_boards, self._specification, choice)
        return self._tolerance

    def boards(self, begun: Future[Answer], report: Callable[[str, float], None]) -> ToleranceResult | None:
        """Return what tolerance_of began; report: told what is left to do of it."""
        boards: ToleranceResult | None = self.second.await_(begun, report)
        return boards

    def pictures_on_clips(self, choice: Choice) -> Future[Answer]:
        """Begin to draw, when the firmware has been played, what the choice does on the clips."""
        assert self._firmware is not None
        pictures = Future[Answer]()

        def draw(played: Future[Answer]) -> None:
            if not played.cancelled() and played.exception() is None:
                drawn = self.second.begin(_draw_on_clips, self._specification, choice, played.result().value)
                drawn.add_done_callback(pass_on)

        def pass_on(drawn: Future[Answer]) -> None:
            if not drawn.cancelled():
                problem = drawn.exception()
                pictures.set_result(drawn.result()) if problem is None else pictures.set_exception(problem)

        self._firmware.add_done_callback(draw)
        return pictures

    def played(self, report: Callable[[str, float], None]) -> _Played:
        """Return what _play_firmware does; report: told what is left to do of it."""
        assert self._firmware is not None
        played: _Played = self.second.await_(self._firmware, report)
        return played

    def drawn(self, begun: Future[Answer], report: Callable[[str, float], None]) -> _Drawn:
        """Return what pictures_on_clips began, with what is said of what feeds the choice."""
        drawn: _Drawn = self.second.await_(begun, report)
        return drawn


def _get_ready(chain: Chain, report: Callable[[str, float], None]) -> None:
    """Load what the other tasks need.

    And compile loops, where that is yet to be done, that the first process asks for later than it could
    compile them: it then finds them on the disk.
    """
    import importlib

    import numpy as np

    from envlab.engine.side_by_side import runs_side_by_side
    from envlab.metrics.ripple_aliasing import frame_ripple_aliasing
    from envlab.sound.recording import Recording
    from envlab.study.exported.shown import short_readings
    from envlab.study.tolerance.board_columns import columns_on_sound

    report("Playing the firmware", math.nan)
    silence, tables = Recording(np.zeros(4800), 48_000.0), [chain.brightness_table()]
    frame_ripple_aliasing([chain], tables, workers=1)
    if runs_side_by_side(chain, [chain]):
        columns_on_sound(silence, [chain], [chain], tables, seed=(0,), workers=1)
    short_readings(chain, silence, np.random.default_rng(0))
    importlib.import_module("envlab.report.page")


def _hear_boards(
    specification: Specification, choice: Choice, report: Callable[[str, float], None]
) -> ToleranceResult | None:
    """Return what becomes of the choice on many boards."""
    from envlab.study.sweep.boards_of_choice import boards_of_choice

    return boards_of_choice(specification, choice, report)


def _play_firmware(
    specification: Specification, chain: Chain, report: Callable[[str, float], None]
) -> _Played:
    """Return what a chain's exported firmware shows, what every layout of light would, and its plain light.

    The clips are played once, and what is read on them is gone when this is done.
    """
    from envlab.study.chosen_on_clips import light_on_clips
    from envlab.study.exported.judgement import judge_exported
    from envlab.study.exported.scenarios import heard_by
    from envlab.study.layouts.comparison import judge_layouts

    doing = "Playing the firmware"
    heard = heard_by(chain, specification, progress=lambda share: report(doing, _HEARD * share))
    judged = judge_exported(
        specification, chain, heard=heard,
        progress=lambda share: report(doing, _HEARD + (_JUDGED - _HEARD) * share),
    )  # fmt: skip
    layouts = judge_layouts(
        specification, chain, heard=heard,
        progress=lambda share: report(doing, _JUDGED + (1 - _JUDGED) * share),
    )  # fmt: skip
    return judged, layouts, light_on_clips(specification, chain, readings=heard.clips)


def _draw_on_clips(
    specification: Specification, choice: Choice, played: _Played, report: Callable[[str, float], None]
) -> _Drawn:
    """Return the pictures of what a choice does on the clips, and what is said of what feeds it."""
    from envlab.report.pictures import pictures_on_clips
    from envlab.study.power.power_verdict import judge_power

    drawing = partial(report, "Drawing the report")
    _, layouts, lights = played
    power = judge_power(specification, choice.chain, lights)
    pictures = pictures_on_clips(specification, choice, lights, power, layouts, progress=drawing)
    return pictures, power

"""Whether what is exported keeps what the design file asks: each sensitivity against the targets.

The flash limit is hard, and judged without the guard. Of the other targets a sensitivity may break none that
the fixed window keeps: that one stands in the design's own report. A button's ends are there to be dimmer or
brighter than the music wants; they are judged by flashes, idle light and recovery alone, its middle and the
automatic level by all that follows. MOST_RECOVERY_S is a choice of our own, no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from envlab.chain import Chain
from envlab.errors import ParameterError
from envlab.metrics.catalogue import FLASH_METRIC
from envlab.study.exported.light import ExportedFirmware, PlainTable
from envlab.study.exported.rows import ExportedRow, Setting, idle_lstar, rows_of, settings_of
from envlab.study.exported.scenarios import Heard, heard_by
from envlab.study.specification.specification import Specification
from envlab.study.specification.targets import Target, Targets

RECOVERY = "recovery_s"
MOST_RECOVERY_S = 6.0
# Share of the time that the board hears, if it has not before; then its firmware runs at each setting, from
# each start.
_HEARD = 0.7
# The targets that a sensitivity has a hand in, and whether a button's ends are judged by them.
JUDGED_BY = {
    FLASH_METRIC: True,
    "idle_lstar": True,
    RECOVERY: True,
    "beat_contrast_lstar": False,
    "quiet_lit_share": False,
    "false_light_lstar": False,
}


@dataclass(frozen=True)
class Miss:
    """A target that is broken. metric: of targets.METRICS, or recovery_s. limit, value: in its unit."""

    metric: str
    limit: float
    value: float


@dataclass(frozen=True)
class SettingResult:
    """One setting over all clips and starts. worst: the row with most flashes without the guard.

    flashes_guarded: most flashes with it. guard_held_share: of the row of which it changes most. metrics:
    name → value of what JUDGED_BY names, NaN where no clip can show it. misses: targets that it breaks.
    """

    setting: Setting
    worst: ExportedRow
    flashes_guarded: int
    guard_held_share: float
    metrics: dict[str, float]
    misses: tuple[Miss, ...]

    @property
    def flashes_per_s(self) -> int:
        """Most flashes in any second, without the guard."""
        return self.worst.flashes_per_s


@dataclass(frozen=True)
class ExportedJudgement:
    """What was judged. rows: all of them. results: one a setting, none where nothing could be judged.

    flash_limit: most flashes in a second. quiet_name: what the quiet minute was. not_judged: clip → why not.
    no_runtime: why the board has no runtime, and its plain table was judged instead; "" otherwise.
    """

    rows: tuple[ExportedRow, ...]
    results: tuple[SettingResult, ...]
    flash_limit: float
    quiet_name: str
    not_judged: dict[str, str]
    no_runtime: str = ""

    @property
    def is_judged(self) -> bool:
        """Whether at least one clip could be judged."""
        return bool(self.results)

    def of(self, sensitivity: str) -> tuple[SettingResult, ...]:
        """Return the results of a sensitivity's settings."""
        return tuple(result for result in self.results if result.setting.sensitivity == sensitivity)

    def keeps_flash_limit(self, sensitivity: str, *, guard: bool = False) -> bool:
        """Return whether no setting of a sensitivity flashes too often; guard: with the guard on."""
        return all(
            (result.flashes_guarded if guard else result.flashes_per_s) <= self.flash_limit
            for result in self.of(sensitivity)
        )

    def keeps_all(self, sensitivity: str) -> bool:
        """Return whether no setting of a sensitivity breaks a target."""
        return not any(result.misses for result in self.of(sensitivity))


def judge_exported(
    specification: Specification,
    chain: Chain,
    sensitivities: Sequence[str] = ("none", "steps", "automatic"),
    *,
    heard: Heard | None = None,
    workers: int = 2,
    progress: Callable[[float], None] | None = None,
) -> ExportedJudgement:
    """Return the judgement of what a chain's firmware shows on a specification's clips.

    Each setting is run over every clip at every level from power-up, after a quiet minute and after a shout.
    Where the runtime lacks the chain's follower or depth, its plain table is judged in place of the fixed
    window, as the model has it.

    Parameters
    ----------
    specification : Specification
        Clips, targets and the seed of all noise.
    chain : Chain
        The board.
    sensitivities : sequence of str
        Those to judge; the fixed window, "none", is always among them.
    heard : Heard or None
        What the board reads on the clips, if it is known already.
    workers : int
        Threads, 1 or more.
    progress : callable, optional
        Called with 0 to 1.

    Returns
    -------
    ExportedJudgement
        One result for each setting, without any where no clip can be judged; and the rows behind them.

    Raises
    ------
    ParameterError
        For a sensitivity that there is not.

    Examples
    --------
    >>> import numpy as np
    >>> from envlab import Clip, Recording, Specification, read_design
    >>> from envlab.judge import judge_exported
    >>> from envlab.shipped import demo_design
    >>> tone = Recording(np.sin(np.arange(2 * 48_000) * 0.13), 48_000.0, "tone")
    >>> asked = Specification(read_design(demo_design()), (Clip(tone, 90.0),))
    >>> judged = judge_exported(asked, asked.chain, ("automatic",))
    >>> [(one.setting.name, one.flashes_per_s) for one in judged.results]
    [('fixed', 1), ('automatic', 1)]
    """
    tell, begun = progress or _nobody, 0.0 if heard is not None else _HEARD
    if heard is None:
        heard = heard_by(chain, specification, workers=workers, progress=lambda share: tell(_HEARD * share))
    limit = specification.targets.flash_limit
    no_runtime = why_no_runtime(chain)
    if not heard.clips:
        return ExportedJudgement((), (), limit, heard.quiet_name, heard.not_judged, no_runtime)
    asked = ("none",) if no_runtime else tuple(dict.fromkeys(("none", *sensitivities)))
    settings = (Setting("none", place="plain table"),) if no_runtime else settings_of(chain, asked)
    runs = {setting: firmware_of(chain, setting) for setting in settings}
    rows = rows_of(heard, runs, workers=workers, progress=lambda share: tell(begun + (1 - begun) * share))
    results: list[SettingResult] = []
    for setting, firmware in runs.items():
        mine = tuple(row for row in rows if row.setting == setting)
        kept = results[0].metrics if results else None
        idle = idle_lstar(firmware, heard.silence)
        results.append(_result(setting, mine, idle, specification.targets, kept, heard))
    tell(1.0)
    return ExportedJudgement(
        tuple(rows), tuple(results), limit, heard.quiet_name, heard.not_judged, no_runtime
    )


def why_no_runtime(chain: Chain) -> str:
    """Return why a chain's runtime cannot be exported, in one line; "" if it can."""
    try:
        ExportedFirmware(chain)
    except ParameterError as problem:
        return str(problem)
    return ""


def firmware_of(chain: Chain, setting: Setting) -> ExportedFirmware | PlainTable:
    """Return what makes a setting's light."""
    if setting.place == "plain table":
        return PlainTable(chain)
    return ExportedFirmware(chain, setting.sensitivity, step=setting.step)


def _nobody(share: float) -> None:
    del share


def _result(
    setting: Setting,
    rows: tuple[ExportedRow, ...],
    idle: float,
    targets: Targets,
    fixed: dict[str, float] | None,
    heard: Heard,
) -> SettingResult:
    metrics = {
        FLASH_METRIC: float(max(row.flashes_per_s for row in rows)),
        "idle_lstar": idle,
        RECOVERY: max(row.recovery_s for row in rows if row.start == "shout"),
        "beat_contrast_lstar": _over(rows, heard, "beat", "contrast_lstar", min),
        "quiet_lit_share": _over(rows, heard, "quiet", "lit_share", min),
        "false_light_lstar": _over(rows, heard, "walking", "lightness_95_lstar", max),
    }
    return SettingResult(
        setting=setting,
        worst=max(rows, key=lambda row: row.flashes_per_s),
        flashes_guarded=max(row.flashes_guarded for row in rows),
        guard_held_share=max(row.guard_held_share for row in rows),
        metrics=metrics,
        misses=_misses(setting, metrics, targets, fixed),
    )


def _over(
    rows: tuple[ExportedRow, ...], heard: Heard, tag: str, name: str, worst: Callable[[list[float]], float]
) -> float:
    labels = {clip.label for clip in heard.clips if tag in clip.tags}
    found = [getattr(row, name) for row in rows if row.clip in labels and row.start == "quiet minute"]
    return worst(found) if found else math.nan


def _misses(
    setting: Setting, metrics: dict[str, float], targets: Targets, fixed: dict[str, float] | None
) -> tuple[Miss, ...]:
    flash = Target(FLASH_METRIC, "at_most", targets.flash_limit, 1.0)
    misses = [_miss(flash, metrics)]
    if fixed is not None:
        is_end = setting.place in ("least sensitive", "most sensitive")
        for target in targets.soft:
            if target.metric in JUDGED_BY and (JUDGED_BY[target.metric] or not is_end):
                misses.append(None if _miss(target, fixed) else _miss(target, metrics))
        if metrics[RECOVERY] > MOST_RECOVERY_S >= fixed[RECOVERY]:
            misses.append(Miss(RECOVERY, MOST_RECOVERY_S, metrics[RECOVERY]))
    return tuple(miss for miss in misses if miss is not None)


def _miss(target: Target, metrics: dict[str, float]) -> Miss | None:
    value = metrics[target.metric]
    broken = not math.isnan(value) and float(target.violation(np.asarray(value))) > 0
    return Miss(target.metric, target.limit, value) if broken else None

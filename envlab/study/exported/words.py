"""What the judgement of the exported firmware says: records of a sentence and its metric."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from envlab.study.exported.judgement import RECOVERY, ExportedJudgement, Miss, SettingResult
from envlab.study.exported.scenarios import AFTER_SHOUT_S, SHOUT_S
from envlab.study.specification.targets import FLASH_METRIC, METRIC_NAMES
from envlab.study.tolerance.words import percent_text, value_text

Kind = Literal["judged", "kept", "broken", "guard", "not judged"]


@dataclass(frozen=True)
class Finding:
    """One sentence. kind: what it is about. metric: the one that it speaks of, "" for none."""

    kind: Kind
    text: str
    metric: str = ""


def findings(judgement: ExportedJudgement, sensitivity: str, *, guard: bool) -> tuple[Finding, ...]:
    """Return what is to be said of the firmware that is exported at a sensitivity, with or without guard."""
    lines = list(_not_judged(judgement))
    if not judgement.is_judged:
        return tuple(lines)
    results = judgement.of("none" if judgement.no_runtime else sensitivity)
    lines.append(_how(judgement))
    for result in results:
        lines.append(_flashes(result, judgement))
        lines += [_broken(result, miss) for miss in result.misses if miss.metric != FLASH_METRIC]
    if not judgement.no_runtime:
        lines.append(_guard(results, guard=guard))
    return tuple(lines)


HEADINGS = ("", "flashes", "guarded", "frames held", "silence", "after a shout")


def table_lines(results: tuple[SettingResult, ...]) -> tuple[tuple[str, ...], ...]:
    """Return the cells of HEADINGS for each setting.

    Flashes in the worst second without and with the guard, share of a run's frames that the guard changes,
    light in silence, and the time after a shout until the light is itself again.
    """
    return tuple(
        (
            result.setting.name,
            f"{result.flashes_per_s}",
            f"{result.flashes_guarded}",
            percent_text(result.guard_held_share),
            f"{result.metrics['idle_lstar']:.1f} L*",
            recovery_text(result.metrics[RECOVERY]),
        )
        for result in results
    )


def verdict(result: SettingResult) -> str:
    """As in "kept", or "flashes broken, idle light broken"."""
    names = [
        "recovery" if miss.metric == RECOVERY else METRIC_NAMES[miss.metric].lower() for miss in result.misses
    ]
    return ", ".join(f"{name} broken" for name in names) or "kept"


def _not_judged(judgement: ExportedJudgement) -> list[Finding]:
    lines = []
    if judgement.no_runtime:
        text = f"The runtime is left out: {judgement.no_runtime}. The plain table is judged, by the model."
        lines.append(Finding("not judged", text))
    if judgement.is_judged:
        for clip, reason in judgement.not_judged.items():
            lines.append(Finding("not judged", f"{clip} was not judged: {reason}.", FLASH_METRIC))
        return lines
    why = "; ".join(f"{clip}: {reason}" for clip, reason in judgement.not_judged.items())
    text = f"Whether the lights flash too often was not judged: {why or 'the design has no clips'}."
    return [*lines, Finding("not judged", text, FLASH_METRIC)]


def _how(judgement: ExportedJudgement) -> Finding:
    clips = len({row.clip for row in judgement.rows})
    return Finding(
        "judged",
        f"What is exported was played on {clips} clip{'s' * (clips != 1)}, without the guard: from power-up, "
        f"after a minute of {judgement.quiet_name}, and after a shout of {SHOUT_S:g} s.",
    )


_AFTER = {"power-up": "from power-up", "quiet minute": "after the quiet minute", "shout": "after the shout"}


def _flashes(result: SettingResult, judgement: ExportedJudgement) -> Finding:
    kept = result.flashes_per_s <= judgement.flash_limit
    where = f" ({result.worst.clip}, {_AFTER[result.worst.start]})" if result.flashes_per_s else ""
    limit = f"at most {judgement.flash_limit:g} {'are' if kept else 'would be'} allowed"
    text = f"{_subject(result)}: {_counted(result.flashes_per_s)} in the worst second{where}; {limit}."
    return Finding("kept" if kept else "broken", text, FLASH_METRIC)


def _subject(result: SettingResult) -> str:
    name = result.setting.name
    return name[0].upper() + name[1:]


def _counted(count: int) -> str:
    return f"{count or 'no'} flash{'es' * (count != 1)}"


def _broken(result: SettingResult, miss: Miss) -> Finding:
    if miss.metric == RECOVERY:
        text = f"dark or bright for {recovery_text(miss.value)} after a shout, {miss.limit:g} s are allowed"
    else:
        name = METRIC_NAMES[miss.metric].lower()
        asked = value_text(miss.metric, miss.limit)
        text = f"{name} is {value_text(miss.metric, miss.value)}, asked is {asked}; the fixed window keeps it"
    return Finding("broken", f"{_subject(result)}: {text}.", miss.metric)


def recovery_text(seconds: float) -> str:
    """As in "at once", "2.4 s", or "more than 45 s" where the light had not come back at the end."""
    if seconds == 0:
        return "at once"
    return f"more than {AFTER_SHOUT_S:g} s" if math.isinf(seconds) else f"{seconds:.1f} s"


def _guard(results: tuple[SettingResult, ...], *, guard: bool) -> Finding:
    most = max(result.flashes_guarded for result in results)
    share = max(result.guard_held_share for result in results)
    state = "on" if guard else "OFF, and nothing holds the light"
    return Finding(
        "guard",
        f"The flash guard is {state}. With it the worst second has {_counted(most)}, and it changes "
        f"{f'at most {percent_text(share)} of the frames of a run' if share else 'no frame'}.",
        "guard_held_share",
    )

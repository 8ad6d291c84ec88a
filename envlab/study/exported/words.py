"""What the judgement of the exported firmware says: sentences with the numbers that they rest on."""

from __future__ import annotations

import math

from envlab.chain import Chain
from envlab.digital.auto_level import AutoLevel, OffsetSteps
from envlab.metrics.catalogue import FLASH_METRIC, METRICS
from envlab.study.exported.judgement import RECOVERY, ExportedJudgement, Miss, SettingResult
from envlab.study.exported.light import ExportedFirmware
from envlab.study.exported.scenarios import AFTER_SHOUT_S, SHOUT_S
from envlab.study.sentences import Sentence
from envlab.study.tolerance.words import percent_text

KINDS = ("not judged", "played", "kept", "broken", "guard")
HEADINGS = ("", "flashes", "guarded", "frames held", "silence", "after a shout")
_AFTER = {"power-up": "from power-up", "quiet minute": "after the quiet minute", "shout": "after the shout"}


def sentences(judgement: ExportedJudgement, sensitivity: str, *, guard: bool) -> tuple[Sentence, ...]:
    """Return what is to be said of firmware exported at a sensitivity, with or without guard; of KINDS."""
    lines = list(_not_judged(judgement))
    if not judgement.is_judged:
        return tuple(lines)
    results = judgement.of("none" if judgement.no_runtime else sensitivity)
    lines.append(_played(judgement))
    for result in results:
        lines.append(_flashes(result, judgement.flash_limit))
        lines += [_broken(result, miss) for miss in result.misses if miss.metric != FLASH_METRIC]
    if not judgement.no_runtime:
        lines.append(_guard(results, guard=guard))
    return tuple(lines)


def settings_words(chain: Chain) -> Sentence:
    """Return what each sensitivity is for, with how far it moves floor and ceiling of this board."""
    at = chain.brightness
    button, automatic = (ExportedFirmware(chain, name) for name in ("steps", "automatic"))
    steps, moves = button.design.level, automatic.design.level
    assert isinstance(steps, OffsetSteps)
    assert isinstance(moves, AutoLevel)
    low_db = automatic.design.lowest_window_db
    text = (
        f"Fixed: the light begins at {at.floor_db_spl:g} dB SPL and is full at {at.ceiling_db_spl:g}. "
        f"Steps: a button moves both, {button.steps} steps of {steps.step_db:g} dB, for a louder or softer "
        "place than the clips'. Automatic: the firmware moves both after the music, so that loud and soft "
        f"bands use the whole light, at most {-low_db:.2g} dB down and {moves.up_db:g} dB up; how loud it is "
        "then shows less."
    )
    behind = {"steps": button.steps, "step_db": steps.step_db, "down_db": -low_db, "up_db": moves.up_db}
    return Sentence("settings", text, behind)


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
    return ", ".join(f"{_metric_name(miss)} broken" for miss in result.misses) or "kept"


def recovery_text(seconds: float) -> str:
    """As in "at once", "2.4 s", or "more than 45 s" where the light had not come back at the end.

    seconds: 0 or more, s, or inf. Less than half a tenth is at once.
    """
    if seconds < 0.05:
        return "at once"
    return f"more than {AFTER_SHOUT_S:g} s" if math.isinf(seconds) else f"{seconds:.1f} s"


def _not_judged(judgement: ExportedJudgement) -> list[Sentence]:
    lines = []
    if judgement.no_runtime:
        text = f"The runtime is left out: {judgement.no_runtime}. The plain table is judged, by the model."
        lines.append(Sentence("not judged", text, {"runtime": judgement.no_runtime}))
    if judgement.is_judged:
        for clip, reason in judgement.not_judged.items():
            lines.append(Sentence("not judged", f"{clip} was not judged: {reason}.", {clip: reason}))
        return lines
    why = "; ".join(f"{clip}: {reason}" for clip, reason in judgement.not_judged.items())
    text = f"Whether the lights flash too often was not judged: {why or 'the design has no clips'}."
    return [*lines, Sentence("not judged", text, dict(judgement.not_judged))]


def _played(judgement: ExportedJudgement) -> Sentence:
    clips = len({row.clip for row in judgement.rows})
    return Sentence(
        "played",
        f"What is exported was played on {clips} clip{'s' * (clips != 1)}, without the guard: from power-up, "
        f"after a minute of {judgement.quiet_name}, and after a shout of {SHOUT_S:g} s.",
        {"clips": clips, "quiet": judgement.quiet_name},
    )


def _flashes(result: SettingResult, limit: float) -> Sentence:
    kept = result.flashes_per_s <= limit
    where = f" ({result.worst.clip}, {_AFTER[result.worst.start]})" if result.flashes_per_s else ""
    text = (
        f"{_subject(result)}: {_counted(result.flashes_per_s)} in the worst second{where}; "
        f"at most {limit:g} {'are' if kept else 'would be'} allowed."
    )
    behind: dict[str, float | str] = {
        "setting": result.setting.name,
        FLASH_METRIC: result.flashes_per_s,
    }
    return Sentence("kept" if kept else "broken", text, behind)


def _broken(result: SettingResult, miss: Miss) -> Sentence:
    if miss.metric == RECOVERY:
        text = (
            f"not itself again until {recovery_text(miss.value)} after a shout, {miss.limit:g} s are allowed"
        )
    else:
        value, asked = (METRICS[miss.metric].text(number) for number in (miss.value, miss.limit))
        text = f"{_metric_name(miss)} is {value}, asked is {asked}; the fixed window keeps it"
    behind: dict[str, float | str] = {"setting": result.setting.name, miss.metric: miss.value}
    return Sentence("broken", f"{_subject(result)}: {text}.", behind)


def _guard(results: tuple[SettingResult, ...], *, guard: bool) -> Sentence:
    most = max(result.flashes_guarded for result in results)
    share = max(result.guard_held_share for result in results)
    state = "on" if guard else "OFF, and nothing holds the light"
    changes = f"at most {percent_text(share)} of the frames of a run" if share else "no frame"
    return Sentence(
        "guard",
        f"The flash guard is {state}. With it the worst second has {_counted(most)}, and it changes "
        f"{changes}.",
        {"flashes_guarded": most, "guard_held_share": share, "guard": "on" if guard else "off"},
    )


def _metric_name(miss: Miss) -> str:
    return "recovery" if miss.metric == RECOVERY else METRICS[miss.metric].name_in_text


def _subject(result: SettingResult) -> str:
    name = result.setting.name
    return name[0].upper() + name[1:]


def _counted(count: int) -> str:
    return f"{count or 'no'} flash{'es' * (count != 1)}"

"""The report's section on what the firmware shows: exported, at each sensitivity, on each clip."""

from __future__ import annotations

from dataclasses import dataclass

from envlab.board_firmware.folder import depth_words
from envlab.study.exported.judgement import ExportedJudgement
from envlab.study.exported.rows import STARTS, ExportedRow, Setting
from envlab.study.exported.words import (
    HEADINGS,
    recovery_text,
    sentences,
    settings_words,
    table_lines,
    verdict,
)
from envlab.study.sweep.choice import Choice
from envlab.study.tolerance.words import percent_text
from envlab.units import keep_together


@dataclass(frozen=True)
class WornRow:
    """One setting's cells under the headings, and whether it is the one of the design, and keeps all."""

    cells: tuple[str, ...]
    verdict: str
    is_exported: bool
    is_kept: bool


@dataclass(frozen=True)
class WornClip:
    """One setting on one clip. flashes: in the worst second after each of STARTS, "without / with guard"."""

    setting: str
    clip: str
    flashes: tuple[str, ...]
    held: str
    recovery: str
    over: bool


@dataclass(frozen=True)
class WornSection:
    """Sentences, and the rows of the two tables; nothing in them where nothing could be judged."""

    sentences: tuple[str, ...]
    headings: tuple[str, ...]
    rows: tuple[WornRow, ...]
    starts: tuple[str, ...]
    clips: tuple[WornClip, ...]


def _dither(choice: Choice) -> list[str]:
    return depth_words(choice.chain)[1:] if choice.chain.dither_bits else []


def worn_section(choice: Choice, judgement: ExportedJudgement | None) -> WornSection | None:
    """Return the section on a choice's firmware; None without a judgement."""
    if judgement is None:
        return None
    firmware = choice.chain.firmware
    said = sentences(judgement, firmware.sensitivity, guard=firmware.is_guarded)
    cells = table_lines(judgement.results)
    if judgement.is_judged and not judgement.no_runtime:
        said = (*said, settings_words(choice.chain))
    return WornSection(
        sentences=tuple(keep_together(text) for text in [*(one.text for one in said), *_dither(choice)]),
        headings=HEADINGS,
        rows=tuple(
            WornRow(
                row, verdict(result), result.setting.sensitivity == firmware.sensitivity, not result.misses
            )
            for row, result in zip(cells, judgement.results, strict=True)
        ),
        starts=STARTS,
        clips=tuple(
            _clip(setting, clip, judgement)
            for setting in dict.fromkeys(row.setting for row in judgement.rows)
            for clip in dict.fromkeys(row.clip for row in judgement.rows)
        ),
    )


def _clip(setting: Setting, clip: str, judgement: ExportedJudgement) -> WornClip:
    rows: dict[str, ExportedRow] = {
        row.start: row for row in judgement.rows if (row.setting, row.clip) == (setting, clip)
    }
    return WornClip(
        setting=setting.name,
        clip=clip,
        flashes=tuple(f"{rows[start].flashes_per_s} / {rows[start].flashes_guarded}" for start in STARTS),
        held=percent_text(max(row.guard_held_share for row in rows.values())),
        recovery=recovery_text(rows["shout"].recovery_s),
        over=any(row.flashes_per_s > judgement.flash_limit for row in rows.values()),
    )

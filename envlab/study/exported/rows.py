"""What each sensitivity shows on each clip, after each start: the rows that decide.

Flashes are those of the worst sliding second of a whole run, what goes before the clip included, red ones too
where the design has a colour (envlab.metrics.worst_flashes). Contrast, lit share and the 95 % point of L* are
of the clip alone, after the quiet minute, defined as in envlab.metrics.clip_metrics. guard_held_share is the
share of a run's frames that the flash guard changes. All but flashes_guarded and guard_held_share are without
the guard.

recovery_s, after a shout: the brightest L* within the second that begins with each frame is compared with
that of the same music without the shout; it is the time from the end of the shout to the last frame at which
they lie more than RECOVERED_LSTAR apart, 0 if there is none; inf if it is not over at the end of the run.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from threading import Lock
from typing import TypedDict

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from envlab.chain import Chain
from envlab.light.lightness import lightness_cie1976
from envlab.metrics.clip_metrics import LIT_LSTAR
from envlab.metrics.contrast import contrast_of_frames
from envlab.metrics.worst_flashes import most_flashes
from envlab.study.exported.light import ExportedFirmware, ExportedLight, PlainTable, frame_count
from envlab.study.exported.scenarios import (
    AFTER_SHOUT_S,
    BEFORE_SHOUT_S,
    SHOUT_S,
    Heard,
    joined,
    lasting,
)
from envlab.study.exported.shown import ShortCounts

STARTS = ("power-up", "quiet minute", "shout")
RECOVERED_LSTAR = 10.0
# From so many readings of a clip on, one setting is judged at a time: the light of an evening is large, and
# two at once would save a second.
_LARGE = 1 << 21


@dataclass(frozen=True)
class Setting:
    """One sensitivity as it is worn. sensitivity: "none", "steps" or "automatic". step: of the button."""

    sensitivity: str
    step: int | None = None
    place: str = ""

    @property
    def name(self) -> str:
        """As in "fixed", "steps, least sensitive", "automatic", "plain table"."""
        if self.sensitivity == "none":
            return self.place or "fixed"
        return f"{self.sensitivity}, {self.place}" if self.place else self.sensitivity


@dataclass(frozen=True)
class ExportedRow:
    """One setting on one clip after one start; defined at the module's top, NaN where none applies."""

    setting: Setting
    start: str
    clip: str
    flashes_per_s: int
    flashes_guarded: int
    guard_held_share: float
    recovery_s: float = math.nan
    contrast_lstar: float = math.nan
    lit_share: float = math.nan
    lightness_95_lstar: float = math.nan


def settings_of(chain: Chain, sensitivities: Iterable[str]) -> tuple[Setting, ...]:
    """Return the settings at which sensitivities are judged; of a button its ends and the design's step."""
    found: list[Setting] = []
    for sensitivity in sensitivities:
        if sensitivity != "steps":
            found.append(Setting(sensitivity))
            continue
        button = ExportedFirmware(chain, sensitivity)
        places = {0: "least sensitive", button.steps - 1: "most sensitive", button.design_step: "as designed"}
        found += [Setting(sensitivity, step, places[step]) for step in sorted(places)]
    return tuple(found)


def rows_of(
    heard: Heard,
    runs: Mapping[Setting, ExportedFirmware | PlainTable],
    *,
    workers: int = 2,
    progress: Callable[[float], None] | None = None,
) -> list[ExportedRow]:
    """Return the rows of every setting, with what makes its light, on every clip after every start.

    progress: called with the share that is done, from several threads, one at a time.
    """
    asked = [(setting, clip) for setting in runs for clip in heard.clips]
    shares, in_turn = np.zeros(len(asked)), Lock()
    sizes = np.array([heard.clips[clip].size for _, clip in asked])

    def one(number: int) -> list[ExportedRow]:
        setting, clip = asked[number]

        def tell(share: float) -> None:
            # Between sum and call another thread may have told more: the share would go back.
            with in_turn:
                shares[number] = share
                if progress is not None:
                    progress(float(shares @ sizes / sizes.sum()))

        return rows_of_clip(setting, runs[setting], clip.label, heard.clips[clip], heard, tell)

    with ThreadPoolExecutor(workers if sizes.max() < _LARGE else 1) as pool:
        return [row for rows in pool.map(one, range(len(asked))) for row in rows]


def rows_of_clip(
    setting: Setting,
    firmware: ExportedFirmware | PlainTable,
    label: str,
    clip: ShortCounts,
    heard: Heard,
    progress: Callable[[float], None] | None = None,
) -> list[ExportedRow]:
    """Return the rows of one setting on one clip, clip being what is read on it.

    progress: called with the share that is done. One light at a time is held: an evening's is large.
    """
    before, after = (lasting(clip, some_s, firmware.chain) for some_s in (BEFORE_SHOUT_S, AFTER_SHOUT_S))
    calm = joined((before, lasting(clip, SHOUT_S, firmware.chain), after))
    runs = {"power-up": (clip,), "quiet minute": (heard.quiet, clip), "shout": (before, heard.shout, after)}
    whole, done = sum(some.size for stretches in runs.values() for some in stretches), 0
    rows = []
    for start, stretches in runs.items():
        readings = joined(stretches)
        free = _without_guard(start, firmware, readings, calm, frames_of=stretches[-1].size)
        done += readings.size
        if progress is not None:
            progress((done - readings.size / 2) / whole)
        flashes_guarded, held_share = _guarded(firmware, readings)
        rows.append(
            ExportedRow(
                setting=setting,
                start=start,
                clip=label,
                flashes_guarded=flashes_guarded,
                guard_held_share=held_share,
                **free,
            )
        )
        if progress is not None:
            progress(done / whole)
    return rows


def _guarded(firmware: ExportedFirmware | PlainTable, readings: ShortCounts) -> tuple[int, float]:
    """Return flashes_guarded and guard_held_share."""
    light = firmware.light(readings, guard=True)
    luminance, held_share = light.luminance, light.held_share
    # Codes and duties of an evening are large, and done with.
    del light
    return most_flashes(firmware.chain, luminance), held_share


class _Free(TypedDict):
    """What a row has of a run without the guard; NaN where none applies."""

    flashes_per_s: int
    recovery_s: float
    contrast_lstar: float
    lit_share: float
    lightness_95_lstar: float


def _without_guard(
    start: str,
    firmware: ExportedFirmware | PlainTable,
    readings: ShortCounts,
    calm: ShortCounts,
    frames_of: int,
) -> _Free:
    """calm: as readings, without the shout. frames_of: so many of the last readings have frames judged."""
    chain = firmware.chain
    light, last = firmware.light(readings, guard=False), frame_count(chain, frames_of)
    recovered_s = math.nan
    if start == "shout":
        recovered_s = recovery_s(light, firmware.light(calm, guard=False), last, chain.frame_rate_hz)
    luminance = light.luminance
    # As in _guarded.
    del light
    found = _Free(
        flashes_per_s=most_flashes(chain, luminance),
        recovery_s=recovered_s,
        contrast_lstar=math.nan,
        lit_share=math.nan,
        lightness_95_lstar=math.nan,
    )
    if start == "quiet minute":
        lightness = lightness_cie1976(luminance[-last:])
        found["contrast_lstar"] = contrast_of_frames(lightness, chain.frame_rate_hz)
        found["lit_share"] = float(np.mean(lightness > LIT_LSTAR))
        found["lightness_95_lstar"] = float(np.percentile(lightness, 95))
    return found


def idle_lstar(firmware: ExportedFirmware | PlainTable, silence: ShortCounts) -> float:
    """Return the 95 % point of L* on the board's own noise, without the guard; the board has been on.

    silence: readings (n,), whole counts.
    """
    light = firmware.light(silence, guard=False, state=firmware.running())
    return float(np.percentile(light.lightness, 95))


def recovery_s(shouted: ExportedLight, calm: ExportedLight, frames_after: int, frame_rate_hz: float) -> float:
    """Return recovery_s of two runs that end with frames_after frames of the same music."""
    second = min(round(frame_rate_hz), frames_after)
    peaks = [
        sliding_window_view(light.lightness[-frames_after:], second).max(axis=1) for light in (shouted, calm)
    ]
    apart = np.flatnonzero(np.abs(peaks[0] - peaks[1]) > RECOVERED_LSTAR)
    if not apart.size:
        return 0.0
    last = int(apart[-1])
    return math.inf if last == peaks[0].size - 1 else (last + 1) / frame_rate_hz

"""Named defects: one path or stage broken in one place, to see that the net turns red.

Loaded as a plugin, ``pytest -p engine.defects`` with ENVLAB_DEFECT=NAME, it breaks what the name says before
any test runs. Each stands for a mistake that is easily made when loops are joined or moved.
"""

from __future__ import annotations

import importlib
import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

VARIABLE = "ENVLAB_DEFECT"


@dataclass(frozen=True)
class Defect:
    """says: what is wrong. where, name: module, and what in it is replaced by broken(what stands there).
    seen_by: tests beside this file that must all turn red."""

    says: str
    where: str
    name: str
    broken: Callable[[Any], Any]
    seen_by: tuple[str, ...]

    def commit(self) -> None:
        """Break it, in this process."""
        owner: Any = importlib.import_module(self.where)
        *within, last = self.name.split(".")
        for part in within:
            owner = getattr(owner, part)
        setattr(owner, last, self.broken(getattr(owner, last)))


def _a_sample_late(stamps_of: Any) -> Any:
    def late(times_s: Any, samples: int, rate_hz: float) -> Any:
        upper, fraction = stamps_of(times_s, samples, rate_hz)
        return np.minimum(upper + 1, samples - 1), fraction

    return late


def _without_filter(drive_from: Any) -> Any:
    from envlab.analog.band_filter import NoBandFilter

    return lambda microphone_v, overloaded, preamp, _, rectifier, **rest: drive_from(
        microphone_v, overloaded, preamp, NoBandFilter(), rectifier, **rest
    )


def _forgetful(function: Any) -> Any:
    """Begins at rest with every block."""
    return lambda *args, **options: function(*args, **options | {"state": None})


def _without_coupling_memory(hold_drive: Any) -> Any:
    def forgets(*args: Any, state: Any, **options: Any) -> Any:
        return hold_drive(*args, state=replace(state, across_v=0.0), **options)

    return forgets


def _from_rest(follow: Any) -> Any:
    def forgets(self: Any, pressure_pa: Any) -> Any:
        self._state = np.zeros(6)
        return follow(self, pressure_pa)

    return forgets


def _first_preamp(fronts: Any) -> Any:
    return lambda chains, *rest: fronts([replace(chain, preamp=chains[0].preamp) for chain in chains], *rest)


def _tight(diode_step: Any) -> Any:
    """No leakage through the diode."""

    def step(*args: Any) -> Any:
        numbers = diode_step(*args)
        numbers[1] = 0.0
        return numbers

    return step


def _skips_too_much(rows: Any) -> Any:
    """What the bleed takes in a strip is taken for two."""

    def more(*args: Any) -> Any:
        numbers = rows(*args)
        numbers[3] = 1 - (1 - numbers[3]) ** 2
        return numbers

    return more


def _without_swing(own_rows: Any) -> Any:
    def rows(*args: Any) -> Any:
        numbers = own_rows(*args)
        numbers[4], numbers[5], numbers[6] = -np.inf, np.inf, np.inf
        return numbers

    return rows


def _streams_exchanged(noise_streams: Any) -> Any:
    def exchanged(rng: Any) -> Any:
        noise = noise_streams(rng)
        return replace(noise, microphone=noise.preamp, preamp=noise.microphone)

    return exchanged


def _without_offset(convert: Any) -> Any:
    return lambda volts, adc, **options: convert(volts, replace(adc, offset_lsb=0.0), **options)


def _rounds_up(counts_above: Any) -> Any:
    def half_up(*args: Any) -> Any:
        changed = list(args)
        changed[5] = changed[5] + 0.5
        return counts_above(*changed)

    return half_up


def _without_noise(read_envelopes: Any) -> Any:
    return lambda *args, **options: read_envelopes(*args, **options | {"seed": None})


def _without_a_past(rough: Any) -> Any:
    def nothing_before(chain: Any, *args: Any) -> Any:
        volts, _ = rough(chain, *args)
        return volts, chain.quiescent_state

    return nothing_before


def _without_the_preamp(front_end_of: Any) -> Any:
    return lambda chain: front_end_of(replace(chain, preamp=type(chain.preamp)()))


def _one_frame_late(frame_readings: Any) -> Any:
    def late(chain: Any, frames: int) -> Any:
        wanted = frame_readings(chain, frames)
        return replace(wanted, names=lambda first, last: np.maximum(wanted.names(first, last) - 1, 0))

    return late


def _loosely(settled_starts: Any) -> Any:
    return lambda cycle_v, steps, _: settled_starts(cycle_v, steps, 1e-2)


def _path(case: str) -> str:
    return f"test_every_path.py::test_gives_what_the_chain_gives[{case}]"


def _tone(case: str) -> str:
    return f"test_settled_tones.py::test_for_all_levels_at_once_or_at_one[{case}]"


def _record(case: str) -> str:
    return f"test_record.py::test_reads_what_it_read[{case}]"


DEFECTS: dict[str, Defect] = {
    "forgetful pass": Defect(
        "the compiled pass over all stages begins at rest with every block",
        "envlab.analog.one_pass_board",
        "PrecisionBoard.follow",
        _from_rest,
        (_path("quick-staged"),),
    ),
    "one front end": Defect(
        "the sweep takes the first board's preamp for every other's",
        "envlab.engine.clip_pass",
        "_fronts",
        _first_preamp,
        (_path("quick-sweep, several fronts"),),
    ),
    "sweep reads late": Defect(
        "the sweep reads each voltage one sample after its instant",
        "envlab.engine.reading_schedule",
        "stamps_of",
        _a_sample_late,
        (_path("as it comes-sweep, alone"),),
    ),
    "sweep without filter": Defect(
        "the sweep's front end leaves out the band filter",
        "envlab.engine.clip_pass",
        "drive_from",
        _without_filter,
        (_path("first low-sweep, alone"),),
    ),
    "sweep rounds": Defect(
        "the sweep's converter rounds where a converter cuts",
        "envlab.engine.count_kernels",
        "counts_above_quiescent",
        _rounds_up,
        (_path("as it comes-sweep, alone"),),
    ),
    "tight diodes": Defect(
        "diodes of a bank do not leak",
        "envlab.analog.bank.diode_bank",
        "diode_step",
        _tight,
        (_path("germanium-sweep, in a bank"),),
    ),
    "bank skips too much": Defect(
        "detectors of a bank lose in a strip what they lose in two",
        "envlab.analog.bank.detector_bank",
        "_rows",
        _skips_too_much,
        (_path("as it comes-sweep, alone"),),
    ),
    "endless swing": Defect(
        "boards side by side never clip",
        "envlab.analog.bank.tolerance_bank",
        "_own_rows",
        _without_swing,
        (_path("quick-tolerance, quick"), _path("quick-tolerance, envelopes")),
    ),
    "forgetful microphone": Defect(
        "a board that runs by itself begins with a silent microphone in every block",
        "envlab.study.tolerance.board_run",
        "hear",
        _forgetful,
        (_path("forgets at once-tolerance, exact"),),
    ),
    "forgetful follower": Defect(
        "the followers of many chains begin at rest with every block",
        "envlab.engine.followed_envelopes",
        "follow",
        _forgetful,
        (_path("one pole-frames"), _path("one pole-tolerance, envelopes")),
    ),
    "noise exchanged": Defect(
        "simulate takes the microphone's noise for the preamp's",
        "envlab.engine.node_table",
        "noise_streams",
        _streams_exchanged,
        (_path("as it comes-simulate"),),
    ),
    "metrics without noise": Defect(
        "the metrics of a clip hear no noise",
        "envlab.metrics.metrics_of_clip",
        "read_envelopes",
        _without_noise,
        (_path("quick-metrics, frames kept"), _path("noisy-idle")),
    ),
    "frames late": Defect(
        "metrics that count frame by frame see the reading before",
        "envlab.metrics.metrics_of_clip",
        "frame_readings",
        _one_frame_late,
        (_path("quick-metrics, running"),),
    ),
    "stale front end": Defect(
        "the audition keeps its drive when the preamp is turned",
        "envlab.study.listening.wave",
        "front_end_of",
        _without_the_preamp,
        (_path("quick-audition, whole"),),
    ),
    "forgetful coupling": Defect(
        "the audition empties the coupling capacitor with every block",
        "envlab.study.listening.listening",
        "hold_drive",
        _without_coupling_memory,
        (_path("coupled-audition, whole"),),
    ),
    "window without a past": Defect(
        "the seconds round the playhead begin with an empty capacitor",
        "envlab.study.listening.window",
        "_rough",
        _without_a_past,
        (
            _path("as it comes-audition, window"),
            _path("as it comes-audition, window with the front known"),
        ),
    ),
    "firmware without filter": Defect(
        "the fast ADC reads before the band filter",
        "envlab.study.listening.firmware",
        "drive_from",
        _without_filter,
        (_path("first low-firmware with a fast ADC"),),
    ),
    "feedback without offset": Defect(
        "the loop's converter has no offset",
        "envlab.study.feedback",
        "convert",
        _without_offset,
        (_path("offset up-feedback, uncoupled"),),
    ),
    "loose tones": Defect(
        "settled tones are left at one per cent",
        "envlab.analog.kernels.tone_kernels",
        "settled_starts",
        _loosely,
        (_tone("quick-1000.0"),),
    ),
    "no bleed while charging": Defect(
        "every detector charges as if its release were not there: on all paths alike",
        "envlab.analog.detector",
        "PeakDetector.divider",
        lambda _: 1.0,
        (_record("as it comes"),),
    ),
}


def pytest_configure() -> None:
    """Commit the defect that the environment names."""
    if os.environ.get(VARIABLE):
        DEFECTS[os.environ[VARIABLE]].commit()

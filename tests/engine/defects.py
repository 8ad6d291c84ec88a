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


def _unfiltered(boards: Any) -> Any:
    from envlab.analog.band_filter import NoBandFilter

    return [replace(board, band_filter=NoBandFilter()) for board in boards]


def _without_filter(trunk_of: Any) -> Any:
    return lambda boards, rate_hz: trunk_of(_unfiltered(boards), rate_hz)


def _unfiltered_stages(front_end: Any) -> Any:
    from envlab.analog.band_filter import NoBandFilter

    return lambda stages, around: front_end(dict(stages) | {"band_filter": NoBandFilter()}, around)


def _forgetful(function: Any) -> Any:
    """Begins at rest with every block."""
    return lambda *args, **options: function(*args, **options | {"state": None})


def _without_coupling_memory(hold_rectified: Any) -> Any:
    def forgets(*args: Any, state: Any, **options: Any) -> Any:
        return hold_rectified(*args, state=replace(state, across_v=0.0), **options)

    return forgets


def _counting_anew(hold_rectified: Any) -> Any:
    def forgets(*args: Any, state: Any, **options: Any) -> Any:
        return hold_rectified(*args, state=replace(state, samples=0), **options)

    return forgets


def _from_rest(advance: Any) -> Any:
    def forgets(self: Any, *args: Any) -> Any:
        self._state = np.zeros_like(self._state)
        return advance(self, *args)

    return forgets


def _first_preamp(trunk_of: Any) -> Any:
    return lambda boards, rate_hz: trunk_of(
        [replace(board, preamp=boards[0].preamp) for board in boards], rate_hz
    )


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


def _without_offset(quantiser: Any) -> Any:
    return lambda boards, *rest: quantiser(
        [replace(board, adc=replace(board.adc, offset_lsb=0.0)) for board in boards], *rest
    )


def _unbent(quantise: Any) -> Any:
    def straight(read_v: Any, lanes: Any, converters: Any, noise_lsb: Any) -> Any:
        ideal = converters.copy()
        ideal[:, 5:7] = 0.0
        return quantise(read_v, lanes, ideal, noise_lsb)

    return straight


def _rounds_up(quantise: Any) -> Any:
    def half_up(read_v: Any, lanes: Any, converters: Any, noise_lsb: Any) -> Any:
        return quantise(read_v, lanes, converters, noise_lsb + 0.5)

    return half_up


def _without_noise(read_envelopes: Any) -> Any:
    return lambda *args, **options: read_envelopes(*args, **options | {"seed": None})


def _without_a_past(rough: Any) -> Any:
    def nothing_before(chain: Any, *args: Any) -> Any:
        volts, _ = rough(chain, *args)
        return volts, chain.quiescent_state

    return nothing_before


def _without_the_preamp(upstream: Any) -> Any:
    return lambda board, stage: upstream(replace(board, preamp=type(board.preamp)()), stage)


def _twice_as_loud(input_noise_v: Any) -> Any:
    return lambda *args: 2 * input_noise_v(*args)


def _begins_anew(advance: Any) -> Any:
    def anew(self: Any, *args: Any) -> Any:
        self._state = None
        return advance(self, *args)

    return anew


def _one_frame_late(frame_readings: Any) -> Any:
    def late(chain: Any, frames: int) -> Any:
        wanted = frame_readings(chain, frames)
        return replace(wanted, names=lambda first, last: np.maximum(wanted.names(first, last) - 1, 0))

    return late


def _loosely(settled_starts: Any) -> Any:
    return lambda cycle_v, steps, _: settled_starts(cycle_v, steps, 1e-2)


def _path(case: str) -> str:
    return f"test_every_path.py::test_gives_what_the_chain_gives[{case}]"


def _by_hand(board: str) -> str:
    return f"test_every_path.py::test_the_chain_counts_what_its_detector_holds[{board}]"


def _tone(case: str) -> str:
    return f"test_settled_tones.py::test_for_all_levels_at_once_or_at_one[{case}]"


def _turned(case: str) -> str:
    return f"test_turned_parts.py::test_in_the_audition[{case}]"


def _record(case: str) -> str:
    return f"test_record.py::test_reads_what_it_read[{case}]"


DEFECTS: dict[str, Defect] = {
    "readings late": Defect(
        "every reading is taken one sample after its instant: in all that play alike",
        "envlab.engine.reading_schedule",
        "stamps_of",
        _a_sample_late,
        (
            _by_hand("quick"),
            _path("quick-audition, whole"),
        ),
    ),
    "converter rounds": Defect(
        "the one quantiser rounds where a converter cuts",
        "envlab.analog.kernels.adc_kernels",
        "quantise",
        _rounds_up,
        (_record("quick"), _by_hand("quick")),
    ),
    "converter is straight": Defect(
        "the one quantiser knows neither dead zone nor bow",
        "envlab.analog.kernels.adc_kernels",
        "quantise",
        _unbent,
        (_record("real converter"), _by_hand("dead zone")),
    ),
    "forgetful pass": Defect(
        "the compiled pass over all stages begins at rest with every block",
        "envlab.engine.one_pass",
        "HearToHold.advance",
        _from_rest,
        (
            _path("quick-staged"),
            _record("quick"),
        ),
    ),
    "forgetful stage": Defect(
        "a stage by itself begins at rest with every block: on all paths alike",
        "envlab.engine.front_end",
        "_Single.advance",
        _begins_anew,
        (_record("two stages"),),
    ),
    "one front end": Defect(
        "boards played together all have the first one's preamp",
        "envlab.engine.play",
        "trunk_of",
        _first_preamp,
        (
            _path("quick-sweep, several fronts"),
            _path("quick-tolerance, exact"),
        ),
    ),
    "sweep without filter": Defect(
        "boards played together have no band filter",
        "envlab.engine.play",
        "trunk_of",
        _without_filter,
        (_path("first low-sweep, alone"),),
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
        "own_rows",
        _without_swing,
        (
            _path("quick-tolerance, quick"),
            _path("quick-tolerance, envelopes"),
        ),
    ),
    "noise twice": Defect(
        "boards side by side hear the preamp's noise twice as loud",
        "envlab.engine.side_by_side",
        "input_noise_v",
        _twice_as_loud,
        (_path("noisy-tolerance, quick"),),
    ),
    "forgetful follower": Defect(
        "the followers of many boards begin at rest with every block",
        "envlab.engine.followed_envelopes",
        "follow",
        _forgetful,
        (
            _path("one pole-frames"),
            _path("one pole-tolerance, envelopes"),
        ),
    ),
    "noise exchanged": Defect(
        "simulate takes the microphone's noise for the preamp's",
        "envlab.engine.node_table",
        "noise_streams",
        _streams_exchanged,
        (_path("quick-simulate"),),
    ),
    "metrics without noise": Defect(
        "the metrics of a clip hear no noise",
        "envlab.metrics.metrics_of_clip",
        "read_envelopes",
        _without_noise,
        (
            _path("quick-metrics, frames kept"),
            _path("noisy-idle"),
        ),
    ),
    "frames late": Defect(
        "metrics that count frame by frame see the reading before",
        "envlab.metrics.streaming_metrics",
        "frame_readings",
        _one_frame_late,
        (_path("quick-metrics, running"),),
    ),
    "stale front end": Defect(
        "what is kept of a board is taken for that of one with another preamp",
        "envlab.engine.board",
        "upstream",
        _without_the_preamp,
        (
            _path("quick-audition, whole"),
            _turned("precision-preamp"),
        ),
    ),
    "forgetful coupling": Defect(
        "the audition empties the coupling capacitor with every block",
        "envlab.study.listening.listening",
        "hold_rectified",
        _without_coupling_memory,
        (_path("coupled-audition, whole"),),
    ),
    "readings counted anew": Defect(
        "the audition's readings take charge at instants counted from each block's first sample",
        "envlab.study.listening.listening",
        "hold_rectified",
        _counting_anew,
        (_path("takes charge-audition, whole"),),
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
        "FrontEnd",
        _unfiltered_stages,
        (_path("first low-firmware with a fast ADC"),),
    ),
    "feedback without offset": Defect(
        "the loop's converter has no offset",
        "envlab.study.feedback",
        "Quantiser",
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

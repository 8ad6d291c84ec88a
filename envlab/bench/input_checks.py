"""What a capture must be before anything is said of a board: one line each, with what to do."""

from __future__ import annotations

import numpy as np

from envlab.bench.captures.capture import Capture
from envlab.bench.fit.align import Alignment
from envlab.bench.fit.first_guess import mean_between, rest_level, step_levels
from envlab.bench.fit.model import BenchModel
from envlab.bench.fit.values import file_times
from envlab.bench.signals.program import STEPS_DB
from envlab.board_firmware import runtime_design
from envlab.board_firmware.folder import runtime_lacks
from envlab.chain import Chain
from envlab.design_file import digest
from envlab.errors import EnvlabError
from envlab.firmware.export import mark_of

# Values that a rise to 90 % must have, so that its time can be told.
LEAST_VALUES_A_RISE = 3.0
# How much of a step's 6 dB must show between the two largest steps that are no louder than half of all.
_LEAST_STEP_DB, _FEWEST_LSB = 2.0, 8.0
_CLIPPED_SHARE = 0.002


class CaptureError(EnvlabError):
    """A capture that cannot be judged; the text says why and what to do."""


def check_capture(capture: Capture, model: BenchModel) -> None:
    """Raise CaptureError, one line, for a capture that does not belong to a design or cannot show its parts.

    Parameters
    ----------
    capture : Capture
        What came back.
    model : BenchModel
        The design and what was played.
    """
    chain, name = model.chain, capture.name or "capture"
    if capture.export_mark is not None:
        _check_mark(capture.export_mark, chain, name)
    if capture.bits is not None and capture.bits != chain.adc.bits:
        raise CaptureError(
            f"{name}: its converter has {capture.bits} bit, the design's {chain.adc.bits}; it is "
            f"a log of another design, hold it against that one"
        )
    if capture.rate_hz is not None and abs(capture.rate_hz / chain.adc.rate_hz - 1) > 1e-3:
        raise CaptureError(
            f"{name}: is read at {capture.rate_hz:g} Hz, the design's converter at "
            f"{chain.adc.rate_hz:g} Hz; it is a log "
            "of another design, hold it against that one"
        )
    _check_range(capture, chain, name)
    lacking_s = model.program.duration_s * 0.97 - capture.duration_s
    if lacking_s > 0:
        raise CaptureError(
            f"{name}: lasts {capture.duration_s:.1f} s, the bench signal "
            f"{model.program.duration_s:.1f} s; capture the "
            "whole file" + (" (it broke off)" if capture.is_partial else "")
        )
    attack_s = chain.tone_response().attack_s
    if capture.typical_rate_hz * attack_s < LEAST_VALUES_A_RISE:
        raise CaptureError(
            f"{name}: {capture.typical_rate_hz:.4g} values a second are too few for an attack of "
            f"{1e3 * attack_s:.3g} ms; "
            f"at least {LEAST_VALUES_A_RISE / attack_s:.0f} are wanted; capture at a higher rate"
        )


def _check_mark(mark: int, chain: Chain, name: str) -> None:
    if runtime_lacks(chain):
        return
    wanted = mark_of(runtime_design(chain, level=chain.firmware.level), design_digest=digest(chain))
    if mark != wanted:
        raise CaptureError(
            f"{name}: was written by firmware of export 0x{mark:08X}, this design's is "
            f"0x{wanted:08X}; it is a log of "
            "another design, or the design has changed since; hold it against the file it was exported from"
        )


def _check_range(capture: Capture, chain: Chain, name: str) -> None:
    if not capture.is_counts:
        return
    values = capture.values[np.isfinite(capture.values)]
    if values.max() > chain.adc.top_code:
        raise CaptureError(
            f"{name}: has {values.max():g} counts, the design's converter ends at "
            f"{chain.adc.top_code}; is it shifted up, "
            "or of another converter? Capture the converter's own codes"
        )
    if values.min() < 0:
        raise CaptureError(
            f"{name}: has {values.min():g} counts; a converter gives none below 0. Capture its own "
            "codes, with nothing taken off"
        )


def check_levels(capture: Capture, alignment: Alignment, model: BenchModel) -> None:
    """Raise CaptureError if the level steps do not step, as with automatic gain."""
    times_s = file_times(capture.time_s, alignment)
    rest = rest_level(capture, times_s, model)
    levels = step_levels(capture, times_s, model) - rest
    one_lsb = capture.one_count(model.chain.adc.lsb_v)
    half = STEPS_DB.index(-12.0)
    name = capture.name or "capture"
    first = model.program.of_kind("step")[0]
    # A board that still holds what came before the steps cannot show the small ones.
    held = mean_between(capture, times_s, first.start_s - 0.1, first.start_s) - rest > 0.3 * levels[half]
    if not held and levels[half] > _FEWEST_LSB * one_lsb and levels[0] > 0.3 * levels[half]:
        stepped_db = 20 * float(np.log10(levels[half] / levels[0]))
        raise CaptureError(
            f"{name}: from {STEPS_DB[0]:g} to {STEPS_DB[half]:g} dB the reading grows by "
            f"{stepped_db:.1f} dB only; turn off "
            "every automatic gain and every effect of the sound card or phone, and play again"
        )

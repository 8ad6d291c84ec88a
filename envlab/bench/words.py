"""What a check says, sentence by sentence, each with the numbers that it says."""

from __future__ import annotations

import math

from envlab.bench.check import BoardCheck
from envlab.bench.faults.fault_classes import CANNOT_TELL, HEALTHY
from envlab.bench.fit.fit import FittedBoard
from envlab.bench.fit.intervals import WIDEST, Interval
from envlab.bench.fit.values import designed_values, ratio_db
from envlab.study.sentences import Sentence

# Fitted number → how it is said, its unit, factor to that unit.
SAID = {
    "gain": ("gain at 1 kHz, over the design's", "dB", 0.0),
    "attack_s": ("attack, Ra·C", "ms", 1e3),
    "release_s": ("release, Rr·C", "ms", 1e3),
    "offset_lsb": ("offset", "counts", 1.0),
    "noise_lsb": ("noise of a reading, rms", "counts", 1.0),
    "drop_v": ("lost in the rectifier, over the design's", "mV", 1e3),
    "limit": ("swing, over the design's", "dB", 0.0),
    "clock": ("the capture's clock is fast by", "%", 1e2),
}
# An interval wider than this is no answer: a time's as a share of its value, counts as a share of all codes.
# Half a volt is more than any diode loses, 4 % what a microcontroller's clock may be off at all.
_WIDEST = {"ms": WIDEST, "counts": 0.05, "dB": 12.0, "mV": 500.0, "%": 4.0}
_LEAST_LIKELY = 0.01


def check_sentences(check: BoardCheck) -> list[Sentence]:
    """Return what a check says: verdict, suspects, fitted numbers, what lies outside, what cannot be told.

    Kinds: "capture", "verdict", "suspect", "fitted", "readings", "outside", "not told".

    Parameters
    ----------
    check : BoardCheck
        What was checked.

    Returns
    -------
    list of Sentence
    """
    said = [Sentence("capture", f"Capture: {note}.", {}) for note in check.notes]
    said += _verdict(check)
    if check.fitted is not None:
        said += [_fitted(check, check.fitted, name) for name in SAID if name in check.fitted.intervals]
        said += _outside(check)
        said.append(_not_told(check))
    return said


def _verdict(check: BoardCheck) -> list[Sentence]:
    ranking = check.ranking
    first = ranking.suspects[0]
    if ranking.verdict == HEALTHY:
        text = f"The board is within its tolerances (likelihood {first.likelihood:.2f})."
    elif ranking.verdict == CANNOT_TELL:
        text = "What is wrong with the board, if anything, this capture cannot tell."
    else:
        text = f"Likeliest: {first.name} (likelihood {first.likelihood:.2f}). To be sure: {first.next_step}."
    said = [Sentence("verdict", text, {"likelihood": first.likelihood})]
    others = ranking.suspects if ranking.verdict == CANNOT_TELL else ranking.suspects[1:]
    for one in others[:3]:
        if one.likelihood >= _LEAST_LIKELY:
            step = "" if one.name == HEALTHY else f" To be sure: {one.next_step}."
            text = f"Possible too: {one.name} (likelihood {one.likelihood:.2f}).{step}"
            said.append(Sentence("suspect", text, {"likelihood": one.likelihood}))
    return said


def _fitted(check: BoardCheck, fitted: FittedBoard, name: str) -> Sentence:
    words, unit, factor = SAID[name]
    found = fitted.intervals[name]
    value, low, high = _in_unit(found, factor)
    whole = {"ms": value, "counts": 2.0**check.chain.adc.bits}.get(unit, 1.0)
    if not all(map(math.isfinite, (value, low, high))) or high - low > _WIDEST[unit] * whole:
        return Sentence("fitted", f"{words[0].upper()}{words[1:]}: this capture cannot tell.", {"told": 0.0})
    text = f"{words[0].upper()}{words[1:]}: {value:.4g} {unit} (95 %: {low:.4g} to {high:.4g})"
    if factor and name in ("attack_s", "release_s"):
        designed = factor * float(getattr(designed_values(check.chain), name))
        text += f"; as designed {designed:.4g} {unit}"
    return Sentence("fitted", f"{text}.", {"value": value, "low": low, "high": high})


def _in_unit(found: Interval, factor: float) -> tuple[float, float, float]:
    if factor == 0.0:
        return ratio_db(found.value), ratio_db(found.low), ratio_db(found.high)
    return factor * found.value, factor * found.low, factor * found.high


def _outside(check: BoardCheck) -> list[Sentence]:
    said = []
    for one in check.comparisons:
        if not one.passes:
            text = (
                f"Outside: {one.metric} reads {one.measured:.4g} {one.unit}; as designed "
                f"{one.simulated:.4g}, within "
                f"tolerance {one.low:.4g} to {one.high:.4g}."
            )
            said.append(
                Sentence("outside", text, {"measured": one.measured, "low": one.low, "high": one.high})
            )
    total = len(check.comparisons)
    text = f"{total - len(said)} of {total} readings lie within the limits of the tolerances."
    return [Sentence("readings", text, {"within": float(total - len(said)), "of": float(total)}), *said]


def _not_told(check: BoardCheck) -> Sentence:
    by_air = " By air the gain says as much of the loudspeaker's level as of the board." * (
        check.program.way == "acoustic"
    )
    text = (
        "Not told by one capture: a single resistor from the capacitor it works with. A known "
        "resistor across the "
        f"hold capacitor and a second capture tell them apart.{by_air}"
    )
    return Sentence("not told", text, {})

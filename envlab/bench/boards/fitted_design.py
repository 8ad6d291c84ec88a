"""A fitted board as a design file: whatever reads a design then speaks of the board that exists."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import tomlkit

from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.microphone import Microphone
from envlab.bench.boards.hold_resistor import PartsAlone
from envlab.bench.fit.fit import FittedBoard
from envlab.bench.fit.intervals import Interval
from envlab.bench.fit.values import ratio_db
from envlab.chain import Chain
from envlab.design_file import written_value
from envlab.errors import EnvlabError, check_choice

# Fitted numbers for which a design file has no key, and their unit, as words say them.
_NO_KEY = {"drop_v": ("lost in the rectifier", "mV", 1e3), "high_gain": ("gain at 5 kHz", "dB", 0.0)}


@dataclass(frozen=True)
class DesignOfBoard:
    """A board's design.

    chain: with the board's own values. said: "section.key" → what the capture says of it, in words. left:
    what was found and has no key, or was not taken, a sentence each.
    """

    chain: Chain
    said: Mapping[str, str]
    left: tuple[str, ...]


def design_of_board(
    chain: Chain, fitted: FittedBoard, way: str, parts: PartsAlone | None = None
) -> DesignOfBoard:
    """Return the design of a board that was fitted.

    By wire the preamp's feedback resistor takes what the gain is off. By air it stays: the capture does not
    tell a microphone from the loudspeaker's level. Without parts the hold capacitor stays as designed, and
    the resistors take the whole of what Ra·C and Rr·C are off.

    Parameters
    ----------
    chain : Chain
        The design that was fitted.
    fitted : FittedBoard
        The board.
    way : str
        How the bench signal was put in, "wire" or "acoustic".
    parts : PartsAlone or None
        The hold capacitor and its resistors, each by itself, from a second capture.

    Returns
    -------
    DesignOfBoard

    Raises
    ------
    EnvlabError
        If the board is no such circuit: its gain is below 1, say.

    Examples
    --------
    >>> from envlab.bench.boards.fitted_design import design_of_board
    >>> design_of_board.__name__
    'design_of_board'
    """
    check_choice("way", way, ("wire", "acoustic"))
    found: dict[str, tuple[float | str, str]] = {}
    found |= _detector(chain, fitted, parts)
    found |= _converter(fitted)
    if way == "wire":
        found |= _preamp(chain, fitted)
    if fitted.values.half_wave:
        found["rectifier.kind"] = ("half", "one half of the wave is missing")
    return DesignOfBoard(
        _with_values(chain, {key: value for key, (value, _) in found.items()}),
        {key: words for key, (_, words) in found.items()},
        _left(chain, fitted, way),
    )


def fitted_design_text(source_text: str, board: DesignOfBoard, capture_name: str, way: str) -> str:
    """Return a design file's text with a board's values in the place of the design's.

    Its comments stay where the value stays; clips, targets and tolerances too. [sweep] goes: on a board that
    exists nothing is swept. [measured] says where the values come from, and that no part need be in an E
    series.

    Parameters
    ----------
    source_text : str
        The design file.
    board : DesignOfBoard
        The board.
    capture_name : str
        What it was fitted to.
    way : str
        "wire" or "acoustic".

    Returns
    -------
    str
    """
    document = tomlkit.parse(source_text)
    if "sweep" in document:
        document.remove("sweep")
    for name, words in board.said.items():
        section, key = name.split(".")
        if section not in document:
            document[section] = tomlkit.table()
        table: Any = document[section]
        value = tomlkit.item(written_value(key, getattr(getattr(board.chain, section), key)))
        value.comment(f"measured; {words}")
        table[key] = value
    measured = tomlkit.table()
    measured["capture"], measured["way"] = capture_name, way
    for sentence in board.left:
        measured.add(tomlkit.comment(sentence))
    document["measured"] = measured
    return tomlkit.dumps(document)


def _detector(
    chain: Chain, fitted: FittedBoard, parts: PartsAlone | None
) -> dict[str, tuple[float | str, str]]:
    """Ra, C and Rr as the maker soldered them: what else loads the capacitor stays what the design says."""
    design, built, values = chain.detector, chain.detector_as_built, fitted.values
    farad = built.hold_farad if parts is None else parts.hold_farad.value
    found: dict[str, tuple[float | str, str]] = {}
    attack = _shares("Ra·C", fitted, "attack_s") if parts is None else _around(parts.attack_ohm, "ohm")
    if parts is not None:
        share = built.hold_farad / design.hold_farad
        found["detector.hold_farad"] = (farad / share, _around(parts.hold_farad, "F"))
    if isinstance(design, AverageDetector):
        found["detector.smoothing_ohm"] = (values.attack_s / farad, attack)
        return found
    assert isinstance(design, PeakDetector) and isinstance(built, PeakDetector)
    _check_told(fitted)
    release = _shares("Rr·C", fitted, "release_s") if parts is None else _around(parts.release_ohm, "ohm")
    own_s = farad / values.release_s - (1 / built.release_ohm - 1 / design.release_ohm)
    if own_s <= 0:
        raise EnvlabError(
            f"Rr·C of {1e3 * values.release_s:.3g} ms is more than the leakage in the design file allows "
            "without any release resistor; correct leakage_a or the capacitor's material there"
        )
    found["detector.attack_ohm"] = (values.attack_s / farad, attack)
    found["detector.release_ohm"] = (1 / own_s, release)
    return found


def _check_told(fitted: FittedBoard) -> None:
    for name, words in (("attack_s", "Ra·C"), ("release_s", "Rr·C")):
        one = fitted.intervals.get(name)
        if one is not None and not one.tells:
            raise EnvlabError(
                f"the capture does not tell the board's {words} (95 %: {1e3 * one.low:.3g} to "
                f"{1e3 * one.high:.3g} ms), so there is no design to write; capture again by wire or louder, "
                "or mend the board first"
            )


def _converter(fitted: FittedBoard) -> dict[str, tuple[float | str, str]]:
    found: dict[str, tuple[float | str, str]] = {}
    for name in ("offset_lsb", "noise_lsb"):
        one = fitted.intervals.get(name)
        if one is not None and all(map(_is_told, (one.value, one.low, one.high))):
            found[f"adc.{name}"] = (one.value, _around(one, "counts"))
    return found


def _preamp(chain: Chain, fitted: FittedBoard) -> dict[str, tuple[float | str, str]]:
    preamp, values = chain.preamp, fitted.values
    first = 1 + preamp.feedback_ohm / preamp.ground_ohm
    feedback_ohm = (values.gain * first - 1) * preamp.ground_ohm
    if feedback_ohm < 1:
        raise EnvlabError(
            f"the board's gain is {ratio_db(values.gain):.1f} dB over the design's, which is no gain at all; "
            "mend the board first, then capture again"
        )
    found: dict[str, tuple[float | str, str]] = {
        "preamp.feedback_ohm": (feedback_ohm, _shares("gain", fitted, "gain"))
    }
    for name in ("coupling_farad", "ground_farad"):
        value = getattr(preamp, name)
        if value is not None and "corner" in fitted.intervals:
            found[f"preamp.{name}"] = (value / values.corner, _shares("corner", fitted, "corner"))
    if "lean_v" in fitted.intervals and preamp.ground_farad is not None:
        found["preamp.input_offset_v"] = (values.lean_v, _around(fitted.intervals["lean_v"], "V"))
    if "limit" in fitted.intervals:
        swing_v = min(preamp.swing_up_v, preamp.swing_down_v)
        margin_v = max(preamp.swing_margin_v + (1 - values.limit) * swing_v, 0.0)
        found["preamp.swing_margin_v"] = (margin_v, _shares("swing", fitted, "limit"))
    return found


def _left(chain: Chain, fitted: FittedBoard, way: str) -> tuple[str, ...]:
    said = []
    for name, (words, unit, factor) in _NO_KEY.items():
        one = fitted.intervals.get(name)
        if one is not None and (factor or way == "wire"):
            numbers = [factor * v if factor else ratio_db(v) for v in (one.value, one.low, one.high)]
            said.append(
                f"no key for: {words} {numbers[0]:.3g} {unit} over the design's "
                f"(95 %: {numbers[1]:.3g} to {numbers[2]:.3g})"
            )
    if way == "acoustic":
        kind = "microphone" if isinstance(chain.microphone, Microphone) else "electret"
        said.append(
            f"not taken: gain {ratio_db(fitted.values.gain):+.2f} dB over the design's; by air it says as "
            f"much of the loudspeaker's level as of {kind} and preamp"
        )
    return tuple(said)


def _shares(words: str, fitted: FittedBoard, name: str) -> str:
    """An interval over the design's value: what one resistor takes for the product of two parts."""
    one = fitted.intervals.get(name)
    value = getattr(fitted.values, name)
    if one is None or not value:
        return f"{words} is not told by this capture"
    low, high = 100 * (one.low / value - 1), 100 * (one.high / value - 1)
    return f"95 %: {words} within {low:+.2g} to {high:+.2g} %"


def _around(one: Interval, unit: str) -> str:
    return f"95 %: {one.low:.4g} to {one.high:.4g} {unit}"


def _is_told(value: float) -> bool:
    return abs(value) < 1e9


def _with_values(chain: Chain, values: Mapping[str, float | str]) -> Chain:
    """A chain with values by "section.key"."""
    stages: dict[str, dict[str, float | str]] = {}
    for name, value in values.items():
        section, key = name.split(".")
        stages.setdefault(section, {})[key] = value
    fields = {field.name for field in dataclasses.fields(chain)}
    assert stages.keys() <= fields
    changed: dict[str, Any] = {
        section: replace(getattr(chain, section), **keys) for section, keys in stages.items()
    }
    return replace(chain, **changed)

"""Units at the edges: "4k7" and "100n" in, SI inside, "4k7" out; decibels; array types.

Letter codes follow [IEC60062] (the multiplier letter may stand for the decimal point: 4k7, R47, 4n7).
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, Any

from envlab.errors import ParameterError, is_finite_number

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]
    BoolArray = NDArray[np.bool_]
    SingleArray = NDArray[np.float32]

_ARRAYS = {"FloatArray": "float64", "IntArray": "int64", "BoolArray": "bool_", "SingleArray": "float32"}

REFERENCE_PRESSURE_PA = 20e-6

NO_BREAK = "\u00a0"
# Where a space must not end a line: between number and unit, within a unit, between a part and its value.
_HELD = re.compile(
    r"(?<=\d) (?=(?:%|L\*|dB|°C|[kMG]?Ω|[munµ]?[FVAWs]|[kM]?Hz|[mn]m|bit|1/s|in 1 s)(?![\w/]))"
    r"|(?<=in 1) (?=s\b)|(?<=dB) (?=SPL)|(?<=\b[RC]\d) (?=[(=])|(?<=\)) (?== )|(?<= =) (?=\S)"
)

# Both cases of k are written by hand and in catalogues; m is milli and M is mega, never mixed.
_MULTIPLIERS = {
    "p": 1e-12, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "R": 1.0,
    "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9,
}  # fmt: skip
UNIT_NAMES = {
    "ohm": ("ohm", "Ohm", "Ω", "\u2126"),  # U+2126 is the Ohm sign of older character sets
    "F": ("F", "farad"),
    "Hz": ("Hz",),
    "V": ("V",),
    "A": ("A",),
    "s": ("s",),
    "W": ("W",),
}
# The unit that the end of a key names: "attack_ohm" is in ohm. Of keys that stand for parts and settings.
UNIT_OF_SUFFIX = {"ohm": "ohm", "farad": "F", "hz": "Hz", "v": "V", "a": "A", "s": "s"}
_NUMBER = re.compile(
    r"^(?P<sign>[+-]?)(?P<whole>\d+(?:\.\d+)?(?:[eE][+-]?\d+)?|\.\d+|)"
    r"\s*(?P<letter>[pnuµμmRkKMG]?)(?P<after>\d*)\s*(?P<unit>[A-Za-zΩ\u2126]*)$"
)


def __getattr__(name: str) -> Any:
    """Return an array type: numpy is loaded by who has arrays, not by who reads "4k7" or asks for --help."""
    if name not in _ARRAYS:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    import numpy as np
    from numpy.typing import NDArray

    found: Any = NDArray[getattr(np, _ARRAYS[name])]  # type: ignore[misc]
    globals()[name] = found
    return found


def keep_together(text: str) -> str:
    """Return a sentence whose numbers keep their units on one line, with no-break spaces (U+00A0)."""
    return _HELD.sub(NO_BREAK, text)


def parse_value(text: str | float, unit: str, *, name: str = "value") -> float:
    """Return the SI value of "4k7", "100n", "2.2 uF", "47 kΩ" or a plain number.

    unit is the SI unit that the value must have ("ohm", "F", "Hz", "V", "A", "s", "W");
    a text that names another unit is refused. Raises ParameterError.
    """
    if is_finite_number(text):
        return float(text)
    limit = f"a value in {unit}, such as {_EXAMPLES.get(unit, '4.7')}"
    if not isinstance(text, str):
        raise ParameterError(name, text, limit)
    match = _NUMBER.match(text.strip())
    if match is None:
        raise ParameterError(name, text, limit)
    whole, letter, after = match["whole"], match["letter"], match["after"]
    named = match["unit"]
    if named and named not in UNIT_NAMES.get(unit, (unit,)):
        raise ParameterError(name, text, limit)
    if after and (not letter or "." in whole or "e" in whole.lower()):
        raise ParameterError(name, text, limit)
    if not whole and not (letter and after):
        raise ParameterError(name, text, limit)
    if letter == "R" and unit != "ohm":
        raise ParameterError(name, text, limit)
    number = float(f"{whole or '0'}.{after}") if after else float(whole)
    value = number * _MULTIPLIERS.get(letter, 1.0)
    # 47 * 1e-9 is not 47e-9 in binary; the printed digits decide, so that 47n reads as 4.7e-08.
    value = float(f"{value:.12g}")
    if math.isinf(value):
        raise ParameterError(name, text, limit)
    return -value if match["sign"] == "-" else value


_EXAMPLES = {"ohm": '"4k7"', "F": '"100n"', "Hz": '"20k"', "V": '"3.3"', "A": '"150m"', "s": '"20m"'}
_LETTERS = (
    (1e9, "G"),
    (1e6, "M"),
    (1e3, "k"),
    (1.0, ""),
    (1e-3, "m"),
    (1e-6, "u"),
    (1e-9, "n"),
    (1e-12, "p"),
)


def format_value(value: float, unit: str) -> str:
    """Return an SI value as the trade writes it: 4700 ohm → "4k7", 1e-7 F → "100n", 0.47 ohm → "R47".

    Three significant digits; parse_value reads the text back to the same three digits.
    """
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    sign, size = ("-", -value) if value < 0 else ("", value)
    size = float(f"{size:.3g}")
    if unit == "ohm" and size < 1000:
        scale, letter = (1.0, "R")
    else:
        scale, letter = next(((s, t) for s, t in _LETTERS if size >= s * 0.9999999), _LETTERS[-1])
    digits = f"{size / scale:.3g}"
    if "e" in digits:
        return f"{sign}{size:g}"
    if unit not in ("ohm", "F"):
        return f"{sign}{digits} {letter}{unit}"
    whole, _, fraction = digits.partition(".")
    whole = "" if whole == "0" and fraction else whole
    if letter == "R" and not fraction:
        return f"{sign}{whole}R"
    return f"{sign}{whole}{letter or '.'}{fraction}" if fraction else f"{sign}{whole}{letter}"


def unit_of(key: str) -> str | None:
    """Return the SI unit that a key's last word names; None where it names none.

    Examples
    --------
    >>> unit_of("detector.attack_ohm"), unit_of("frame_rate_hz"), unit_of("kind")
    ('ohm', 'Hz', None)
    """
    return UNIT_OF_SUFFIX.get(key.rpartition("_")[2])


def value_of_key(key: str, value: float | str) -> str:
    """Return the value of a key as the trade writes it: "4k7" in Ω, "220n" in F, "20 ms" in s.

    Texts as they are.

    Examples
    --------
    >>> value_of_key("detector.attack_ohm", 4700.0), value_of_key("rectifier.kind", "full")
    ('4k7', 'full')
    >>> value_of_key("adc.rate_hz", 1000.0), value_of_key("adc.bits", 10)
    ('1 kHz', '10')
    """
    if isinstance(value, str):
        return value
    unit = unit_of(key)
    return f"{value:g}" if unit is None else format_value(float(value), unit)


def db(ratio: float) -> float:
    """Return 20 lg of an amplitude ratio (−inf for 0)."""
    return 20.0 * math.log10(ratio) if ratio > 0 else -math.inf


def from_db(level_db: float) -> float:
    """Return the amplitude ratio of a level difference in dB."""
    return float(10.0 ** (level_db / 20.0))


def pressure_rms_pa(level_db_spl: float) -> float:
    """Return the rms pressure in Pa of a level in dB SPL (re 20 µPa): 94 dB SPL is 1.00237 Pa."""
    return REFERENCE_PRESSURE_PA * from_db(level_db_spl)


def level_db_spl(rms_pa: float) -> float:
    """Return the level in dB SPL (re 20 µPa) of an rms pressure in Pa."""
    return db(rms_pa / REFERENCE_PRESSURE_PA)

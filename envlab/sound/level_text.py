"""A level as the trade writes it: 92 dB, 92 dB SPL, 92 dB(A), 92 dBA."""

from __future__ import annotations

import math
import re

from envlab.errors import ParameterError, is_finite_number

# dB SPL, and the weighting that is written with it: "Z", "A", "C"; None where none is.
StatedLevel = tuple[float, str | None]

# Who knows a level no better than so does not know it, dB.
LARGEST_UNCERTAINTY_DB = 20.0
LEVEL_EXAMPLE = '92, "92 dB(A)" or 92dBA'
_LEVEL = re.compile(
    r"^\s*(?P<number>[+-]?(?:\d+(?:\.\d*)?|\.\d+))\s*(?:dB\s*(?:SPL|\(?(?P<weighting>[ZAC])\)?)?)?\s*$",
    re.IGNORECASE,
)


def parse_level(text: str | float, *, name: str = "level") -> StatedLevel:
    """Return a level in dB SPL and the weighting that is written with it: "Z", "A", "C"; None where none is.

    Parameters
    ----------
    text : str or float
        A number, or a text: the number in dB, with "dB" behind it if wanted, and the weighting behind that,
        in brackets or not; capitals or small letters.
    name : str
        What the level is called, for the error.

    Returns
    -------
    tuple

    Raises
    ------
    ParameterError
        For anything else.

    Examples
    --------
    >>> from envlab.sound.level_text import parse_level
    >>> parse_level(92), parse_level("92 dB(A)"), parse_level("88.5dBC")
    ((92.0, None), (92.0, 'A'), (88.5, 'C'))
    """
    if is_finite_number(text):
        return float(text), None
    match = _LEVEL.match(text) if isinstance(text, str) and len(text) < 100 else None
    if match is None or math.isinf(float(match["number"])):
        raise ParameterError(name, text[:40] if isinstance(text, str) else text, f"as in {LEVEL_EXAMPLE}")
    weighting = match["weighting"]
    return float(match["number"]), weighting.upper() if weighting else None


def level_text(level_db_spl: float, weighting: str) -> str:
    """Return a level in dB SPL as the trade writes it: "92 dB", or "92 dB(A)" for a weighted one."""
    return f"{level_db_spl:g} dB" + ("" if weighting == "Z" else f"({weighting})")

"""Levels as the trade writes them."""

from __future__ import annotations

import pytest

from envlab.errors import ParameterError
from envlab.sound.level_text import level_text, parse_level


@pytest.mark.parametrize(
    ("text", "level"),
    [
        (92, (92.0, None)),
        ("92", (92.0, None)),
        (" -3.5 dB ", (-3.5, None)),
        ("92 dB SPL", (92.0, None)),
        ("92 dB(A)", (92.0, "A")),
        ("92 dB (A)", (92.0, "A")),
        ("92dBA", (92.0, "A")),
        ("92dba", (92.0, "A")),
        ("88.5 dBC", (88.5, "C")),
        ("70 dBZ", (70.0, "Z")),
    ],
)
def test_what_is_read(text: str | float, level: tuple[float, str | None]) -> None:
    assert parse_level(text) == level


@pytest.mark.parametrize(
    "text", ["loud", "", "92 dB(B)", "92 dBm", "92A", "nan", "1e3", "dB", "92 dB(A) fast"]
)
def test_what_is_refused(text: str) -> None:
    with pytest.raises(ParameterError, match=r'it must be as in 92, "92 dB\(A\)" or 92dBA'):
        parse_level(text)


def test_a_long_text_is_not_quoted_whole() -> None:
    with pytest.raises(ParameterError) as caught:
        parse_level("9" * 20_000)
    assert len(str(caught.value)) < 120


def test_what_is_written_is_read_back() -> None:
    for weighting in ("A", "C"):
        assert parse_level(level_text(82.4, weighting)) == (82.4, weighting)
    assert level_text(82.4, "Z") == "82.4 dB"

"""One table of metrics: whole, and read the same by all who show numbers."""

from __future__ import annotations

import math

import pytest

from envlab.metrics.catalogue import FLASH_METRIC, METRICS, NOT_JUDGED

# The unit that the end of a metric's name stands for.
UNITS = {"ms": "ms", "db": "dB", "lstar": "L*", "a": "A", "s": "1/s", "ratio": "", "share": ""}


@pytest.mark.parametrize("key", METRICS)
def test_an_entry_is_whole_and_its_unit_is_that_of_its_name(key):
    entry = METRICS[key]
    assert entry.key == key
    assert entry.unit == UNITS[key.rpartition("_")[2]]
    assert entry.label[0].isupper()
    assert entry.axis == entry.axis.lower().replace("l*", "L*").replace("hz", "Hz").replace(
        ", db", ", dB"
    ).replace(", a", ", A")
    assert len(entry.says) > 10


def test_no_two_metrics_share_a_name():
    for names in ([one.label for one in METRICS.values()], [one.axis for one in METRICS.values()]):
        assert len(set(names)) == len(METRICS)


@pytest.mark.parametrize(
    ("key", "value", "text"),
    [
        ("clipped_share", 0.0312, "3.12 %"),
        ("beat_contrast_lstar", 22.13, "22.1 L*"),
        ("settled_ratio", 0.9, "0.9"),
        (FLASH_METRIC, 3.0, "3 in 1 s"),
        ("ripple_db", math.nan, NOT_JUDGED),
        ("range_used_db", -12.34, "−12.3 dB"),
    ],
)
def test_a_value_is_written_as_people_read_it(key, value, text):
    assert METRICS[key].text(value) == text


def test_the_number_alone():
    assert METRICS["ripple_db"].text(-1.5, with_unit=False) == "−1.5"
    assert METRICS["quiet_lit_share"].text(0.5, with_unit=False) == "50"


@pytest.mark.parametrize(
    ("key", "value", "text"),
    [("attack_ms", 3.456, "3.5"), ("attack_ms", math.inf, "never"), ("ripple_db", math.inf, "no end")],
)
def test_a_display_that_changes_keeps_its_digits(key, value, text):
    assert METRICS[key].steady_text(value) == text

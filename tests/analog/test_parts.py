"""E series against IEC 60063 as publicly transcribed; nearest values by hand."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from envlab.analog.parts import SERIES, PartRange, nearest_value, series_values
from envlab.analog.stage import parts_of
from envlab.design_file import STAGES
from envlab.errors import ParameterError

PUBLISHED = Path(__file__).parents[1] / "published" / "iec_60063_series.csv"


def published_series() -> dict[str, list[int]]:
    lines = [line for line in PUBLISHED.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return {row["series"]: [int(v) for v in row["values"].split()] for row in csv.DictReader(lines)}


@pytest.mark.parametrize("series", SERIES)
def test_one_decade_is_the_published_one(series):
    values = published_series()[series]
    assert len(values) == int(series[1:])
    assert [round(v, 9) for v in series_values(series, 100, 999)] == values


def test_every_decade_from_picofarad_to_megohm_is_the_same():
    # The printed digits decide: 4.7e-08 and not 4.7000000000000005e-08.
    for exponent in range(-12, 7):
        values = series_values("E24", 10.0**exponent, 9.99 * 10.0**exponent)
        assert values == tuple(float(f"{v / 100:g}e{exponent}") for v in published_series()["E24"])


@pytest.mark.parametrize("value", [27, 30, 33, 36, 39, 43, 47, 82])
def test_e24_is_not_the_rounded_geometric_series(value):
    # IEC 60063: these eight stand apart from round(10·10^(n/24)) (counted by hand from the published table).
    assert float(value) in series_values("E24", 10, 99)
    assert value not in [round(10 * 10 ** (n / 24)) for n in range(24)]


def test_e192_has_920_and_not_919():
    # IEC 60063: 10^(185/192) rounds to 9.19; the series has 9.20.
    assert round(100 * 10 ** (185 / 192)) == 919
    assert 920.0 in series_values("E192", 900, 950)
    assert 919.0 not in series_values("E192", 900, 950)


def test_both_ends_belong_to_the_range():
    assert PartRange("E3", 100e-9, 4.7e-6).values == (1e-7, 2.2e-7, 4.7e-7, 1e-6, 2.2e-6, 4.7e-6)
    assert PartRange("E6", 470.0, 1000.0).values == (470.0, 680.0, 1000.0)
    assert PartRange("E6", 471.0, 999.0).values == (680.0,)


def test_nearest_is_by_ratio_not_by_difference():
    # E6 at 1.24: 1.0 is nearer by difference (0.24 < 0.26), 1.5 by ratio (1.2097 < 1.24).
    assert nearest_value("E6", 1.24) == 1.5
    # The border by ratio is √(1.0·1.5) = 1.22474.
    assert nearest_value("E6", 1.2247) == 1.0
    assert nearest_value("E6", 1.2248) == 1.5
    # Across the decade: √(6.8·10) = 8.24621.
    assert nearest_value("E6", 8.2462) == 6.8
    assert nearest_value("E6", 8.2463) == 10.0


@given(st.sampled_from(SERIES), st.floats(1e-12, 1e9))
def test_nothing_of_the_series_is_nearer(series, value):
    near = nearest_value(series, value)
    others = series_values(series, value / 100, value * 100)
    assert near in others
    assert abs(math.log(near / value)) <= min(abs(math.log(other / value)) for other in others) + 1e-12


@given(st.sampled_from(SERIES), st.integers(0, 191), st.integers(-11, 7))
def test_a_value_of_the_series_is_its_own_nearest(series, place, exponent):
    values = published_series()[series]
    value = float(f"{values[place % len(values)] / 100:g}e{exponent}")
    assert nearest_value(series, value) == value


@pytest.mark.parametrize(
    ("fields", "text"),
    [
        (("E7", 1.0, 10.0), "series is 'E7'; it must be one of E3, E6, E12, E24, E48, E96, E192"),
        (("E6", 0.0, 10.0), r"low is 0.0; it must be from 1e-15 to 1e\+12"),
        (("E6", -1.0, 10.0), r"low is -1.0; it must be from 1e-15 to 1e\+12"),
        (("E6", 10.0, 1.0), r"low is 10.0; it must be at most high \(1\)"),
        (("E6", 5.0, 6.0), "low is 5.0; it must be such that E6 has a value up to 6"),
        (("E6", 1.0, math.inf), "high is inf; it must be a finite number"),
        (("E6", 1.0, 10.0, -5.0), "tolerance_percent is -5.0; it must be from 0 to 50 %"),
        (("E6", 1.0, 10.0, math.nan), "tolerance_percent is nan; it must be a finite number"),
    ],
)
def test_ranges_that_cannot_be(fields, text):
    with pytest.raises(ParameterError, match=f"^{text}$"):
        PartRange(*fields)


@pytest.mark.parametrize("value", [0.0, -47.0, math.nan])
def test_nearest_wants_a_value_above_zero(value):
    with pytest.raises(ParameterError, match=r"^value is "):
        nearest_value("E6", value)


@pytest.mark.parametrize("stage", sorted(STAGES))
def test_every_part_has_a_tolerance_that_parts_are_sold_in(stage):
    # The letters of IEC 60062, from memory: 20, 10, 5, 2, 1, 0.5, 0.1 %.
    kinds = STAGES[stage].values() if isinstance(STAGES[stage], dict) else [STAGES[stage]]
    for kind in kinds:
        for name, part in parts_of(kind).items():
            assert part.usual_percent in (20, 10, 5, 2, 1, 0.5, 0.1), (kind.__name__, name)

"""Lightness and sRGB against colour-science over the whole range, tables against published ones."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from envlab.errors import ParameterError
from envlab.light.lightness import (
    check_unit_interval,
    lightness_cie1976,
    lightness_table,
    luminance_cie1976,
    srgb_decode,
    srgb_encode,
)

PUBLISHED = Path(__file__).parent.parent / "published" / "lightness_tables.csv"
# Both pieces of every curve, dense round their joints (Y = 216/24389, L* = 8, sRGB 0.0031308 and 0.04045).
WHOLE_RANGE = np.unique(
    np.concatenate(
        [
            np.linspace(0.0, 1.0, 20_001),
            np.geomspace(1e-8, 1.0, 5_001),
            216 / 24389 + np.linspace(-1e-6, 1e-6, 401),
            0.0031308 + np.linspace(-1e-6, 1e-6, 401),
            0.04045 + np.linspace(-1e-6, 1e-6, 401),
        ]
    )
)


def published(column: str) -> tuple[np.ndarray, np.ndarray]:
    lines = [line for line in PUBLISHED.read_text().splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    return np.array([int(r["entry"]) for r in rows]), np.array([int(r[column]) for r in rows])


def test_lightness_equals_colour_science_over_the_whole_range(colour_science):
    expected = colour_science.colorimetry.lightness_CIE1976(100.0 * WHOLE_RANGE)
    assert np.max(np.abs(lightness_cie1976(WHOLE_RANGE) - expected)) < 1e-13


def test_luminance_equals_colour_science_over_the_whole_range(colour_science):
    lstar = 100.0 * WHOLE_RANGE
    expected = colour_science.colorimetry.luminance_CIE1976(lstar) / 100.0
    assert np.max(np.abs(luminance_cie1976(lstar) - expected)) < 1e-15


@pytest.mark.parametrize(
    ("luminance_percent", "lstar"),
    # ISO/CIE 11664-4 evaluated with exact constants by colour-science 0.4.7; 903.3 and 0.008856 would give
    # 0.9033 for the first.
    [(0.1, 0.903296), (1, 8.991442), (5, 26.734765), (18, 49.496108), (50, 76.069261), (75, 89.392994)],
)
def test_known_lightness(luminance_percent, lstar):
    assert float(lightness_cie1976(luminance_percent / 100)) == pytest.approx(lstar, abs=5e-7)


def test_exact_constants_not_the_rounded_ones():
    # 24389/27 = 903.296296…; the rounded 903.3 would miss by 3.7e-6 at the joint.
    assert float(lightness_cie1976(216 / 24389)) == pytest.approx(8.0, abs=1e-13)
    assert float(lightness_cie1976(1e-3)) == pytest.approx(24389 / 27 * 1e-3, rel=1e-14)


def test_luminance_undoes_lightness():
    assert np.max(np.abs(luminance_cie1976(lightness_cie1976(WHOLE_RANGE)) - WHOLE_RANGE)) < 1e-14


def test_srgb_equals_colour_science_over_the_whole_range(colour_science):
    # IEC 61966-2-1. The library takes the joint of the decoder as the code of 0.0031308 (0.0404499), the
    # standard says 0.04045; between the two the standard's own pieces differ by 2.4e-9.
    ours = srgb_encode(WHOLE_RANGE)
    assert np.max(np.abs(ours - colour_science.models.eotf_inverse_sRGB(WHOLE_RANGE))) < 1e-15
    assert np.max(np.abs(srgb_decode(WHOLE_RANGE) - colour_science.models.eotf_sRGB(WHOLE_RANGE))) < 2.5e-9


def test_known_srgb_value():
    # IEC 61966-2-1: half of the code is 21.4 % of the light.
    assert float(srgb_decode(0.5)) == pytest.approx(0.2140411, abs=5e-8)


def test_twelve_bit_table_has_the_known_codes():
    # Published 12 bit L* tables agree on these entries.
    table = lightness_table(entries=256, bits=12)
    assert [int(table[i]) for i in (1, 2, 5, 10, 20, 50, 100, 128, 192, 254)] == [
        2, 4, 9, 18, 36, 118, 442, 761, 1996, 4054,
    ]  # fmt: skip
    assert table[0] == 0
    assert table[255] == 4095


@pytest.mark.parametrize("bits", [10, 14])
def test_table_equals_published_table(bits):
    entries, codes = published(f"codes_{bits}_bit")
    assert np.array_equal(lightness_table(256, bits)[entries], codes)


def test_sixteen_bit_table_equals_published_table_but_for_its_known_slip():
    entries, codes = published("codes_16_bit")
    difference = codes - lightness_table(256, 16)[entries]
    assert entries[difference != 0].tolist() == [20]
    assert difference[entries == 20].tolist() == [1]


def test_distinct_codes_at_each_depth():
    # Counted with colour-science 0.4.7: 256 entries all differ from 12 bit on.
    assert [np.unique(lightness_table(256, bits)).size for bits in (8, 10, 11, 12)] == [174, 236, 254, 256]


@pytest.mark.parametrize("bits", range(1, 17))
@pytest.mark.parametrize("entries", [2, 16, 17, 256, 1025, 4097])
def test_table_rises_from_dark_to_full(entries, bits):
    table = lightness_table(entries, bits)
    assert table[0] == 0
    assert table[-1] == 2**bits - 1
    assert np.all(np.diff(table) >= 0)


@pytest.mark.parametrize("function", [lightness_cie1976, srgb_encode, srgb_decode])
@pytest.mark.parametrize("bad", [-1e-6, 1.000001, np.nan, np.inf])
def test_values_outside_the_unit_interval_are_refused(function, bad):
    with pytest.raises(ParameterError, match="from 0 to 1"):
        function(np.array([0.5, bad]))


def test_lightness_above_hundred_is_refused():
    with pytest.raises(ParameterError, match=r"lightness is 101\.0; it must be from 0 to 100"):
        luminance_cie1976(101.0)


@pytest.mark.parametrize(("entries", "bits"), [(1, 8), (256, 0), (256, 17), (16.0, 8), (True, 8)])
def test_impossible_tables_are_refused(entries, bits):
    with pytest.raises(ParameterError, match="whole number"):
        lightness_table(entries, bits)


def test_empty_input_gives_empty_output():
    assert lightness_cie1976(np.array([])).shape == (0,)


@pytest.mark.parametrize(
    ("values", "worst"), [([-0.5, 0.5], "-0.5"), ([0.5, 1.25], "1.25"), ([-0.5, 1.25], "-0.5")]
)
def test_light_that_cannot_be_is_named_by_its_worst_value(values, worst):
    with pytest.raises(ParameterError, match=f"light is {worst}; it must be from 0 to 1"):
        check_unit_interval("light", np.array(values))


def test_tables_of_the_fewest_and_the_most_entries():
    assert lightness_table(entries=2, bits=1).tolist() == [0, 1]
    assert lightness_table(entries=65_536, bits=16).size == 65_536
    for entries in (1, 65_537):
        with pytest.raises(ParameterError, match="entries"):
            lightness_table(entries=entries)


def test_a_rounding_below_dark_is_coded_without_an_undefined_power():
    # −1e-10 is let pass as a rounding; only the straight piece of IEC 61966-2-1 has it.
    with np.errstate(all="raise"):
        assert float(srgb_encode(-1e-10)) == pytest.approx(-12.92e-10)

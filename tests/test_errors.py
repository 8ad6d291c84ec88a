"""Errors say in one line which parameter, which value, which limit."""

from __future__ import annotations

import math

import numpy as np
import pytest

from envlab.errors import EnvlabError, FileError, ParameterError, check_choice, check_positive, check_range


def test_all_on_purpose_errors_share_one_base():
    assert issubclass(ParameterError, EnvlabError)
    assert issubclass(ParameterError, ValueError)
    assert issubclass(FileError, EnvlabError)


def test_parameter_error_names_parameter_value_and_limit():
    error = ParameterError("gain", 0.5, "at least 1")
    assert str(error) == "gain is 0.5; it must be at least 1"
    assert (error.name, error.value, error.limit) == ("gain", 0.5, "at least 1")


def test_a_text_with_line_breaks_stays_one_line():
    assert "\n" not in str(ParameterError("kind", "full\nwave", "one of full, half"))


def test_numpy_scalars_read_as_plain_numbers():
    assert str(ParameterError("gain", np.float64(0.5), "at least 1")) == "gain is 0.5; it must be at least 1"


@pytest.mark.parametrize(
    "value",
    [math.nan, math.inf, -math.inf, "5", None, True, [5.0], np.True_, 10**400],
    ids=lambda x: repr(x)[:8],
)
def test_range_wants_a_finite_number(value):
    with pytest.raises(ParameterError, match=r"^x is .*; it must be a finite number$"):
        check_range("x", value, 0, 10)


@pytest.mark.parametrize("value", [5, 5.0, np.int64(5), np.float64(5), np.float32(5), 0, 10])
def test_range_takes_every_kind_of_number_and_both_ends(value):
    check_range("x", value, 0, 10)


@pytest.mark.parametrize(
    ("low", "high", "limit"),
    [(0, 10, "from 0 to 10 V"), (0, math.inf, "at least 0 V"), (-math.inf, -2, "at most -2 V")],
)
def test_range_says_which_end(low, high, limit):
    with pytest.raises(ParameterError, match=rf"it must be {limit}$"):
        check_range("x", -1 if low == 0 else 0, low, high, unit="V")


@pytest.mark.parametrize("value", [0, 0.0, -1])
def test_positive_refuses_zero_and_below(value):
    with pytest.raises(ParameterError, match=r"it must be above 0 Hz$"):
        check_positive("x", value, unit="Hz")


def test_positive_takes_the_smallest_number():
    check_positive("x", 5e-324)


def test_choice_lists_the_choices():
    check_choice("kind", "half", ("half", "full"))
    with pytest.raises(ParameterError, match=r"^kind is 'both'; it must be one of half, full$"):
        check_choice("kind", "both", ("half", "full"))

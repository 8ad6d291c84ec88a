"""What intervals are made of, on cases that are computed by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import t as student

from envlab.bench.fit.intervals import (
    MODEL_ERROR,
    TRAINED_ON,
    Scatter,
    intervals_of,
    jackknife,
    with_model_error,
)
from envlab.bench.fit.values import BoardValues

BOARD = BoardValues(1.0, 1.0, 1.0, 4.7e-3, 0.22, 2.0, 0.0)


def test_of_a_mean_the_jackknife_is_the_scatter_of_the_groups_means():
    """Twelve groups of five: the variance of a mean is that of the groups' means over twelve, freedom 12."""
    values = np.random.default_rng(1).standard_normal(60)
    found = jackknife(np.ones((60, 1)), values - values.mean(), np.repeat(np.arange(12), 5))
    means = values.reshape(12, 5).mean(axis=1)
    assert found.covariance[0, 0] == pytest.approx(means.var(ddof=1) / 12, rel=1e-9)
    assert found.freedom[0] == pytest.approx(12.0)


def test_a_number_that_few_groups_tell_has_few_degrees_of_freedom():
    """It moves readings of three groups only, those of the third by twice as much."""
    slopes = np.zeros((60, 1))
    slopes[:10], slopes[10:15] = 1.0, 2.0
    found = jackknife(slopes, np.random.default_rng(2).standard_normal(60), np.repeat(np.arange(12), 5))
    # Weights 1, 1 and 4: (1 + 1 + 4)²/(1 + 1 + 16).
    assert found.freedom[0] == pytest.approx(2.0)


def test_model_error_adds_to_the_variance_and_an_interval_is_students():
    own, model = 3e-4, MODEL_ERROR["attack_s"]
    found = with_model_error(Scatter(np.array([[own**2]]), np.array([4.0])), ("attack_s",))
    both = own**2 + model**2
    freedom = both**2 / (own**4 / 4 + model**4 / TRAINED_ON)
    assert found.freedom[0] == pytest.approx(freedom)
    interval = intervals_of(BOARD, ("attack_s",), found)["attack_s"]
    times = np.exp(student.ppf(0.975, freedom) * np.sqrt(both))
    assert (interval.low, interval.high) == pytest.approx((4.7e-3 / times, 4.7e-3 * times), rel=1e-12)
    offset = intervals_of(BOARD, ("offset_lsb",), Scatter(np.array([[0.01]]), np.array([1e9])))["offset_lsb"]
    assert (offset.low, offset.high) == pytest.approx((2 - 0.1959964, 2 + 0.1959964), abs=1e-6)

"""The picture of a follower against a detector shows the series it was given, and their metrics."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.figure import Figure

from envlab.analog.detector import PeakDetector
from envlab.digital.equivalence import Equivalence, equivalent_follower
from envlab.plot.equivalence import equivalence_sheet, follower_difference


@pytest.fixture(scope="module")
def equivalence() -> Equivalence:
    time_s = np.arange(int(0.8 * 96_000)) / 96_000
    drive_v = np.abs(np.sin(2 * np.pi * 220 * time_s)) * np.exp(-(time_s % 0.4) / 0.1)
    return equivalent_follower(drive_v, PeakDetector(4.7e3, 1e-6, 100e3), sample_rate_hz=96_000.0)


def test_draws_what_it_was_given(equivalence: Equivalence) -> None:
    upper, lower = follower_difference(equivalence, list(Figure().subplots(2, 1)))
    np.testing.assert_array_equal(upper.lines[0].get_ydata(), equivalence.wanted_v)
    naive, fitted = lower.lines
    np.testing.assert_array_equal(naive.get_ydata(), equivalence.naive.difference_db)
    np.testing.assert_array_equal(fitted.get_ydata(), equivalence.fitted.difference_db)
    assert naive.get_linestyle() != fitted.get_linestyle()
    assert (upper.get_ylabel(), lower.get_ylabel(), lower.get_xlabel()) == ("V", "difference, dB", "time, s")


def test_says_how_far_both_are(equivalence: Equivalence) -> None:
    fig = equivalence_sheet(equivalence)
    words = " ".join(text.get_text() for text in fig.axes[1].texts)
    for match in (equivalence.naive, equivalence.fitted):
        assert f"rms {match.rms_db:.2f} dB" in words
        assert f"{1e3 * match.follower.attack_s:.3g} ms" in words
    low, high = fig.axes[1].get_ylim()
    assert low < equivalence.naive.difference_db.min() and high > equivalence.naive.difference_db.max()

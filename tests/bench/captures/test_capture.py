"""What a capture says of its own values: their unit, and how far one count of the converter moves them."""

import numpy as np
import pytest

from envlab.bench.captures.capture import Capture

LSB_V = 3.3 / 1024


@pytest.mark.parametrize(
    ("node", "is_counts", "unit", "one_count"),
    [("adc_counts", True, "counts", 1.0), ("detector_v", False, "V", LSB_V)],
)
def test_values_in_their_unit(node, is_counts, unit, one_count):
    capture = Capture(node, np.arange(20) / 1000, np.arange(20.0))
    assert capture.is_counts is is_counts
    assert capture.unit == unit
    assert capture.one_count(LSB_V) == one_count

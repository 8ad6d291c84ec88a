"""The metric by which ways of guarding are compared: mean difference in L*."""

from __future__ import annotations

import numpy as np
import pytest
from reference.guard_error import guard_error_lstar

from envlab.errors import ParameterError


def test_mean_of_lightness_differences_by_hand():
    # CIE 1976 L* of Y 18 % is 49.496108, of 1 % 8.991442 (ISO/CIE 11664-4 by a colour library, light tests).
    assert guard_error_lstar([0.18, 0.18], [0.01, 0.18]) == pytest.approx(
        (49.496108 - 8.991442) / 2, abs=1e-6
    )
    # Too bright and too dark count alike, and do not make up for each other.
    assert guard_error_lstar([0.18, 0.01], [0.01, 0.18]) == pytest.approx(49.496108 - 8.991442, abs=1e-6)
    assert guard_error_lstar(np.linspace(0, 1, 11), np.linspace(0, 1, 11)) == 0.0


@pytest.mark.parametrize(
    ("wanted", "shown"), [([], []), ([0.5], [0.5, 0.5]), ([[0.5]], [[0.5]]), ([0.5], [1.5])]
)
def test_lights_that_do_not_belong_together_are_refused(wanted, shown):
    with pytest.raises(ParameterError):
        guard_error_lstar(wanted, shown)

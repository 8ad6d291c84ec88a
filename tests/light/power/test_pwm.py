"""PWM frequency on both sides of every limit of IEEE 1789-2015 (secondary sources, from memory)."""

from __future__ import annotations

import pytest

from envlab.errors import ParameterError
from envlab.light.power.pwm import pwm_flicker


@pytest.mark.parametrize(
    ("hertz", "no_effect", "low_risk"),
    [
        (50.0, 0.5, 1.25),  # 0.01·f and 0.025·f
        (89.9, 0.899, 2.2475),
        (90.0, 2.997, 7.2),  # 0.0333·f and 0.08·f
        (400.0, 13.32, 32.0),
        (1250.0, 41.625, 100.0),
        (3000.0, 99.9, 100.0),
        (3001.0, 100.0, 100.0),
        (20_000.0, 100.0, 100.0),
    ],
)
def test_limits_by_formula(hertz, no_effect, low_risk):
    flicker = pwm_flicker(hertz)
    assert flicker.no_effect_percent == pytest.approx(no_effect)
    assert flicker.low_risk_percent == pytest.approx(low_risk)


@pytest.mark.parametrize(
    ("hertz", "verdict"),
    [
        (400.0, "risk"),
        (1249.0, "risk"),
        (1250.0, "low risk"),
        (3000.0, "low risk"),
        (3001.0, "no observable effect"),
    ],
)
def test_full_modulation_on_both_sides(hertz, verdict):
    flicker = pwm_flicker(hertz)
    assert flicker.verdict == verdict
    assert verdict in flicker.words


def test_shallow_modulation_passes_where_full_does_not():
    assert pwm_flicker(400.0, 13.0).verdict == "no observable effect"
    assert pwm_flicker(400.0, 31.0).verdict == "low risk"
    assert pwm_flicker(400.0, 33.0).verdict == "risk"


@pytest.mark.parametrize(("hertz", "percent"), [(0.0, 100.0), (-5.0, 100.0), (400.0, 101.0), (400.0, -1.0)])
def test_impossible_pwm_is_refused(hertz, percent):
    with pytest.raises(ParameterError):
        pwm_flicker(hertz, percent)

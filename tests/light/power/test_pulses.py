"""Pulses of pixels: by hand, their mean against supply_current_a, the droop against one stepped in time."""

from __future__ import annotations

import numpy as np
import pytest

from envlab.errors import ParameterError
from envlab.light.pixels import Pixels, Supply, supply_current_a, supply_duty_limit
from envlab.light.power.pulses import Pulses, charge_beyond_c, droop_v, pulsed_current, scatter_a

YOKE, CONVERTER = Pixels(24, 3, 0.150, 0.001), Supply(3.0, 5.0, 0.9)
STEP_S = 1e-7


def stepped_droop_v(duty: float, pulses: Pulses, farad: float) -> float:
    """Independent: each group's switch in time, a source of 5 V with at most its limit, a capacitor.

    Two periods from a full capacitor, in forward steps of 0.1 µs: edges are off by at most that.
    """
    group_a = YOKE.count * YOKE.channels * YOKE.channel_a / pulses.phases
    time_s = np.arange(0, 2 / pulses.pwm_hz, STEP_S)
    begun = time_s[:, np.newaxis] * pulses.pwm_hz + np.arange(pulses.phases) / pulses.phases
    taken_a = YOKE.count * YOKE.idle_a + group_a * np.count_nonzero(begun % 1.0 < duty, axis=1)
    rail_v = lowest_v = CONVERTER.volts
    for current_a in taken_a.tolist():
        asked_a = current_a + farad * (CONVERTER.volts - rail_v) / STEP_S
        rail_v += (min(asked_a, CONVERTER.limit_a) - current_a) * STEP_S / farad
        lowest_v = min(lowest_v, rail_v)
    return CONVERTER.volts - lowest_v


def test_by_hand():
    # 24 pixels of 3 × 150 mA and 1 mA: 10.824 A for 0.2 × 2.5 ms; beyond 3 A that is 7.824 A × 0.5 ms.
    current = pulsed_current(0.2, YOKE, CONVERTER, Pulses(400.0))
    assert current.high_a == pytest.approx(10.824)
    assert current.high_s == pytest.approx(0.5e-3)
    assert current.low_a == pytest.approx(0.024)
    assert charge_beyond_c(0.2, YOKE, CONVERTER, Pulses(400.0)) == pytest.approx(3.912e-3)
    assert droop_v(0.2, YOKE, CONVERTER, Pulses(400.0), 10e-3) == pytest.approx(0.3912)


@pytest.mark.parametrize("phases", [1, 2, 3, 7, 24])
@pytest.mark.parametrize("duty", [0.0, 0.1, 0.25, 0.5, 0.99, 1.0])
def test_the_mean_is_what_the_limit_is_reckoned_with(duty, phases):
    current = pulsed_current(duty, YOKE, CONVERTER, Pulses(1000.0, phases))
    assert current.mean_a == pytest.approx(float(supply_current_a(duty, YOKE)), rel=1e-12)
    assert current.low_a <= current.mean_a * (1 + 1e-12)
    assert current.mean_a <= current.high_a * (1 + 1e-12)


@pytest.mark.parametrize("phases", [1, 2, 3, 4, 8])
@pytest.mark.parametrize("share", [0.3, 0.8, 1.0])
@pytest.mark.parametrize("pwm_hz", [2000.0, 19_200.0])
def test_droop_against_a_rail_stepped_in_time(pwm_hz, share, phases):
    duty, pulses, farad = share * supply_duty_limit(YOKE, CONVERTER), Pulses(pwm_hz, phases), 2.2e-3
    # An edge that lies a step off moves the charge of a pulse by at most two steps of the whole current.
    edge_v = 2 * 10.824 * STEP_S / farad
    computed_v = droop_v(duty, YOKE, CONVERTER, pulses, farad)
    assert computed_v == pytest.approx(stepped_droop_v(duty, pulses, farad), abs=edge_v)


def test_no_droop_where_no_pulse_passes_the_limit():
    small = Pixels(10, 3, 0.020, 0.001)
    assert droop_v(1.0, small, CONVERTER, Pulses(), 1e-3) == 0


def test_the_rail_falls_no_further_than_to_ground():
    assert droop_v(0.27, YOKE, CONVERTER, Pulses(50.0), 1e-6) == CONVERTER.volts


def test_scatter_against_pixels_drawn_at_random():
    rng = np.random.default_rng(1)
    begun = rng.random((20_000, YOKE.count))
    drawn_a = 0.45 * np.count_nonzero(begun < 0.27, axis=1)
    # The standard error of a standard deviation from 20,000 draws is 0.5 %.
    assert scatter_a(0.27, YOKE, CONVERTER) == pytest.approx(drawn_a.std(), rel=0.02)


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: Pulses(1.0), r"pwm_hz is 1.0; it must be from 10 to 1e\+06 Hz"),
        (lambda: Pulses(400.0, 0), "phases is 0; it must be"),
        (lambda: droop_v(0.2, YOKE, CONVERTER, Pulses(), 0.0), "bulk_farad is 0.0; it must be"),
        (lambda: pulsed_current(1.1, YOKE, CONVERTER, Pulses()), "duty is 1.1; it must be"),
        (
            lambda: charge_beyond_c(0.5, YOKE, CONVERTER, Pulses()),
            "duty is 0.5; it must be one whose mean of 5.42 A the converter's 3 A carry",
        ),
    ],
)
def test_what_cannot_be_is_refused(call, text):
    with pytest.raises(ParameterError, match=text):
        call()

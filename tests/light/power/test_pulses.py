"""Pulses of pixels: by hand, their mean against supply_current_a, the droop against one stepped in time."""

from __future__ import annotations

import numpy as np
import pytest

from envlab.errors import ParameterError
from envlab.light.pixels import Pixels, Supply, drawn_current_a, supply_current_a, supply_duty_limit
from envlab.light.power.pulses import Pulses, charge_beyond_c, droop_v, pulsed_current, pulses_of, scatter_a

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


def simulated(
    duty: float, pixels: Pixels, supply: Supply, pulses: Pulses, farad: float
) -> tuple[float, float]:
    """Mean current out of the converter and the droop, of PWM at 1 MHz: one sample a microsecond, 40 periods.

    Independent: each pixel a switch of its own, the controller beside them, a source of limited current.
    """
    time_s = np.arange(round(40 / pulses.pwm_hz * 1e6)) * 1e-6
    group = np.arange(pixels.count) * pulses.phases // pixels.count
    begun = time_s[:, np.newaxis] * pulses.pwm_hz + group / pulses.phases
    on = np.count_nonzero(begun % 1.0 < duty, axis=1)
    pixel_a, dark_a = (
        pixels.channels * pixels.channel_a,
        pixels.count * pixels.idle_a + (supply.controller_a or 0.0),
    )
    taken_a, rail_v, lowest_v = dark_a + on * pixel_a, supply.volts, supply.volts
    for current_a in taken_a.tolist():
        given_a = min(supply.limit_a, current_a + farad * (supply.volts - rail_v) / 1e-6)
        rail_v += (given_a - current_a) * 1e-6 / farad
        lowest_v = min(lowest_v, rail_v)
    return float(taken_a.mean()), supply.volts - lowest_v


@pytest.mark.parametrize("phases", [1, 2, 4])
@pytest.mark.parametrize(("margin", "controller_a"), [(0.0, 0.0), (0.1, 0.03), (0.25, 0.2)])
def test_pwm_simulated_at_a_megahertz_against_mean_and_droop(margin, controller_a, phases):
    supply, pulses, farad = (
        Supply(3.0, margin=margin, controller_a=controller_a),
        Pulses(500.0, phases),
        4.7e-3,
    )
    # Just at the limit a sample's rounding would add up, period by period.
    duty = supply_duty_limit(YOKE, supply) * (1.0 if margin else 0.98)
    mean_a, fell_v = simulated(duty, YOKE, supply, pulses, farad)
    # An edge lies a sample off at most: 1 µs of 2 ms of the whole swing, twice.
    edges_a = 2 * 10.8 * 1e-6 * 500 * phases
    assert mean_a == pytest.approx(float(drawn_current_a(duty, YOKE, supply)), abs=edges_a)
    assert mean_a <= supply.usable_a + edges_a
    assert droop_v(duty, YOKE, supply, pulses, farad) == pytest.approx(fell_v, abs=2 * 10.8 * 1e-6 / farad)


def test_pixels_say_how_they_switch():
    assert pulses_of(Pixels()) == Pulses(400.0, 1)
    assert pulses_of(Pixels(pwm_hz=16e3, pwm_phases=3)) == Pulses(16e3, 3)


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

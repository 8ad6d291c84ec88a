"""Each metric of a clip on envelopes whose answer is known beforehand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference.examples import examples

from envlab.analog.adc import Adc
from envlab.analog.preamps.preamp import Preamp
from envlab.chain import Chain
from envlab.light.curve import BrightnessMap
from envlab.light.flashes.flash import count_flashes
from envlab.light.lightness import lightness_cie1976
from envlab.metrics.clip_metrics import clip_metrics, envelope_columns, range_used_db
from envlab.metrics.contrast import contrast_of_frames

CHAIN = Chain(brightness=BrightnessMap(62.0, 90.0))


def counts_of_lightness(chain: Chain, lightness: np.ndarray | float) -> np.ndarray:
    """Envelope counts that the "lightness" curve shows as this L*: evenly in dB from floor to ceiling."""
    asked = chain.brightness
    level = asked.floor_db_spl + np.asarray(lightness) / 100 * (asked.ceiling_db_spl - asked.floor_db_spl)
    return np.vectorize(chain.level_scale().counts)(level)


def metrics_of(lightness: np.ndarray, chain: Chain = CHAIN):
    return clip_metrics(counts_of_lightness(chain, lightness), [chain])


def test_spread_of_a_square_is_the_square():
    # Half of every second at L* 20, half at 70: the 5 % and 95 % points are 20 and 70. A count at L* 20 is
    # 0.3 L*, and 16-bit codes are finer.
    square = np.tile(np.r_[np.full(50, 20.0), np.full(50, 70.0)], 5)
    assert metrics_of(square).contrast_lstar[0] == pytest.approx(50, abs=0.3)


def test_spread_of_a_ramp_is_nine_tenths_of_it():
    # Percentiles 5 and 95 of an even ramp of 100 frames from 20 to 80: 60 · 0.9 = 54.
    ramp = np.tile(np.linspace(20, 80, 100), 3)
    assert metrics_of(ramp).contrast_lstar[0] == pytest.approx(54, abs=0.5)


def test_spread_is_the_median_of_whole_seconds():
    # Seconds that move by 10, 40 and 20, and a rest of half a second that moves by 90 and is no window.
    seconds = [np.r_[np.full(50, 40.0), np.full(50, 40.0 + move)] for move in (10, 40, 20)]
    rest = np.r_[np.full(25, 5.0), np.full(25, 95.0)]
    assert metrics_of(np.concatenate([*seconds, rest])).contrast_lstar[0] == pytest.approx(20, abs=0.3)


def test_four_in_a_hundred_frames_move_nothing():
    # A flash of four frames lies beyond the 95 % point.
    second = np.r_[np.full(96, 30.0), np.full(4, 90.0)]
    assert metrics_of(np.tile(second, 2)).contrast_lstar[0] == pytest.approx(0, abs=0.3)


def test_a_clip_under_a_second_is_one_window():
    short = np.r_[np.full(15, 30.0), np.full(15, 60.0)]
    assert metrics_of(short).contrast_lstar[0] == pytest.approx(30, abs=0.3)
    assert metrics_of(np.array([50.0])).contrast_lstar[0] == 0


def test_lightness_95_and_lit_share():
    # 30 frames dark, 30 at L* 4 (under 5: not lit), 40 at 60; the 95 % point is 60.
    light = np.r_[np.zeros(30), np.full(30, 4.0), np.full(40, 60.0)]
    envelope = counts_of_lightness(CHAIN, light)
    envelope[:30] = 0
    metrics = clip_metrics(envelope, [CHAIN])
    assert metrics.lit_share[0] == 0.4
    assert metrics.lightness_95_lstar[0] == pytest.approx(60, abs=0.3)


def test_top_code_share_counts_the_highest_reading_only():
    chain = Chain(adc=Adc(bits=10))
    envelope = np.r_[np.full(75, 1022.0), np.full(25, 1023.0)]
    assert clip_metrics(envelope, [chain]).top_code_share[0] == 0.25


def test_duty_mean_99_and_peak():
    # 0 and full in turns: mean half of the duty_limit, 99 % and peak the duty_limit: (3 − 0.024)/10.8 =
    # 0.27556 by hand.
    envelope = np.tile([0.0, 1023.0], 100)
    metrics = clip_metrics(envelope, [CHAIN])
    assert metrics.duty_peak[0] == pytest.approx(0.27556, abs=2e-5)
    assert metrics.duty_99[0] == pytest.approx(0.27556, abs=2e-5)
    assert metrics.duty_mean[0] == pytest.approx(0.27556 / 2, abs=1e-5)
    # Three frames in two hundred at full reach the 99 % point, one is a peak only.
    assert clip_metrics(np.r_[np.zeros(197), np.full(3, 1023.0)], [CHAIN]).duty_99[0] > 0.27
    rare = np.r_[np.zeros(199), 1023.0]
    assert clip_metrics(rare, [CHAIN]).duty_99[0] == 0
    assert clip_metrics(rare, [CHAIN]).duty_peak[0] == pytest.approx(0.27556, abs=2e-5)


@pytest.mark.parametrize("flashes_per_s", [0, 1, 2, 3, 4, 5])
def test_flashes_of_a_square(flashes_per_s):
    # Full and dark n times in every second: n flashes (WCAG 2.2: pairs of opposing changes of 10 % or more).
    if flashes_per_s:
        phase = np.mod(np.arange(300) * flashes_per_s / 100, 1)
        envelope = np.where(phase < 0.5, 1023.0, 0.0)
    else:
        envelope = np.full(300, 1023.0)
    counted = clip_metrics(envelope, [CHAIN]).flashes_per_s[0]
    assert counted == count_flashes((envelope > 0).astype(float), 100.0)
    assert flashes_per_s <= counted <= flashes_per_s + (flashes_per_s > 0)


@examples(25)
@given(st.integers(0, 2**32 - 1), st.sampled_from([8, 12, 16]), st.sampled_from([6, 10, 12, 14]))
def test_equals_the_table_looked_up_count_by_count(seed, pixel_bits, adc_bits):
    # The fast way of all metrics against LookupTable.look_up and numpy, candidate by candidate.
    rng = np.random.default_rng(seed)
    chains = [
        Chain(
            preamp=Preamp(feedback),
            adc=Adc(bits=adc_bits),
            pixel_bits=pixel_bits,
            brightness=BrightnessMap(70, 95, curve),
        )
        for feedback, curve in [(10e3, "lightness"), (47e3, "power"), (220e3, "decibel")]
    ]
    envelope = rng.uniform(0, 1.1 * 2**adc_bits, (3, 230)) * rng.choice([0, 0.1, 1.0], (3, 230))
    envelope[0] = np.floor(envelope[0])
    metrics = clip_metrics(envelope, chains)
    for i, chain in enumerate(chains):
        table = chain.brightness_table()
        codes = table.look_up(envelope[i])
        light = lightness_cie1976(codes / table.duty_codes.max())
        spreads = [np.subtract(*np.percentile(light[s : s + 100], (95, 5))) for s in (0, 100)]
        # L* is kept in 32 bit: 1e-5 of 100.
        assert metrics.contrast_lstar[i] == pytest.approx(np.median(spreads), abs=2e-5)
        assert metrics.lightness_95_lstar[i] == pytest.approx(np.percentile(light, 95), abs=2e-5)
        assert metrics.lit_share[i] == pytest.approx((light > 5).mean())
        duty = codes / (2**pixel_bits - 1)
        assert metrics.duty_mean[i] == pytest.approx(duty.mean())
        assert metrics.duty_99[i] == pytest.approx(np.percentile(duty, 99))
        assert metrics.duty_peak[i] == duty.max()
        top = float(table.duty.max())
        assert metrics.flashes_per_s[i] == count_flashes(duty, chain.frame_rate_hz, full_duty=top)


def test_a_table_that_no_reading_lights_is_dark_and_not_undefined():
    # Floor at 140 dB SPL: beyond the highest count of this board, so every code is 0.
    dark = Chain(brightness=BrightnessMap(140, 150))
    assert dark.brightness_table().duty_codes.max() == 0
    metrics = clip_metrics(np.stack([np.tile([0.0, 1023.0], 100)] * 2), [dark, CHAIN])
    for name in metrics.__dataclass_fields__:
        assert np.isfinite(getattr(metrics, name)).all(), name
    assert metrics.contrast_lstar[0] == metrics.lit_share[0] == metrics.flashes_per_s[0] == 0
    assert metrics.contrast_lstar[1] > 0


def test_windows_follow_the_frame_rate():
    # At 50 frames a second, a second is 50 frames.
    chain = Chain(brightness=BrightnessMap(62.0, 90.0), frame_rate_hz=50.0)
    slow = np.concatenate([np.full(50, 20.0), np.full(50, 80.0)])
    assert metrics_of(slow, chain).contrast_lstar[0] == pytest.approx(0, abs=0.3)


def test_range_used_by_hand():
    # 20 lg(500/5) = 40 dB; the quiet median counts at least one count; a loud clip of zeros uses −inf.
    assert range_used_db(np.array([500.0]), np.array([5.0]))[0] == pytest.approx(40)
    assert range_used_db(np.array([100.0]), np.array([0.0]))[0] == pytest.approx(40)
    assert range_used_db(np.array([0.0]), np.array([3.0]))[0] == -np.inf


def test_table_step_is_the_largest_jump_between_counts() -> None:
    # L* is even in dB between floor and ceiling: from count n to n + 1 it moves by 100·ln(1 + 1/n)/ln(ratio),
    # most where light begins. With floor 4 and ceiling 400 that is 100·ln(5/4)/ln(100) = 4.845 (closed form).
    from dataclasses import replace

    from envlab.chain import Chain
    from envlab.light.curve import CountMap
    from envlab.light.table import build_table
    from envlab.metrics.clip_metrics import table_steps

    chain = replace(Chain(), pixel_bits=16)
    table = build_table(CountMap(4.0, 400.0), adc_bits=10, bits=16)
    assert table_steps([chain], [table])[0] == pytest.approx(4.845, abs=0.01)


def test_a_mean_of_noisy_readings_moves_in_finer_steps() -> None:
    """The expected mean of whole counts under normal noise, drawn: it never moves by more than is said."""
    from dataclasses import replace

    from envlab.analog.adc import Adc, convert
    from envlab.chain import Chain
    from envlab.digital.followers import MovingMean
    from envlab.metrics.clip_metrics import finest_change_counts

    for noise_lsb in (0.1, 0.3, 0.6):
        adc = Adc(bits=10, reference_v=1.024, noise_lsb=noise_lsb)
        chain = replace(Chain(), adc=adc, follower=MovingMean(0.01))
        inputs = 20 + np.arange(0, 2, 0.1)
        rng = np.random.default_rng(7)
        means = [convert(np.full(100_000, 1e-3 * lsb), adc, rng=rng).mean() for lsb in inputs]
        largest = float(np.diff(means).max())
        said = finest_change_counts(chain)
        # 100 000 draws of at most 0.7 LSB: standard error 0.002, of a difference 0.003.
        assert largest <= said + 0.012
        if noise_lsb < 0.5:
            assert said <= 1.35 * largest
    assert finest_change_counts(replace(Chain(), adc=Adc(noise_lsb=0.0), follower=MovingMean())) == 1.0


def test_where_a_step_of_the_pixel_is_wider_than_one_of_the_mean_it_is_no_less_than_a_code() -> None:
    from dataclasses import replace

    from envlab.analog.adc import Adc
    from envlab.chain import Chain
    from envlab.digital.followers import MovingMean
    from envlab.light.curve import CountMap
    from envlab.light.lightness import lightness_cie1976
    from envlab.light.table import build_table
    from envlab.metrics.clip_metrics import table_steps

    chain = Chain(adc=Adc(bits=12, rate_hz=2000.0, noise_lsb=1.5), follower=MovingMean(0.01))
    for floor in (7.0, 11.0, 17.0, 23.0, 41.0):
        table = build_table(CountMap(floor, 63 * floor), adc_bits=12, bits=8)
        codes = np.unique(table.duty_codes)
        # Between codes that follow each other L* moves by no less than between the first two of the depth.
        at_least = np.diff(lightness_cie1976(codes[:2] / table.brightest_code)).max()
        assert codes[1] == 1
        assert table_steps([replace(chain, pixel_bits=8)], [table])[0] >= at_least > 3.5


def test_table_step_behind_a_mean_is_the_closed_form_over_a_part_of_a_count() -> None:
    from dataclasses import replace

    from envlab.chain import Chain
    from envlab.digital.followers import MovingMean
    from envlab.light.curve import CountMap
    from envlab.light.table import build_table
    from envlab.metrics.clip_metrics import finest_change_counts, table_steps

    table = build_table(CountMap(40.0, 400.0), adc_bits=10, bits=16)
    chain = replace(Chain(), follower=MovingMean(0.01))
    apart = finest_change_counts(chain)
    # L* is even in dB: over a part of a count at n it moves by 100·ln(1 + part/n)/ln 10, most at n = 40;
    # between two counts the table is straight in duty, which is steeper in L* at the lower one.
    closed = 100 * np.log(1 + apart / 40) / np.log(10)
    assert table_steps([chain], [table])[0] == pytest.approx(closed, rel=0.08)
    assert table_steps([replace(chain, follower=Chain().follower)], [table])[0] > 2 * closed


def test_the_99_per_cent_points_are_numpys():
    """Of frames that are all different, so that 98 % or 95 % would be another number."""
    table, most = CHAIN.brightness_table(), float(counts_of_lightness(CHAIN, 99.0))
    envelope = np.random.default_rng(16).permutation(np.linspace(20.0, most, 400))
    columns = envelope_columns(envelope, [CHAIN])
    duty = table.look_up(envelope) / table.full_code
    assert np.unique(duty).size == 400
    assert columns.metrics.duty_99[0] == pytest.approx(np.percentile(duty, 99), rel=1e-12)
    assert columns.counts_99[0] == pytest.approx(np.percentile(envelope, 99), rel=1e-12)
    assert columns.counts_median[0] == pytest.approx(np.median(envelope), rel=1e-12)
    lightness = lightness_cie1976(duty / CHAIN.duty_limit)
    assert columns.metrics.lightness_95_lstar[0] == pytest.approx(np.percentile(lightness, 95), rel=1e-3)


def test_contrast_of_frames_is_that_of_the_counting_metric():
    """Seconds that move by 10.5, 40.25 and 20.75: their median, of whole frames and of the running count."""
    seconds = [np.r_[np.full(50, 40.0), np.full(50, 40.0 + move)] for move in (10.5, 40.25, 20.75)]
    assert contrast_of_frames(np.concatenate(seconds), 100.0) == pytest.approx(20.75)
    assert contrast_of_frames(np.array([50.0]), 100.0) == 0


def test_range_used_goes_in_parts_of_a_count():
    # 20 lg(505/2) = 48.0453 dB; a whole quotient, 252, would be 48.0280.
    assert range_used_db(np.array([505.0]), np.array([2.0]))[0] == pytest.approx(48.0453, abs=1e-4)

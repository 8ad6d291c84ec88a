"""Frame ripple aliasing against a slow, plain simulation of its definition, and where its size is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from envlab.analog.adc import Adc
from envlab.analog.detector import AverageDetector, PeakDetector, detect
from envlab.analog.rectifiers.bias_superdiodes import BiasSuperdiodes
from envlab.analog.rectifiers.ideal import Rectifier, rectify
from envlab.chain import Chain
from envlab.digital.followers import MovingMaximum, MovingMean
from envlab.errors import ParameterError
from envlab.light.lightness import lightness_cie1976
from envlab.metrics.ripple_aliasing import (
    FREQUENCIES_HZ,
    WATCHED_S,
    _Cycles,
    _lightness,
    breathing,
    frame_ripple_aliasing,
)
from envlab.metrics.ripple_aliasing_kernels import seen_over

SLOW = PeakDetector(4.7e3, 1e-6, 220e3)
QUICK = PeakDetector(1e3, 220e-9, 100e3)


def by_definition(chain: Chain, frequency_hz: float) -> float:
    """One frequency, step by step: settle, find the level, watch the frames."""
    rate_hz = 512 * frequency_hz
    phase = 2 * np.pi * np.arange(512) / 512
    drive_v = rectify(np.sin(phase), chain.rectifier)
    cycles = int(np.ceil(14 * chain.detector.release_s * frequency_hz)) + 20
    held_v, _ = detect(np.tile(drive_v, cycles), chain.detector, sample_rate_hz=rate_hz)
    cycle = held_v[-512:]
    table = chain.brightness_table()
    codes = table.look_up(np.arange(chain.adc.top_code + 1))
    of_count = lightness_cie1976(codes / table.duty_codes.max())

    def mean_less_50(counts_per_volt: float) -> float:
        smooth = np.interp(counts_per_volt * cycle, np.arange(of_count.size), of_count)
        return float(smooth.mean() - 50)

    scale = brentq(mean_less_50, 1e-3, 1e5)
    frames = np.arange(int(WATCHED_S * chain.frame_rate_hz)) / chain.frame_rate_hz
    place = (frames * frequency_hz) % 1.0
    counts = np.floor(scale * cycle[(place * 512).astype(int)]).astype(int)
    seen = of_count[np.minimum(counts, of_count.size - 1)]
    return float(seen.max() - seen.min())


@pytest.mark.parametrize("detector", [SLOW, QUICK])
@pytest.mark.parametrize("kind", ["half", "full"])
def test_is_the_worst_of_all_frequencies(detector: PeakDetector, kind: str) -> None:
    chain = replace(Chain(), detector=detector, rectifier=Rectifier(kind))
    found = frame_ripple_aliasing([chain])
    tried = FREQUENCIES_HZ[::24]
    slowly = max(by_definition(chain, f) for f in tried)
    # One count more or less, where the level lies on the edge of a count, is a step of the table.
    counts = np.arange(chain.adc.top_code + 1)
    table = chain.brightness_table()
    light = lightness_cie1976(table.look_up(counts) / table.duty_codes.max())
    step = float(np.diff(light)[np.searchsorted(light, 20) : np.searchsorted(light, 80)].max())
    assert found.worst_lstar[0] >= slowly - step
    assert found.worst_lstar[0] == pytest.approx(by_definition(chain, found.at_hz[0]), abs=step)


EVERY_KIND = [SLOW, QUICK, PeakDetector(470, 1e-6, 47e3), AverageDetector(10e3, 470e-9)]


@pytest.mark.parametrize("detector", EVERY_KIND)
def test_no_note_that_was_passed_over_is_worse(detector: PeakDetector | AverageDetector) -> None:
    chain = replace(Chain(), detector=detector)
    every = [breathing(chain, float(f)).ripple_aliasing_lstar for f in FREQUENCIES_HZ]
    found = frame_ripple_aliasing([chain])
    assert found.worst_lstar[0] == max(every)
    assert every[int(np.argmin(np.abs(FREQUENCIES_HZ - found.at_hz[0])))] == max(every)


@pytest.mark.parametrize("detector", EVERY_KIND)
@pytest.mark.parametrize("kind", ["half", "full"])
def test_no_cycle_swings_more_than_is_taken_for_granted(
    detector: PeakDetector | AverageDetector, kind: str
) -> None:
    cycles = _Cycles(detector, Rectifier(kind))
    swings = [(some.max(axis=1) / some.min(axis=1)).max() for some in map(cycles.of, range(14))]
    limits = [cycles.swing_at_most(piece) for piece in range(14)]
    assert (np.array(swings) <= limits).all()
    assert limits == sorted(limits, reverse=True)


def test_frequencies_of_the_definition() -> None:
    assert FREQUENCIES_HZ[0] == 40 and FREQUENCIES_HZ[1] == pytest.approx(40.37)
    assert 199.6 < FREQUENCIES_HZ[-1] <= 200


def test_a_detector_without_ripple_does_not_ripple_aliasing() -> None:
    still = replace(Chain(), detector=AverageDetector(100e3, 10e-6))
    assert frame_ripple_aliasing([still]).worst_lstar[0] == 0


def test_less_release_aliases_more() -> None:
    some = [replace(Chain(), detector=PeakDetector(1e3, 1e-6, r)) for r in (22e3, 47e3, 100e3, 1e6)]
    worst = frame_ripple_aliasing(some).worst_lstar
    assert worst[0] > worst[1] > worst[2] > worst[3]


def test_order_and_repetition_do_not_matter() -> None:
    one, other = replace(Chain(), detector=SLOW), replace(Chain(), detector=QUICK)
    both = frame_ripple_aliasing([one, other, one], workers=1)
    assert both.worst_lstar[0] == both.worst_lstar[2]
    np.testing.assert_array_equal(both.worst_lstar[:2], frame_ripple_aliasing([one, other]).worst_lstar)


def test_a_note_that_fits_the_frames_stands_still_and_one_beside_it_shows_the_whole_ripple() -> None:
    # 100 frames a second read 50 Hz always at the same place. On a curve even in dB, the whole ripple
    # is worth 100·ripple_db/span_db; the readings are whole counts, so up to one count of it is lost or won.
    chain = Chain(detector=PeakDetector(4.7e3, 1e-6, 47e3), adc=Adc(bits=12))
    still, moving = breathing(chain, 50.0), breathing(chain, 49.9)
    span_db = chain.brightness.ceiling_db_spl - chain.brightness.floor_db_spl
    one_count = 2000 * np.log10(1 + 1 / moving.cycle_counts.min()) / span_db
    assert still.ripple_aliasing_lstar == 0.0
    assert moving.ripple_aliasing_lstar == pytest.approx(
        100 * chain.tone_response(49.9).ripple_db / span_db, abs=one_count
    )
    assert moving.lightness.size == 1000


def test_the_worst_note_is_the_metric_itself() -> None:
    chain = Chain(detector=PeakDetector(4.7e3, 1e-6, 47e3))
    worst = frame_ripple_aliasing([chain])
    assert breathing(chain, float(worst.at_hz[0])).ripple_aliasing_lstar == float(worst.worst_lstar[0])


def test_behind_a_diode_a_note_is_not_judged() -> None:
    with pytest.raises(ParameterError, match="diode"):
        breathing(Chain(rectifier=Rectifier(diode="silicon")), 50.0)


def frames_by_definition(chain: Chain, frequency_hz: float, take) -> float:
    """Every reading in whole counts, take(readings of a frame's window) at every frame, step by step."""
    rate_hz = 512 * frequency_hz
    drive_v = rectify(np.sin(2 * np.pi * np.arange(512) / 512), chain.rectifier)
    cycles = int(np.ceil(14 * chain.detector.release_s * frequency_hz)) + 20
    held_v, _ = detect(np.tile(drive_v, cycles), chain.detector, sample_rate_hz=rate_hz)
    cycle = held_v[-512:]
    table = chain.brightness_table()
    instants_s = np.arange(int(WATCHED_S * chain.adc.rate_hz)) / chain.adc.rate_hz
    place = (((instants_s * frequency_hz) % 1.0) * 512).astype(int)

    def lightness(counts_per_volt: float) -> np.ndarray:
        readings = np.minimum(np.floor(counts_per_volt * cycle[place]), chain.adc.top_code)
        shown = take(readings.reshape(-1, 10))
        return lightness_cie1976(table.look_up(shown) / table.duty_codes.max())

    scale = brentq(lambda log: float(lightness(np.exp(log)).mean() - 50), 0, 9, xtol=1e-3)
    seen = lightness(np.exp(scale))
    return float(seen.max() - seen.min())


@pytest.mark.parametrize(
    ("follower", "take"),
    [
        (MovingMean(0.01), lambda some: some.mean(axis=1)),
        (MovingMaximum(0.01), lambda some: some.max(axis=1)),
    ],
)
@pytest.mark.parametrize("frequency_hz", [40.0, 50.16, 66.0, 99.93, 150.5])
def test_frames_that_show_all_their_readings_breathe_as_counted_by_hand(follower, take, frequency_hz) -> None:
    chain = replace(Chain(), detector=QUICK, follower=follower)
    by_hand = frames_by_definition(chain, frequency_hz, take)
    # The level may lie on the edge of a count: up to one count of the table either way.
    assert breathing(chain, frequency_hz).ripple_aliasing_lstar == pytest.approx(by_hand, abs=1.5)


@pytest.mark.parametrize("mean", [True, False])
def test_what_a_frame_sees_of_its_readings_is_numpys_mean_or_maximum(mean) -> None:
    rng = np.random.default_rng(2)
    cycles, back = rng.random((5, 256)), rng.integers(0, 3000, (5, 37))
    # Further back than a whole cycle, at its first and last sample, and at the frame itself.
    back[:, :4] = 0, 255, 256, 1
    seen = seen_over(cycles, back, mean)
    for cycle, readings, row in zip(cycles, back, seen, strict=True):
        of_readings = np.array([np.roll(cycle, shift) for shift in readings])
        np.testing.assert_array_equal(row, of_readings.mean(axis=0) if mean else of_readings.max(axis=0))


def test_a_mean_of_whole_frames_takes_most_of_the_aliasing_away() -> None:
    latest = replace(Chain(), detector=SLOW)
    mean, maximum = (replace(latest, follower=kind(0.01)) for kind in (MovingMean, MovingMaximum))
    found = frame_ripple_aliasing([latest, mean, maximum])
    assert found.worst_lstar[1] < 0.7 * found.worst_lstar[0]
    every = [breathing(mean, float(f)).ripple_aliasing_lstar for f in FREQUENCIES_HZ]
    assert found.worst_lstar[1] == max(every)


def test_what_a_dead_zone_swallows_makes_the_rest_swing_more() -> None:
    whole = replace(Chain(), detector=SLOW, adc=Adc(12))
    dead = replace(whole, adc=Adc(12, dead_low_v=0.08))
    same_map = [whole.brightness_table()] * 2
    found = frame_ripple_aliasing([whole, dead], same_map)
    assert found.worst_lstar[1] > 1.05 * found.worst_lstar[0]


def test_cycles_may_be_asked_for_in_any_order() -> None:
    backwards, forwards = _Cycles(QUICK, Rectifier()), _Cycles(QUICK, Rectifier())
    last = backwards.of(3)
    for piece in range(4):
        first = forwards.of(piece)
        np.testing.assert_array_equal(backwards.of(piece), first)
    np.testing.assert_array_equal(last, first)


def test_amplifiers_that_rest_below_the_node_lose_nothing() -> None:
    """Their offset takes the hold capacitor ten counts below the node: there is no less than none to lose."""
    below = Chain(rectifier=BiasSuperdiodes(offset_u2b_v=-0.03), adc=Adc(16, buffered="no"))
    assert below.quiescent_state.held_v < -5 * below.adc.lsb_v
    ideal = replace(below, rectifier=Rectifier(below.rectifier.kind, 1.65))
    tables = [ideal.brightness_table()] * 2
    found = frame_ripple_aliasing([below, ideal], tables)
    assert found.worst_lstar[0] == pytest.approx(found.worst_lstar[1], rel=1e-6)


def test_a_long_mean_is_taken_in_65536_places_at_most() -> None:
    # 10 bit and 1000 readings would be a million; 64 to a count are 65,536, less what is beyond the last one.
    chain = Chain(adc=Adc(10, rate_hz=100e3), follower=MovingMean(0.01))
    places, to_a_count = _lightness(chain, chain.brightness_table())
    assert to_a_count == 64
    assert 65_536 - 64 < places.size <= 65_536

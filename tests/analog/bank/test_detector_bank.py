"""The bank's shortcuts are exact: what it reads is what each detector gives alone, stepped sample by sample.

The yardstick is the plain recurrence of detect, read by read_at. Agreement is asked to 1e-12 of the largest
drive; a drive of denormal numbers, which have few digits, to 1e-300 V.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference.examples import examples

from envlab.analog.adc import instants_s, read_at, stamps_of
from envlab.analog.bank import detector_bank
from envlab.analog.bank.detector_bank import BLOCK_MULTIPLE, bank_of, read_bank
from envlab.analog.detector import AverageDetector, PeakDetector, detect
from envlab.errors import ParameterError

RATE_HZ = 384e3
MANY, FEWER = examples(200), examples(40)

SHORTEST = PeakDetector(0.01, 1e-12, 1)
LONGEST = PeakDetector(100e6, 1, 1e9)
USUAL = PeakDetector(4.7e3, 1e-6, 470e3)
LARGE_DIVIDER = PeakDetector(100e6, 1e-9, 1)
NO_DIVIDER = PeakDetector(0.01, 1e-9, 1e9)
AVERAGE = AverageDetector(10e3, 1e-6)
EXTREMES = (SHORTEST, LONGEST, USUAL, LARGE_DIVIDER, NO_DIVIDER, AVERAGE, AverageDetector(0.01, 1e-12))


@pytest.fixture(params=[False, True], ids=["group by group", "in twos"], scope="module", autouse=True)
def _two_at_a_time(request):
    """Both ways on every processor: which of them it takes by itself is a matter of its registers."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(detector_bank, "in_twos", lambda: request.param)
        yield


def decades(low, high):
    return st.floats(np.log10(low), np.log10(high)).map(lambda x: min(max(10**x, low), high))


peaks = st.builds(PeakDetector, decades(0.01, 100e6), decades(1e-12, 1), decades(1, 1e9))
musical = st.builds(PeakDetector, decades(470, 47e3), decades(220e-9, 4.7e-6), decades(33e3, 1.5e6))
averages = st.builds(AverageDetector, decades(0.01, 100e6), decades(1e-12, 1))
detectors = st.one_of(musical, peaks, averages, st.sampled_from(EXTREMES))


def clicks(n, rng):
    drive_v = np.zeros(n)
    drive_v[rng.integers(0, n, rng.integers(1, 4))] = rng.uniform(0.01, 1)
    return drive_v


def steps(n, rng):
    return np.repeat(rng.uniform(0, 1, n // 97 + 1) * (rng.random(n // 97 + 1) < 0.3), 97)[:n]


def bursts(n, rng):
    loudness = np.repeat(10 ** rng.uniform(-6, 0, n // 640 + 1), 640)[:n]
    tone = np.sin(2 * np.pi * rng.uniform(50, 8000) / RATE_HZ * np.arange(n))
    return loudness * np.abs(tone + 0.1 * rng.standard_normal(n))


def fading(n, rng):
    return np.abs(np.sin(0.01 * np.arange(n))) * np.exp(-np.arange(n) / rng.uniform(3, 6000))


DRIVES = {
    "one click or a few": clicks,
    "steps": steps,
    "direct voltage": lambda n, rng: np.full(n, rng.uniform(0, 2)),
    "silence": lambda n, _: np.zeros(n),
    "every other sample": lambda n, rng: rng.uniform(0, 1) * (np.arange(n) % 2),
    "denormal numbers": lambda n, rng: 1e-310 * rng.random(n),
    "noise": lambda n, rng: np.abs(rng.standard_normal(n)),
    "bursts of a tone": bursts,
    "fading into silence": fading,
    "a single full sample, then denormal": lambda n, _: np.where(np.arange(n) == n // 3, 1.0, 5e-324),
}


@st.composite
def drives(draw, most=6000):
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    return DRIVES[draw(st.sampled_from(sorted(DRIVES)))](draw(st.integers(1, most)), rng)


@st.composite
def reading_times_s(draw, duration_s):
    """Those of a converter, or any, several between two samples included, up to past the end."""
    if draw(st.booleans()):
        return instants_s(duration_s, draw(decades(100, 1e6)))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    return np.sort(rng.uniform(0, 1.01 * duration_s, draw(st.integers(0, 50))))


def read_alone(drive_v, some, times_s):
    """Shape (readings, detectors): every detector stepped on its own."""
    held = [detect(drive_v, one, sample_rate_hz=RATE_HZ)[0] for one in some]
    return np.transpose([read_at(one, times_s, sample_rate_hz=RATE_HZ) for one in held])


def read_in_blocks(drive_v, some, times_s, edges):
    """Shape (readings, detectors), and the state at the end: the bank, block by block."""
    bank = bank_of(tuple(some), RATE_HZ)
    upper, fraction = stamps_of(times_s, drive_v.size, RATE_HZ)
    state, read_v = bank.start(), []
    for start, stop in zip([0, *edges], [*edges, drive_v.size], strict=True):
        due = slice(*np.searchsorted(upper, (start, stop)))
        block_v, state = read_bank(drive_v[start:stop], bank, upper[due] - start, fraction[due], state=state)
        read_v.append(block_v)
    return np.concatenate(read_v), state


def assert_agree(drive_v, some, times_s):
    read_v, _ = read_in_blocks(drive_v, some, times_s, [])
    tolerance_v = max(1e-12 * drive_v.max(), 1e-300)
    assert read_v.shape == (times_s.size, len(some))
    if times_s.size:
        np.testing.assert_allclose(read_v, read_alone(drive_v, some, times_s), rtol=0, atol=tolerance_v)


@MANY
@given(st.data(), drives(), st.lists(detectors, min_size=1, max_size=12))
def test_bank_reads_what_each_detector_gives_alone(data, drive_v, some):
    assert_agree(drive_v, some, data.draw(reading_times_s(drive_v.size / RATE_HZ)))


@FEWER
@given(st.data(), drives(), st.lists(detectors, min_size=33, max_size=100))
def test_groups_side_by_side_read_what_each_detector_gives_alone(data, drive_v, some):
    assert_agree(drive_v, some, data.draw(reading_times_s(drive_v.size / RATE_HZ)))


@pytest.mark.parametrize("name", sorted(DRIVES))
@pytest.mark.parametrize("samples", [64 * 200, 64 * 200 + 37])
def test_every_kind_of_drive_on_the_extremes(name, samples):
    drive_v = DRIVES[name](samples, np.random.default_rng(4))
    assert_agree(drive_v, EXTREMES, instants_s(samples / RATE_HZ, 1000.0))


@pytest.mark.parametrize("count", [1, 2, 31, 32, 33, 64, 65, 97, 200])
def test_any_number_of_detectors_in_the_order_given(count):
    rng = np.random.default_rng(count)
    some = [PeakDetector(*10 ** rng.uniform((2.5, -6.5, 4.5), (4.7, -5.3, 6.2))) for _ in range(count)]
    drive_v = bursts(20_000, rng)
    assert_agree(drive_v, some, instants_s(drive_v.size / RATE_HZ, 1000.0))


@MANY
@given(
    st.integers(0, 2**32 - 1),
    st.builds(PeakDetector, decades(1e3, 1e5), decades(1e-9, 1e-6), decades(1e3, 1e5)),
)
def test_a_drive_that_is_met_in_the_middle_of_a_stretch(seed, alone):
    """A detector on its own bleeds down to a lower drive, and has to notice at that very sample."""
    drive_v = steps(8000, np.random.default_rng(seed)) + 0.2
    assert_agree(drive_v, [alone], instants_s(drive_v.size / RATE_HZ, 1000.0))


@pytest.mark.parametrize("reading_hz", [6000.0, 0.5], ids=["by strips", "by tiles"])
def test_long_decay_loses_no_digits(reading_hz):
    """Seconds of bleed after a push: the losses of thousands of stretches, long and short, add up right."""
    drive_v = np.zeros(4_000_000)
    drive_v[:50_000] = 1.0
    some = [PeakDetector(1e3, 1e-6, ohm) for ohm in np.linspace(3e6, 12e6, 16)]
    assert_agree(drive_v, some, np.arange(0, 10, 1 / reading_hz))


@MANY
@given(st.data(), drives(), st.lists(detectors, min_size=1, max_size=70))
def test_blocks_equal_the_whole_bit_for_bit(data, drive_v, some):
    times_s = data.draw(reading_times_s(drive_v.size / RATE_HZ))
    cut = st.integers(0, drive_v.size // BLOCK_MULTIPLE).map(lambda i: i * BLOCK_MULTIPLE)
    edges = sorted(data.draw(st.lists(cut, max_size=5)))
    whole_v, end = read_in_blocks(drive_v, some, times_s, [])
    parts_v, parts_end = read_in_blocks(drive_v, some, times_s, edges)
    np.testing.assert_array_equal(parts_v, whole_v)
    np.testing.assert_array_equal(parts_end, end)


def test_detectors_start_at_the_voltage_that_they_hold():
    rng = np.random.default_rng(5)
    some = [USUAL, PeakDetector(1e3, 1e-6, 100e3), AVERAGE]
    held_v = np.array([0.3, 1.2, 0.7])
    drive_v = 0.2 * bursts(5000, rng)
    times_s = instants_s(drive_v.size / RATE_HZ, 2000.0)
    bank = bank_of(tuple(some), RATE_HZ)
    read_v, _ = read_bank(drive_v, bank, *stamps_of(times_s, drive_v.size, RATE_HZ), state=bank.start(held_v))
    for i, (one, start_v) in enumerate(zip(some, held_v, strict=True)):
        alone_v, _ = detect(drive_v, one, sample_rate_hz=RATE_HZ, start_v=start_v)
        expected_v = read_at(alone_v, times_s, sample_rate_hz=RATE_HZ, start_v=start_v)
        np.testing.assert_allclose(read_v[:, i], expected_v, rtol=0, atol=1e-12)


def test_state_given_is_left_as_it_was():
    bank = bank_of((USUAL,), RATE_HZ)
    state = bank.start()
    nothing = np.empty(0)
    read_bank(np.ones(128), bank, nothing.astype(np.int64), nothing, state=state)
    assert not state.any()


def test_no_detectors_is_refused():
    with pytest.raises(ParameterError, match="at least one detector"):
        bank_of((), RATE_HZ)

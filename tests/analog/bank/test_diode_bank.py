"""Many diodes at once: each reads what it reads alone, and ω in vector lanes is the function of that name.

The yardstick is the scalar loop of hold_signal, read by read_at, whose ω comes from a table; and, once, the
circuit's differential equations in continuous time. Agreement with the loop is asked to 1e-10 of the largest
voltage: the table errs by 8e-12 of the current, and slow capacitors add many such currents.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference.diode_circuit import DiodeCircuit
from reference.examples import examples
from scipy.special import wrightomega

from envlab.analog.adc import instants_s, read_at, stamps_of
from envlab.analog.bank.diode_bank import diode_bank_of, read_diode_bank
from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.envelope import HoldState, hold_rectified
from envlab.analog.kernels.diode_lane_kernels import omega_lanes
from envlab.analog.kernels.stage_kernels import compiled
from envlab.analog.kernels.vector_kernels import LANES, load, store
from envlab.analog.rectifiers.ideal import Rectifier, rectify
from envlab.analog.tones.nonlinear_steady_state import quiescent_state
from envlab.engine.hold_stage import FEW_DIODES, HoldStage
from envlab.errors import ParameterError

RATE_HZ = 384e3
MANY = examples(100)

COUPLED = Rectifier("half", diode="silicon", reference="coupled", coupling_farad=0.47e-6, return_ohm=10e3)
RECTIFIERS = {
    "silicon": Rectifier("full", diode="silicon"),
    "schottky": Rectifier("half", diode="schottky"),
    "germanium, warm": Rectifier("full", diode="germanium", temperature_c=60.0),
    "bridge": Rectifier("full", diode="silicon", diodes_in_path=2),
    "weak amplifier": Rectifier("full", diode="schottky", output_current_a=20e-6),
    "coupled": COUPLED,
    "coupled, no way back": Rectifier("half", diode="schottky", reference="coupled", coupling_farad=1e-7),
}


@compiled
def omega_of(x: np.ndarray, out: np.ndarray) -> None:
    for first in range(0, x.size, LANES):
        store(out, first, omega_lanes(load(x, first)))


def omega(x: np.ndarray) -> np.ndarray:
    padded = np.concatenate((x, np.full(-x.size % LANES, -100.0)))
    out = np.empty_like(padded)
    omega_of(padded, out)
    return out[: x.size]


BORDERS = np.array([-40.0, -4.0, 40.0])


@pytest.mark.parametrize("many", [1, LANES])
def test_omega_against_scipy(many):
    # many: as it stands among others, or alone among lanes that do not conduct.
    x = np.concatenate(
        (
            np.linspace(-40, 90, 40_011),
            np.geomspace(90, 1e9, 2001),
            np.nextafter(BORDERS, 0),
            BORDERS,
            np.nextafter(BORDERS, 100),
        )
    )
    if many == 1:
        x = x[::400]
        ours = np.array([omega(np.array([one]))[0] for one in x])
    else:
        ours = omega(x)
    assert np.abs(ours / wrightomega(x) - 1).max() < 1e-13


def test_omega_far_below_is_no_current():
    # ω(−40) = 4.2e-18, and less below.
    assert omega(np.array([-41.0, -1e6, -1e300])) == pytest.approx(wrightomega(-40.0), rel=1e-12)


def test_a_lane_does_not_depend_on_its_neighbours():
    x = np.random.default_rng(2).uniform(-45, 100, 50 * LANES)
    assert np.array_equal(omega(x), np.concatenate([omega(np.array([one])) for one in x]))


def read_alone(drive_v, some, rectifier, times_s):
    """Shape (readings, detectors): every detector stepped on its own."""
    columns = []
    for one in some:
        held_v, _ = hold_rectified(drive_v, rectifier, one, sample_rate_hz=RATE_HZ, state=HoldState())
        columns.append(read_at(held_v, times_s, sample_rate_hz=RATE_HZ))
    return np.transpose(columns)


def read_in_blocks(drive_v, some, rectifier, times_s, edges):
    bank = diode_bank_of(tuple(some), rectifier, RATE_HZ)
    upper, fraction = stamps_of(times_s, drive_v.size, RATE_HZ)
    state, read_v = bank.start(np.zeros(len(some)), np.zeros(len(some))), []
    for start, stop in zip([0, *edges], [*edges, drive_v.size], strict=True):
        due = slice(*np.searchsorted(upper, (start, stop)))
        block_v, state = read_diode_bank(
            drive_v[start:stop], bank, upper[due] - start, fraction[due], state=state
        )
        read_v.append(block_v)
    return np.concatenate(read_v), state


def music(rng, n):
    loudness = np.repeat(10 ** rng.uniform(-3, 0.7, n // 640 + 1), 640)[:n]
    return loudness * (
        np.sin(2 * np.pi * rng.uniform(40, 9000) / RATE_HZ * np.arange(n)) + 0.2 * rng.standard_normal(n)
    )


SIGNALS = {
    "bursts": music,
    "silence": lambda _, n: np.zeros(n),
    "noise, loud": lambda rng, n: 3 * rng.standard_normal(n),
    "every other sample": lambda rng, n: rng.uniform(0, 3) * (np.arange(n) % 2),
    "one click": lambda rng, n: np.where(np.arange(n) == n // 2, rng.uniform(0, 5), 0.0),
    "direct voltage": lambda rng, n: np.full(n, rng.uniform(-2, 3)),
    "denormal numbers": lambda rng, n: 1e-310 * rng.random(n),
}


def decades(low, high):
    return st.floats(np.log10(low), np.log10(high)).map(lambda x: min(max(10**x, low), high))


peaks = st.builds(PeakDetector, decades(1, 10e6), decades(1e-11, 1e-3), decades(100, 1e9))
musical = st.builds(PeakDetector, decades(100, 47e3), decades(100e-9, 4.7e-6), decades(33e3, 1.5e6))


@MANY
@given(
    st.lists(st.one_of(peaks, musical), min_size=1, max_size=5),
    st.sampled_from(sorted(RECTIFIERS)),
    st.sampled_from(sorted(SIGNALS)),
    st.integers(0, 2**32 - 1),
)
def test_bank_reads_what_each_diode_gives_alone(some, name, signal, seed):
    rng, rectifier = np.random.default_rng(seed), RECTIFIERS[name]
    drive_v = rectify(SIGNALS[signal](rng, 3000), rectifier)
    times_s = np.sort(rng.uniform(0, 3000 / RATE_HZ, 40))
    read_v, _ = read_in_blocks(drive_v, some, rectifier, times_s, [])
    alone_v = read_alone(drive_v, some, rectifier, times_s)
    assert read_v.shape == alone_v.shape == (40, len(some))
    np.testing.assert_allclose(read_v, alone_v, rtol=0, atol=1e-10 * max(1.0, np.abs(drive_v).max()))


@pytest.mark.parametrize("count", [1, 31, 32, 33, 70])
def test_any_number_of_detectors_in_the_order_given(count):
    rng, rectifier = np.random.default_rng(count), RECTIFIERS["silicon"]
    some = [PeakDetector(*10 ** rng.uniform((2.5, -6.5, 4.5), (4.7, -5.3, 6.2))) for _ in range(count)]
    drive_v = rectify(music(rng, 6000), rectifier)
    times_s = instants_s(drive_v.size / RATE_HZ, 1000.0)
    read_v, _ = read_in_blocks(drive_v, some, rectifier, times_s, [])
    np.testing.assert_allclose(read_v, read_alone(drive_v, some, rectifier, times_s), rtol=0, atol=1e-11)


@MANY
@given(
    st.lists(st.one_of(peaks, musical), min_size=1, max_size=40),
    st.sampled_from(sorted(RECTIFIERS)),
    st.lists(st.integers(0, 900), max_size=4),
    st.integers(0, 2**32 - 1),
)
def test_blocks_equal_the_whole_bit_for_bit(some, name, edges, seed):
    rng, rectifier = np.random.default_rng(seed), RECTIFIERS[name]
    drive_v, times_s = rectify(music(rng, 900), rectifier), np.sort(rng.uniform(0, 900 / RATE_HZ, 20))
    whole_v, end = read_in_blocks(drive_v, some, rectifier, times_s, [])
    parts_v, last = read_in_blocks(drive_v, some, rectifier, times_s, sorted(edges))
    assert np.array_equal(parts_v, whole_v)
    assert np.array_equal(last, end)


def test_each_gets_the_same_bits_whoever_stands_beside_it():
    rng, rectifier = np.random.default_rng(8), COUPLED
    some = [PeakDetector(*10 ** rng.uniform((2, -7, 4), (4.7, -5.3, 6.2))) for _ in range(40)]
    drive_v = rectify(music(rng, 4000), rectifier)
    times_s = instants_s(drive_v.size / RATE_HZ, 5000.0)
    together_v, _ = read_in_blocks(drive_v, some, rectifier, times_s, [])
    for i in (0, 7, 31, 32, 39):
        alone_v, _ = read_in_blocks(drive_v, [some[i]], rectifier, times_s, [])
        assert np.array_equal(alone_v[:, 0], together_v[:, i])


def test_start_and_end_are_the_capacitors_voltages():
    some = [PeakDetector(1e3, 1e-6, 100e3), PeakDetector(10e3, 1e-7, 1e6)]
    held_v, across_v = np.array([0.4, 1.1]), np.array([-0.2, 0.3])
    drive_v = rectify(music(np.random.default_rng(6), 500), COUPLED)
    bank = diode_bank_of(tuple(some), COUPLED, RATE_HZ)
    start = bank.start(held_v, across_v)
    kept = start.copy()
    nothing = np.empty(0)
    _, end = read_diode_bank(drive_v, bank, nothing.astype(np.int64), nothing, state=start)
    assert np.array_equal(start, kept)
    for i, one in enumerate(some):
        _, last = hold_rectified(
            drive_v, COUPLED, one, sample_rate_hz=RATE_HZ, state=HoldState(held_v[i], across_v[i])
        )
        assert end[0, :, i] == pytest.approx([last.held_v, last.across_v], abs=1e-11)


def test_bank_against_continuous_time():
    """Four boards on a tone out of silence; (saturation A, emission, series Ω, leakage Ω) from memory."""
    saturation, emission, series, leakage = 2.5e-9, 1.75, 0.6, 1e9
    some = [PeakDetector(a, 0.47e-6, r) for a in (470.0, 10e3) for r in (47e3, 1e6)]
    n = np.arange(3000)
    drive_v = rectify(1.5 * np.sin(2 * np.pi * 1000 * n / RATE_HZ), RECTIFIERS["silicon"])
    times_s = np.arange(300, 2900, 100) / RATE_HZ
    read_v, _ = read_in_blocks(drive_v, some, RECTIFIERS["silicon"], times_s, [])
    for i, one in enumerate(some):
        circuit = DiodeCircuit(
            saturation, emission, 298.15, one.attack_ohm + series, 0.47e-6, one.release_ohm, leakage
        )
        truth_v = circuit.held_v(lambda t: abs(1.5 * math.sin(2 * math.pi * 1000 * t)), times_s, 1 / 64e3)
        # As for one detector alone (test_passive.py): 1e-3 of the peak.
        assert np.abs(read_v[:, i] - truth_v).max() < 1.5e-3


@pytest.mark.parametrize("count", [1, FEW_DIODES, FEW_DIODES + 1])
def test_few_or_many_the_envelope_is_the_same(count):
    rng, rectifier = np.random.default_rng(count), RECTIFIERS["schottky"]
    some = tuple(PeakDetector(1e3 * (i + 1), 1e-6, 100e3) for i in range(count))
    drive_v = rectify(music(rng, 2000), rectifier)
    times_s = instants_s(drive_v.size / RATE_HZ, 2000.0)
    bank = HoldStage(some, rectifier, RATE_HZ, [quiescent_state(one, rectifier) for one in some])
    read_v = bank.read(drive_v, *stamps_of(times_s, drive_v.size, RATE_HZ))
    np.testing.assert_allclose(read_v, read_alone(drive_v, some, rectifier, times_s), rtol=0, atol=1e-11)


def test_what_has_no_place_behind_a_diode_is_refused():
    with pytest.raises(ParameterError, match="at least one detector"):
        diode_bank_of((), COUPLED, RATE_HZ)
    with pytest.raises(ParameterError, match=r"^detector is 'average'"):
        diode_bank_of((AverageDetector(1e3, 1e-6),), RECTIFIERS["silicon"], RATE_HZ)

"""Silence: a board long switched on stands where Ohm's law says, from the first sample on."""

from __future__ import annotations

import math

import numpy as np
import pytest

from envlab.analog.band_filter import (
    BandFilter,
    FirstBandPass,
    FirstHighPass,
    FirstLowPass,
    NoBandFilter,
    SecondHighPass,
    SecondLowPass,
)
from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.envelope import HoldState, hold_signal
from envlab.analog.preamps.board_preamp import BoardPreamp
from envlab.analog.preamps.preamp import Preamp
from envlab.analog.rectifiers.difference_superdiodes import DifferenceSuperdiodes
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.engine.play import play
from envlab.engine.quantiser import learnt_zero_counts
from envlab.engine.reading_schedule import every_reading
from envlab.sound.recording import Recording

SILENCE = Recording(np.zeros(9600), 48_000.0)
# What of a voltage that stands still a filter hands on: a low pass all, a high pass nothing.
FILTERS: list[tuple[BandFilter, float]] = [
    (NoBandFilter(), 1.0),
    (FirstLowPass(10e3, 100e-9), 1.0),
    (SecondLowPass(10e3, 10e3, 220e-9, 100e-9), 1.0),
    (FirstHighPass(100e3, 1e-6), 0.0),
    (SecondHighPass(1e-6, 1e-6, 10e3, 22e3), 0.0),
    (FirstBandPass(100e3, 1e-6, 10e3, 100e-9), 0.0),
]
# (preamp, offset at its output by hand): gain 23 with the leg straight to the bias, else 1
PREAMPS = [
    (Preamp(22e3, ground_farad=None, input_offset_v=2e-3), 46e-3),
    (Preamp(22e3, input_offset_v=-4.8e-3), -4.8e-3),
    (BoardPreamp(22e3, ground_farad=None, input_offset_v=-2e-3), -46e-3),
]


@pytest.mark.parametrize(("band_filter", "passed"), FILTERS)
@pytest.mark.parametrize(("preamp", "offset_v"), PREAMPS)
@pytest.mark.parametrize("kind", ["half", "full"])
@pytest.mark.parametrize("detector", [PeakDetector(10e3, 1e-6, 90e3), AverageDetector(10e3, 1e-6, 90e3)])
def test_nothing_moves_and_rest_is_the_offset(band_filter, passed, preamp, offset_v, kind, detector):
    # Rectified, and divided by 10 kΩ and 90 kΩ. A filter that began empty behind the offset, and a capacitor
    # that began empty, took 0.1 s to get there.
    chain = Chain(preamp=preamp, band_filter=band_filter, rectifier=Rectifier(kind), detector=detector)
    signal_v = passed * offset_v
    expected_v = 0.9 * (abs(signal_v) if kind == "full" else max(signal_v, 0.0))
    run = chain.run(SILENCE)
    assert chain.quiescent_v == pytest.approx(expected_v, abs=1e-9)
    assert np.abs(run.detector_v - expected_v).max() < 1e-9
    assert chain.quiescent_counts == math.floor(expected_v / (3.3 / 1024) + 1e-9)
    assert not run.envelope_counts.any()


@pytest.mark.parametrize(
    "rectifier",
    [
        Rectifier("half", 0.5, "bias"),
        Rectifier("half", diode="germanium"),
        Rectifier("half", diode="schottky", reference="bias"),
        Rectifier("half", diode="silicon", reference="coupled", coupling_farad=1e-6, return_ohm=10e3),
        Rectifier(output_current_a=1e-4),
    ],
)
# A diode hands an offset below ground on, and its buffer ends 15 mV above ground: both are cautioned of.
@pytest.mark.filterwarnings("ignore:The buffer before the ADC comes no nearer to ground than 15 mV")
@pytest.mark.parametrize("band_filter", [FILTERS[0][0], FILTERS[2][0]])
def test_nothing_moves_behind_any_rectifier(rectifier, band_filter):
    for preamp, _ in PREAMPS:
        chain = Chain(preamp=preamp, band_filter=band_filter, rectifier=rectifier)
        run = chain.run(SILENCE)
        assert np.abs(run.detector_v - chain.quiescent_v).max() < 1e-6
        assert run.rectified_v.max() - run.rectified_v.min() < 1e-9


@pytest.mark.parametrize("release_ohm", [100.0, 10e3])
@pytest.mark.parametrize("gain_bandwidth_hz", [1e5, 3e6])
def test_behind_a_slow_amplifier_too_rest_is_what_stays(gain_bandwidth_hz, release_ohm):
    """A difference stage by Ohm's law; a slow super-diode takes longer to come up than the hold to empty."""
    detector = PeakDetector(100.0, 1e-7, release_ohm)
    rectifier = DifferenceSuperdiodes(
        0.0, gain_bandwidth_hz=gain_bandwidth_hz, diode="silicon", upper_feedback_ohm=46e3
    )
    chain = Chain(preamp=Preamp(10e3, ground_farad=None), rectifier=rectifier, detector=detector)
    # 1.65 V and an offset of 0.5 mV eleven times over, halved by two 47 kΩ; then 46 kΩ over 47 kΩ.
    plus_v = 0.5 * (1.65 + 5.5e-3)
    offered_v = plus_v + (plus_v - 1.65) * 46 / 47
    expected_v = offered_v * release_ohm / (release_ohm + 100.0)
    assert chain.quiescent_state.held_v == pytest.approx(expected_v, abs=1e-9)
    # Switched on with all empty: 10 ms later it is there.
    from_empty_v, _ = hold_signal(
        np.full(20_000, 5.5e-3), chain.rectifier_as_built, detector, sample_rate_hz=2e6, state=HoldState()
    )
    assert from_empty_v[-1] == pytest.approx(expected_v, abs=1e-9)
    for block in chain.node_blocks(SILENCE.pressure_pa, SILENCE.sample_rate_hz):
        assert np.abs(block.held_v - expected_v).max() < 1e-9


def test_boards_side_by_side_begin_at_their_own_rest():
    design = Chain(preamp=Preamp(22e3, ground_farad=None, input_offset_v=0.0))
    boards = [
        Chain(preamp=Preamp(ohm, ground_farad=None, input_offset_v=offset_v))
        for ohm, offset_v in ((22e3, 2e-3), (23e3, -2e-3), (21e3, 1e-3))
    ]
    seen: list[np.ndarray] = []

    class Seen:
        def take(self, counts: np.ndarray) -> None:
            seen.append(counts.copy())

    play(SILENCE, boards, every_reading(200), lambda _: Seen(), design=design)
    counts = np.concatenate(seen, axis=1)
    for row, board in zip(counts, boards, strict=True):
        assert board.quiescent_counts > 5
        assert set(row) == {board.quiescent_counts - learnt_zero_counts(board, design)}

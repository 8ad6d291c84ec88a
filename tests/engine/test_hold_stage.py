"""The hold stage read block by block is the held voltage of the whole, read between its samples.

The yardstick is hold_rectified over the whole, every sample, and numpy's straight line between two stamps.
"""

from __future__ import annotations

import numpy as np
import pytest

from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.envelope import HoldState, hold_rectified
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.engine.hold_stage import HoldStage

RATE_HZ = 384_000.0
BLOCK = 640
RECTIFIED_V = np.abs(np.random.default_rng(2).normal(0, 0.4, 3 * BLOCK))
# The first sample of the whole and of each block, and the last ones; some twice, as two readings may be.
UPPER = np.array([0, 0, 7, BLOCK - 1, BLOCK, BLOCK, BLOCK + 1, 2 * BLOCK, 3 * BLOCK - 1])
FRACTION = np.array([0.5, 0.9, 0.0, 1.0, 0.25, 0.75, 0.5, 0.5, 1.0])
DETECTORS = [PeakDetector(1e3, 1e-8, 1e5), PeakDetector(4.7e3, 1e-7, 47e3), PeakDetector(220.0, 1e-8, 1e6)]


@pytest.mark.parametrize(
    ("rectifier", "detectors"),
    [
        (Rectifier(), [*DETECTORS, AverageDetector(1e4, 1e-8)]),
        (Rectifier(output_current_a=1e-4), DETECTORS),
        (Rectifier(diode="silicon"), DETECTORS[:1]),
        (Rectifier(diode="silicon"), DETECTORS * 2),
    ],
    ids=["ideal", "limited", "one diode", "diodes"],
)
def test_blocks_are_the_whole(rectifier, detectors):
    start = [HoldState(0.3 + 0.01 * place) for place in range(len(detectors))]
    stage = HoldStage(detectors, rectifier, RATE_HZ, start)
    read = []
    for first in range(0, RECTIFIED_V.size, BLOCK):
        due = (first <= UPPER) & (first + BLOCK > UPPER)
        some_v = RECTIFIED_V[first : first + BLOCK]
        read.append(stage.read(some_v, UPPER[due] - first, FRACTION[due]))
    for place, (detector, state) in enumerate(zip(detectors, start, strict=True)):
        held_v, _ = hold_rectified(RECTIFIED_V, rectifier, detector, sample_rate_hz=RATE_HZ, state=state)
        known_v = np.concatenate(([state.held_v], held_v))
        expected_v = np.interp(UPPER + FRACTION, np.arange(known_v.size), known_v)
        np.testing.assert_allclose(np.concatenate(read)[:, place], expected_v, rtol=1e-11)
        assert expected_v[0] > 0.1

"""Settled ratio, attack and release of a steady tone: the package's answer against the nodal solution.

As the metrics are defined: a 1 kHz sine out of silence; settled is the mean over its last ten cycles, above
quiescent, over the peak; attack from its start to the first crossing of 90 % of that, release from its end
to 10 %.
"""

from __future__ import annotations

import numpy as np
import pytest
from circuit.nodal_board import node, rectifier_alone
from circuit.nodal_boards import BOARDS, QUICK
from reference.nodal.solve import Circuit as Solver
from reference.nodal.waves import sine_burst

from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.circuit.circuit import circuit_of

FREQUENCY_HZ, CYCLES, PER_CYCLE = 1000.0, 80, 256
# Every topology once, and both ways that a passive diode can be fed.
NAMES = (
    "differences lifted",
    "absolute value on ground",
    "without diodes",
    "on the bias",
    "silicon on the bias",
    "germanium, coupled, two stages",
)


def crossing_s(times_s: np.ndarray, volts: np.ndarray, threshold_v: float) -> float:
    """First crossing, straight between two samples."""
    n = int(np.argmax(volts >= threshold_v if volts[0] < threshold_v else volts <= threshold_v))
    low, high = volts[n - 1], volts[n]
    return float(times_s[n - 1] + (threshold_v - low) / (high - low) * (times_s[n] - times_s[n - 1]))


def solved(chain: Chain, peak_v: float) -> tuple[float, float, float]:
    """(settled over peak, attack, release) of the rectifier's circuit between stiff nodes."""
    circuit = circuit_of(chain)
    across = f"detector-{node(circuit.component('C3').node_at('2'))}"
    solver = Solver(rectifier_alone(circuit, 1.65, chain.rectifier.reference_node_v))
    solver.settle()
    quiescent_v, base_s = solver.stored_v("C3"), 1 / (FREQUENCY_HZ * PER_CYCLE)
    wave = sine_burst(peak_v, FREQUENCY_HZ, CYCLES)
    on = solver.run(wave, CYCLES / FREQUENCY_HZ, [across], base_s=base_s)
    off = solver.run(wave, 3 * chain.detector.release_s, [across], base_s=base_s)
    held_v = on.volts[across] - quiescent_v
    settled_v = float(held_v[-10 * PER_CYCLE :].mean())
    attack_s = crossing_s(on.times_s, held_v, 0.9 * settled_v)
    fall_v = np.concatenate((held_v[-1:], off.volts[across] - quiescent_v))
    fall_s = np.concatenate(([0.0], off.times_s - CYCLES / FREQUENCY_HZ))
    # Leakage through a coupled diode may have done it before the last cycle ends.
    fallen = fall_v[0] <= 0.1 * settled_v
    return settled_v / peak_v, attack_s, 0.0 if fallen else crossing_s(fall_s, fall_v, 0.1 * settled_v)


@pytest.mark.parametrize("peak_v", [0.02, 0.8])
@pytest.mark.parametrize("name", NAMES)
def test_tone_metrics(name: str, peak_v: float) -> None:
    chain = Chain(rectifier=BOARDS[name].rectifier, detector=QUICK)
    ratio, attack_s, release_s = solved(chain, peak_v)
    answer = chain.tone_response(FREQUENCY_HZ, peak_v)
    # Passive ones are exact; the reduced model of amplifiers is not: measured at most 0.9 % at 20 mV, and 3 %
    # of an attack of 0.3 ms where the pedestal is nearly all of what is held.
    within = 1e-3 if isinstance(chain.rectifier, Rectifier) else 1e-2
    assert answer.settled_ratio == pytest.approx(ratio, rel=within)
    assert answer.attack_s == pytest.approx(attack_s, rel=4 * within)
    assert answer.release_s == pytest.approx(release_s, rel=within)

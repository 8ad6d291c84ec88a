"""The latency in parts, against the latency of the whole board as the sweep measures it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from envlab.analog.detector import PeakDetector
from envlab.chain import Chain
from envlab.digital.followers import OnePole
from envlab.metrics.latency_budget import board_latency
from envlab.metrics.onset_latency import onset_latency

BOARD = Chain(detector=PeakDetector(15e3, 1e-6, 100e3))


@pytest.mark.parametrize("attack_ohm", [4.7e3, 15e3, 68e3])
def test_the_parts_add_up_to_the_measured_latency(attack_ohm):
    board = replace(BOARD, detector=replace(BOARD.detector, attack_ohm=attack_ohm))
    budget = board_latency(board, 92.0)
    measured = onset_latency([board], 92.0)
    # The sum takes the waits as independent and the rise as steady; one reading is 1 ms.
    # What goes by the one name is the one number; what is more has another name.
    assert budget.to_frame.name == "latency"
    pwm = budget.parts[-1]
    assert "PWM" in pwm.name
    assert budget.worst_s == pytest.approx(budget.to_frame.worst_s + pwm.worst_s)
    assert 1e3 * budget.to_frame.mean_s == pytest.approx(measured.mean_ms[0], abs=1.5)
    assert 1e3 * budget.to_frame.worst_s == pytest.approx(measured.worst_ms[0], abs=2.5)


def test_a_slower_attack_is_all_in_the_detectors_part():
    quick, slow = (
        board_latency(replace(BOARD, detector=PeakDetector(ohm, 1e-6, 100e3)), 92.0) for ohm in (4.7e3, 68e3)
    )
    assert slow.parts[0].mean_s > 2 * quick.parts[0].mean_s
    assert slow.parts[1:] == quick.parts[1:]


def test_a_follower_has_its_own_part():
    followed = {part.name: part for part in board_latency(replace(BOARD, follower=OnePole(0.05)), 92.0).parts}
    plain = {part.name: part for part in board_latency(BOARD, 92.0).parts}
    assert followed["detector"] == plain["detector"]
    assert plain["follower"].mean_s == 0.0
    assert followed["follower"].mean_s > 2e-3


def test_the_watcher_hears_the_drum_later():
    near, far = board_latency(BOARD, 92.0), board_latency(BOARD, 92.0, watcher_m=33.1)
    # 331 m/s in dry air at 0 °C.
    assert np.isclose(near.worst_s - far.worst_s, 0.1)

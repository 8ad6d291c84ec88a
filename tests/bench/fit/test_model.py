"""A trial with the design's own values is the engine's run of the same sound; its two ways agree."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

import envlab
from envlab.bench.fit.converter import line_of, mean_reading
from envlab.bench.fit.model import BenchModel
from envlab.bench.fit.values import designed_values
from envlab.bench.signals.board_wave import input_peak
from envlab.bench.signals.expected import expected_readings
from envlab.bench.signals.program import FULL_SCALE, SAMPLE_RATE_HZ, bench_program
from envlab.engine.nodes import Player
from envlab.stages import Adc

QUICK = envlab.PeakDetector(1e3, 1e-6, 33e3)
BOARDS = {
    "peak": envlab.Chain(detector=QUICK),
    "half wave": envlab.Chain(detector=QUICK, rectifier=envlab.Rectifier(kind="half")),
    "average": envlab.Chain(detector=envlab.AverageDetector(22e3, 1e-6)),
    "passive": envlab.Chain(detector=QUICK, rectifier=envlab.Rectifier(kind="half", diode="schottky")),
}


def held_by_engine(chain, program):
    """The engine on the pressure that the bench signal is by air, without noise."""
    peak = input_peak(chain, "acoustic")
    sound = envlab.Recording(program.samples() * (peak / FULL_SCALE), SAMPLE_RATE_HZ)
    player = Player(chain, sound)
    list(player.blocks())
    return player.played().held_v


@pytest.mark.parametrize("name", BOARDS)
def test_a_board_as_designed_is_the_engines(name):
    chain = replace(BOARDS[name], preamp=replace(BOARDS[name].preamp, input_offset_v=0.0))
    program = bench_program(chain, "acoustic")
    wanted = held_by_engine(chain, program)
    model = BenchModel(chain, program)
    times_s = np.arange(wanted.size) / chain.adc.rate_hz
    found = model.read([designed_values(chain)], times_s).read_v[:, 0]
    assert np.abs(found - wanted).max() < 1e-9


@pytest.mark.parametrize("change", [{"drop_v": 0.05}, {"gain": 1.3, "limit": 0.5}, {"lean_v": 3e-3}])
def test_lanes_and_single_boards_agree(change, monkeypatch):
    chain = BOARDS["peak"]
    program = bench_program(chain, "wire")
    model = BenchModel(chain, program)
    trial = replace(designed_values(chain), **change)
    times_s = np.arange(0, program.duration_s, 2e-3)
    side_by_side = model.read([designed_values(chain), trial], times_s).read_v[:, 1]
    monkeypatch.setattr(BenchModel, "_ideal", None)
    assert np.abs(side_by_side - model.read([trial], times_s).read_v[:, 0]).max() < 1e-12
    assert np.abs(side_by_side - model.read([designed_values(chain)], times_s).read_v[:, 0]).max() > 1e-3


@pytest.mark.parametrize("noise", [0.25, 0.5, 1.2])
def test_mean_reading_is_that_of_a_drawn_converter(noise):
    """Against 400,000 drawn readings, and its slope against its own difference."""
    rng = np.random.default_rng(3)
    draws = noise * rng.standard_normal(400_000)
    for level in (-0.4, 0.3, 5.25, 100.7, 1022.6, 1026.0):
        mean, slope = mean_reading(np.array([level]), noise, 1023)
        drawn = np.clip(np.floor(level + draws), 0, 1023)
        assert mean[0] == pytest.approx(drawn.mean(), abs=5e-3)
        further, _ = mean_reading(np.array([level + 1e-4]), noise, 1023)
        assert slope[0] == pytest.approx((further[0] - mean[0]) / 1e-4, abs=2e-3)
    assert mean_reading(np.array([0.9]), noise, 1023)[0][0] == pytest.approx(
        sum(ndtr((0.9 - k) / noise) for k in range(1, 12)), abs=1e-6
    )


def test_a_converters_line_is_the_one_that_the_engine_reads():
    """With dead zones, bow, gain error and a buffer: its own formula, and the slope by a difference."""
    adc = Adc(bits=12, dead_low_v=0.1, dead_high_v=0.15, bow_lsb=8.0, gain_error_percent=1.0)
    for converter in (adc, replace(adc, buffer_low_v=0.3), Adc(bits=10)):
        pin_v = np.array([0.05, 0.2, 0.31, 1.0, 1.65, 3.1, 3.25])
        level, slope = line_of(converter, pin_v)
        assert level == pytest.approx([converter.line_lsb(volts) for volts in pin_v], abs=1e-9)
        further, _ = line_of(converter, pin_v + 1e-7)
        assert slope == pytest.approx((further - level) / 1e-7, rel=1e-4, abs=1e-3)


def test_a_board_with_dead_zones_reads_at_rest_what_its_design_says():
    """1.65 V at a converter of 12 bit from 0.1 V to 3.15 V: 1.55/3.05 of 4096, less half a count."""
    adc = Adc(bits=12, rate_hz=1000.0, dead_low_v=0.1, dead_high_v=0.15)
    chain = envlab.Chain(
        detector=QUICK, adc=adc, rectifier=envlab.Rectifier(reference_node_v=1.65, reference="node"),
    )  # fmt: skip
    chain = replace(chain, preamp=replace(chain.preamp, input_offset_v=0.0))
    model = BenchModel(chain, bench_program(chain, "wire"))
    silence = expected_readings(model, [designed_values(chain)])[0, 0]
    assert silence == pytest.approx(1.55 / 3.05 * 4096 - 0.5, abs=0.01)

"""The bench signal: what stands where, whole cycles, marks that nothing else resembles."""

from __future__ import annotations

import io
import itertools

import numpy as np
import pytest
import soundfile

import envlab
from envlab.bench.signals.board_wave import top_v, wave_at_rectifier
from envlab.bench.signals.marks import START_CODE, STOP_CODE
from envlab.bench.signals.program import FULL_SCALE, SAMPLE_RATE_HZ, STEPS_DB, WAYS, bench_program
from envlab.errors import ParameterError

DETECTORS = (
    envlab.PeakDetector(4.7e3, 1e-6, 220e3),
    envlab.PeakDetector(1e3, 100e-9, 100e3),
    envlab.PeakDetector(10e3, 2.2e-6, 470e3),
    envlab.AverageDetector(22e3, 1e-6),
)


@pytest.mark.parametrize("detector", DETECTORS)
@pytest.mark.parametrize("way", WAYS)
def test_stretches_follow_each_other_and_tones_end_where_they_began(detector, way):
    program = bench_program(envlab.Chain(detector=detector), way)
    for one, behind in itertools.pairwise(program.stretches):
        assert behind.start_s == pytest.approx(one.end_s)
    for one in (*program.of_kind("step"), *program.of_kind("burst")):
        # A whole number of samples, too: at 5 kHz that is up to a twentieth of a cycle off.
        cycles = one.frequency_hz * one.duration_s
        assert cycles == pytest.approx(round(cycles), abs=0.06)
    lengths_s = [one.duration_s for one in program.of_kind("burst")]
    for first in (0, 3, 6):
        assert lengths_s[first] < lengths_s[first + 1] < lengths_s[first + 2]
    assert [one.level_db for one in program.of_kind("step")] == list(STEPS_DB)
    low_hz = {"wire": 60.0, "acoustic": 300.0}[way]
    assert [one.frequency_hz for one in program.of_kind("burst")] == [low_hz] * 3 + [1000.0] * 3 + [
        5000.0
    ] * 3
    assert min(one.frequency_hz for one in program.stretches if one.frequency_hz) == low_hz


def test_the_file_is_the_program():
    program = bench_program(envlab.Chain(detector=DETECTORS[0]))
    samples, rate_hz = soundfile.read(io.BytesIO(program.wav_bytes()))
    assert rate_hz == SAMPLE_RATE_HZ
    assert np.abs(samples - program.samples()).max() < 2**-15
    step = program.of_kind("step")[-1]
    within = samples[round(step.start_s * rate_hz) : round(step.end_s * rate_hz)]
    assert np.sqrt(2 * np.mean(within**2)) == pytest.approx(FULL_SCALE, rel=1e-3)
    silent = program.of_kind("silence")[1]
    assert not samples[round(silent.start_s * rate_hz) : round(silent.end_s * rate_hz) - 1].any()


def test_codes_have_the_autocorrelation_of_maximum_length_sequences():
    """Two-valued: n at no shift and −1 at every other, of chips ±1 (Golomb's property, textbook)."""
    for code in (START_CODE, STOP_CODE):
        chips = 2 * np.array(code) - 1
        products = [int(chips @ np.roll(chips, shift)) for shift in range(chips.size)]
        assert products == [15] + [-1] * 14


@pytest.mark.parametrize("way", WAYS)
def test_the_loudest_tone_has_its_peak_at_the_rectifier(way):
    chain = envlab.Chain(detector=DETECTORS[0])
    program = bench_program(chain, way)
    wave_v = wave_at_rectifier(chain, program)
    step = program.of_kind("step")[-1]
    rate_hz = wave_v.size / program.samples().size * SAMPLE_RATE_HZ
    late = wave_v[round((step.end_s - 0.05) * rate_hz) : round((step.end_s - 0.01) * rate_hz)]
    assert late.max() == pytest.approx(top_v(chain), rel=2e-3)
    assert top_v(chain) < 0.7 * min(chain.preamp.swing_up_v, chain.preamp.swing_down_v)


def test_a_detector_that_never_empties_is_refused():
    with pytest.raises(ParameterError, match="release_s is"):
        bench_program(envlab.Chain(detector=envlab.PeakDetector(1e3, 1e-3, 100e3)))

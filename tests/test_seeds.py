"""A seed is a whole number or a Generator, wherever one is asked for."""

from __future__ import annotations

import numpy as np
import pytest

from envlab.analog.adc import Adc
from envlab.chain import Chain
from envlab.errors import ParameterError
from envlab.seeds import MOST_SEED, generator_of, seed_number
from envlab.sound.recording import Recording
from envlab.sound.signals import pink_noise, tone, white_noise
from envlab.study.specification.specification import Judging
from envlab.study.tolerance.tolerances import Tolerances


def test_a_number_starts_the_same_generator_each_time():
    assert generator_of(7).random() == np.random.default_rng(7).random() == generator_of(np.int64(7)).random()


def test_a_generator_is_the_very_one():
    rng = np.random.default_rng(3)
    assert generator_of(rng) is rng


@pytest.mark.parametrize("seed", [-1, MOST_SEED + 1, 1.0, True, "1", None])
def test_anything_else_is_refused(seed):
    with pytest.raises(ParameterError, match=r"seed is .*; it must be a whole number from 0 to 4294967295"):
        generator_of(seed)


def test_a_generator_gives_a_number_that_a_file_can_hold():
    rng = np.random.default_rng(3)
    first, second = seed_number(rng), seed_number(rng)
    assert type(first) is int
    assert first != second
    assert first == seed_number(np.random.default_rng(3))


@pytest.mark.parametrize("noise", [white_noise, pink_noise])
def test_noise_takes_both(noise):
    by_number = noise(1.0, 0.1, 8000.0, 5)
    assert np.array_equal(by_number, noise(1.0, 0.1, 8000.0, np.random.default_rng(5)))
    assert not np.array_equal(by_number, noise(1.0, 0.1, 8000.0, 6))


@pytest.mark.parametrize("kind", [Judging, Tolerances])
def test_studies_take_both(kind):
    assert kind(seed=9).seed == 9
    assert kind(seed=np.random.default_rng(9)).seed == seed_number(np.random.default_rng(9))


def test_a_board_takes_both():
    chain = Chain(adc=Adc(noise_lsb=2.0))
    hum = Recording(tone(60.0, 0.2, 0.2, 8000.0), 8000.0)
    by_number = chain.run(hum, 4).adc_counts
    assert np.array_equal(by_number, chain.run(hum, np.random.default_rng(4)).adc_counts)
    assert not np.array_equal(by_number, chain.run(hum).adc_counts)

"""What goes before a clip, and which clips cannot be judged."""

from __future__ import annotations

import numpy as np
import pytest

from envlab.chain import Chain
from envlab.metrics.judgeable import why_flashes_not_judged
from envlab.metrics.metrics_of_clip import clip_seed
from envlab.sound.level import leq_db_spl
from envlab.sound.recording import Recording
from envlab.study.exported import scenarios
from envlab.study.exported.shown import adc_readings
from envlab.study.specification.heard_sounds import sounds_of
from envlab.study.specification.specification import read_specification

CLIPS = """
[[clips]]
file = "beat.wav"
levels_db_spl = [90]
tags = ["beat"]
"""
ROOM = """
[[clips]]
file = "hum.wav"
levels_db_spl = [40]
tags = ["room"]
"""


def clip(name: str) -> str:
    return f'[[clips]]\nfile = "{name}.wav"\nlevels_db_spl = [80]\n'


@pytest.fixture
def asked(write_design):
    return lambda text: read_specification(write_design(text))


def test_each_clip_is_read_with_the_noise_that_the_sweep_gives_it(asked):
    specification = asked(CLIPS + clip("hum"))
    heard = scenarios.heard_by(specification.chain, specification)
    sounds = sounds_of(specification)
    for number, one in enumerate(specification.clips):
        rng = np.random.default_rng(clip_seed(specification.judging.seed, number))
        np.testing.assert_array_equal(
            heard.clips[one], adc_readings(specification.chain, sounds[number], rng)
        )


def test_the_quiet_minute_is_the_room_over_and_over_or_the_boards_own_noise(asked):
    specification = asked(CLIPS + ROOM)
    heard = scenarios.heard_by(specification.chain, specification)
    room = heard.clips[specification.clips[1]]
    assert heard.quiet_name == "hum 40 dB"
    assert heard.quiet.size == 60 * specification.chain.adc.rate_hz
    np.testing.assert_array_equal(heard.quiet[: 2 * room.size], np.tile(room, 2))
    without = scenarios.heard_by(specification.chain, asked(CLIPS))
    assert without.quiet_name == "the board's own noise"
    assert without.quiet is without.silence
    assert without.silence.max() <= 2


@pytest.mark.filterwarnings("ignore:.*silen")
def test_what_is_silent_or_shorter_than_a_second_is_not_judged_and_says_why(asked):
    specification = asked(CLIPS + clip("short") + clip("silent"))
    heard = scenarios.heard_by(specification.chain, specification)
    assert [one.label for one in heard.clips] == ["beat 90 dB"]
    assert heard.not_judged["silent 80 dB"] == "it is silent"
    assert heard.not_judged["short 80 dB"].startswith("it lasts 0.3 s, and flashes are counted over a whole")


@pytest.mark.parametrize(("samples", "judged"), [(7999, False), (8000, True)])
def test_a_whole_second_is_long_enough(samples, judged):
    tone = Recording(np.sin(np.arange(samples)), 8000.0)
    assert (why_flashes_not_judged(tone) == "") == judged


def test_a_shout_is_loud_enough_for_full_light():
    chain = Chain()
    shouted = scenarios.shout(chain, np.random.default_rng(1))
    assert shouted.duration_s == 3.0
    level = leq_db_spl(shouted.pressure_pa, shouted.sample_rate_hz)
    assert level == pytest.approx(chain.brightness.ceiling_db_spl + 6.0, abs=0.01)

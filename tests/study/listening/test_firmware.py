"""A board read by firmware instead of rectifier and detector, on the clip that is heard."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from envlab.analog.detector import PeakDetector
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.errors import EnvlabError
from envlab.shipped import shipped_folder
from envlab.sound.recording import Recording, read_recording
from envlab.study.listening.firmware import FAST_RATE_HZ, FirmwareLight, FirmwareListening
from envlab.study.listening.listening import Listening

CHAIN = Chain()


@pytest.fixture(scope="module")
def drums():
    whole = read_recording(shipped_folder("audio_samples") / "drum_line.flac", 92.0)
    return replace(whole, pressure_pa=whole.pressure_pa[: 3 * 48_000])


def firmware_of(recording: Recording, chain: Chain) -> FirmwareLight:
    listening = Listening(recording)
    portions = FirmwareListening(listening.wave).in_portions(chain, listening.whole(chain))
    while True:
        try:
            next(portions)
        except StopIteration as done:
            return done.value


def test_it_comes_near_to_a_precision_detector(drums):
    found = firmware_of(drums, CHAIN)
    assert found.rms_db < 0.5
    assert found.rms_db < found.worst_db < 1.5
    analog = Listening(drums).whole(CHAIN)
    assert np.abs(found.light.lightness - analog.lightness).mean() < 1.0
    assert found.light.duty.size == analog.duty.size
    # Detector 4k7, 1 µF, 470k: 4.65 ms and 470 ms of its own.
    assert 0.5 < found.follower.attack_s / 4.65e-3 < 2
    assert 0.5 < found.follower.release_s / 0.47 < 2
    for word in ("attack", "release", "gain", "dB (rms)"):
        assert word in found.words


def test_its_counts_are_those_of_a_plain_loop(drums):
    found = firmware_of(drums, CHAIN)
    preamp_v = CHAIN.run(drums).preamp_v
    at = np.minimum(np.rint(np.arange(3 * 20_000) * 384_000 / FAST_RATE_HZ).astype(int), preamp_v.size - 1)
    lsb_v = 3.3 / 1024
    magnitude = np.abs(np.clip(np.floor((1.65 + preamp_v[at]) / lsb_v), 0, 1023) - 512)
    rise = 1 - np.exp(-1 / (FAST_RATE_HZ * found.follower.attack_s))
    fall = 1 - np.exp(-1 / (FAST_RATE_HZ * found.follower.release_s))
    y, heard = 0.0, np.empty(magnitude.size)
    for n, x in enumerate(magnitude.tolist()):
        y += (rise if x > y else fall) * (x - y)
        heard[n] = y
    # Frames at 0, 10 ms … show the latest of 20 readings a millisecond.
    np.testing.assert_allclose(found.frame_counts, found.gain * heard[::200], rtol=1e-9)
    table = CHAIN.brightness_table()
    shown = table.look_up(found.frame_counts) / table.brightest_code
    np.testing.assert_array_equal(found.light.relative_luminance, shown)
    assert found.light.full_duty == table.brightest_code / table.full_code
    assert found.light.guard == "none"


def test_behind_a_dead_zone_it_cannot_come_near(drums):
    soft = replace(drums, pressure_pa=drums.pressure_pa * 10 ** (-8 / 20))
    passive = replace(CHAIN, rectifier=Rectifier("full", diode="silicon", diodes_in_path=2))
    assert firmware_of(soft, passive).rms_db > 3 * firmware_of(soft, CHAIN).rms_db


def test_a_longer_release_is_found_longer_on_the_same_readings(drums):
    listening = Listening(drums)
    firmware = FirmwareListening(listening.wave)

    def release_s(ohm: float) -> float:
        chain = replace(CHAIN, detector=PeakDetector(4.7e3, 1e-6, ohm))
        portions = firmware.in_portions(chain, listening.whole(chain))
        while True:
            try:
                next(portions)
            except StopIteration as done:
                return done.value.follower.release_s

    assert release_s(1e6) > 1.5 * release_s(220e3)


def test_a_clip_that_moves_nothing_has_no_equivalent():
    with pytest.raises(EnvlabError, match="below one count"):
        firmware_of(Recording(np.zeros(24_000), 48_000.0), CHAIN)

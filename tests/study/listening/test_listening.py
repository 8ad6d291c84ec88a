"""Boards heard on one clip: Chain.run's readings and the exported firmware's light of them, bit for bit.

Round the playhead it is as good as that.
"""

from __future__ import annotations

from dataclasses import asdict, replace

import numpy as np
import pytest

from envlab.analog.band_filter import SecondLowPass
from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.electret import Electret
from envlab.analog.preamps.board_preamp import BoardPreamp
from envlab.analog.rectifiers.bias_superdiodes import BiasSuperdiodes
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.digital.firmware_settings import FirmwareSettings
from envlab.digital.followers import OnePole
from envlab.errors import ParameterError
from envlab.light.flashes.flash import count_flashes
from envlab.shipped import shipped_folder
from envlab.sound.recording import Recording, read_recording
from envlab.study.exported.light import ExportedLight, worn_light
from envlab.study.listening.listening import LONGEST_S, Listening

CHAIN = Chain()
PASSIVE = Rectifier("half", diode="schottky")
BOARD_PREAMP = BoardPreamp(**asdict(CHAIN.preamp))
BASS = SecondLowPass(10e3, 10e3, 220e-9, 100e-9)
BOARDS = {
    "plain": CHAIN,
    "half wave": replace(CHAIN, rectifier=Rectifier("half")),
    "passive": replace(CHAIN, rectifier=PASSIVE),
    "bass only": replace(CHAIN, band_filter=BASS),
    "bass only, passive": replace(CHAIN, band_filter=BASS, rectifier=PASSIVE),
    "preamp as soldered": replace(CHAIN, preamp=BOARD_PREAMP),
    "rectifier takes its time": replace(CHAIN, rectifier=BiasSuperdiodes()),
    "average": replace(CHAIN, detector=AverageDetector(100e3, 1e-6)),
    "electret": replace(CHAIN, microphone=Electret(load_ohm=3.3e3)),
    "smoothed in firmware, 40 frames": replace(CHAIN, follower=OnePole(0.05), frame_rate_hz=40.0),
}


@pytest.fixture(scope="module")
def drums():
    return read_recording(shipped_folder("audio_samples") / "drum_line.flac", 92.0)


def part_of(recording: Recording, first_s: float, last_s: float) -> Recording:
    rate = recording.sample_rate_hz
    return replace(recording, pressure_pa=recording.pressure_pa[int(first_s * rate) : int(last_s * rate)])


def worn_of(chain: Chain, recording: Recording) -> ExportedLight:
    """What the exported firmware makes of Chain.run's readings, frame by frame of Chain.run."""
    run = chain.run(recording)
    return worn_light(chain, run.adc_counts, chain.reading_of_frame(run.duty.size) + 1)


def duty_of(chain: Chain, recording: Recording) -> np.ndarray:
    worn = worn_of(chain, recording)
    return worn.luminance * worn.full_duty


@pytest.mark.parametrize("name", BOARDS)
# The passive board stands on ground, and its buffer does not: it is cautioned of.
@pytest.mark.filterwarnings("ignore:The buffer before the ADC comes no nearer to ground than 15 mV")
def test_the_whole_is_what_the_chain_gives(name, drums):
    short = part_of(drums, 3.0, 4.3)
    light, truth = Listening(short).whole(BOARDS[name]), BOARDS[name].run(short)
    worn = worn_of(BOARDS[name], short)
    assert light.exact
    assert light.duty.size == truth.duty.size
    np.testing.assert_array_equal(light.duty, worn.luminance * worn.full_duty)
    np.testing.assert_array_equal(light.relative_luminance, worn.luminance)
    np.testing.assert_array_equal(light.adc_counts, truth.adc_counts)
    assert light.clipped_share == truth.clipped_share
    assert light.full_duty == truth.full_duty
    assert light.duty.max() > 0


# The passive board stands on ground, and its buffer does not: it is cautioned of.
@pytest.mark.filterwarnings("ignore:The buffer before the ADC comes no nearer to ground than 15 mV")
def test_turning_one_part_after_the_other_changes_nothing(drums):
    short = part_of(drums, 3.0, 4.3)
    listening = Listening(short)
    for name in ("plain", "passive", "plain", "half wave", "average"):
        board = BOARDS[name]
        np.testing.assert_array_equal(listening.whole(board).duty, duty_of(board, short), err_msg=name)
    for ohm in (220e3, 1e6):
        board = replace(CHAIN, detector=PeakDetector(4.7e3, 1e-6, ohm))
        np.testing.assert_array_equal(listening.whole(board).duty, duty_of(board, short))


def test_a_whole_that_was_left_in_the_middle_comes_out_the_same(drums):
    short = part_of(drums, 3.0, 4.5)
    listening = Listening(short)
    for portions, board in ((3, CHAIN), (2, BOARDS["passive"]), (4, CHAIN)):
        started = listening.in_portions(board)
        for _ in range(portions):
            next(started)
        started.close()
    np.testing.assert_array_equal(listening.whole(CHAIN).duty, duty_of(CHAIN, short))


def test_two_wholes_at_once_are_refused(drums):
    listening = Listening(part_of(drums, 3.0, 4.5))
    one, other = listening.in_portions(CHAIN), listening.in_portions(BOARDS["passive"])
    next(one)
    next(other)
    with pytest.raises(RuntimeError, match="in the middle"):
        next(one)


@pytest.mark.parametrize("name", BOARDS)
@pytest.mark.parametrize("kept", [False, True], ids=["front anew", "front kept"])
def test_round_the_playhead_it_is_well_under_a_count_off(name, kept, drums):
    board = replace(BOARDS[name], detector=BOARDS[name].detector)
    listening = Listening(drums)
    if kept:
        other = replace(board.detector, hold_farad=2.2e-6)
        listening.whole(replace(board, detector=other))
    windows = [listening.window(board, playhead_s) for playhead_s in (0.0, 7.3, 13.2)]
    whole = listening.whole(board)
    for part in windows:
        assert not part.exact
        readings = slice(part.first_reading, part.first_reading + part.detector_v.size)
        last = slice(-min(1000, part.detector_v.size), None)
        off_v = np.abs(part.detector_v - whole.detector_v[readings])[last]
        assert off_v.max() < 0.1 * board.adc.lsb_v
        frames = slice(part.first_frame, part.first_frame + part.duty.size)
        # The zero is a guess, a fraction of a count off; on one board a count is all there is of light.
        within = 0.01 if counts_of_light(board) > 1 else 0.03
        np.testing.assert_allclose(part.relative_luminance, whole.relative_luminance[frames], atol=within)


def counts_of_light(board: Chain) -> float:
    """Counts from floor to ceiling."""
    counts = board.count_map()
    return counts.ceiling_counts - counts.floor_counts


def test_in_the_middle_of_a_clip_the_board_has_been_on():
    """Not the dark of a start: it is lit at once, and guarded. (Which flash is held hangs on the past.)"""
    strobe = Recording(np.tile(np.repeat([1.0, 0.0], 800), 60) * np.sin(np.arange(96_000)), 16_000.0)
    quick = replace(CHAIN, detector=PeakDetector(1e3, 1e-6, 10e3))
    listening = Listening(strobe.at_level(96.0))
    part = listening.window(quick, 4.0)
    frames = slice(part.first_frame, part.first_frame + part.duty.size)
    assert part.first_reading > 0
    assert part.relative_luminance[:10].max() > 0.5
    assert part.guard == "on"
    assert count_flashes(part.relative_luminance, 100.0) <= 3
    off = replace(quick, firmware=FirmwareSettings(guard="off"))
    free, free_whole = Listening(listening.recording).window(off, 4.0), listening.whole(off)
    assert not free.exact
    assert count_flashes(free.relative_luminance, 100.0) > 3
    np.testing.assert_allclose(free.relative_luminance, free_whole.relative_luminance[frames], atol=0.01)


def test_the_guard_knows_what_came_before_the_seconds_shown():
    """The window begins 0.6 s into a strobe whose beginning it has heard: it holds the whole's frames."""
    strobe = Recording(np.tile(np.repeat([1.0, 0.0], 800), 20) * np.sin(np.arange(32_000)), 16_000.0)
    quick = replace(CHAIN, detector=PeakDetector(1e3, 1e-6, 10e3))
    listening = Listening(strobe.at_level(96.0))
    part, whole = listening.window(quick, 0.9), listening.whole(quick)
    assert (part.first_reading, part.first_frame, part.exact) == (0, 60, False)
    frames = slice(60, 60 + part.duty.size)
    free = worn_light(quick, whole.adc_counts, guard=False).luminance
    assert (whole.relative_luminance != free)[frames].any()
    np.testing.assert_array_equal(part.relative_luminance, whole.relative_luminance[frames])


def test_an_automatic_window_has_learnt_from_seconds_like_those_known(drums):
    """At 20 dB less, steadily: without a past it would stand where the design has it. (Where a clip changes
    its loudness, the guess may be tens of L* off until the whole is known.)"""
    soft = replace(drums, pressure_pa=drums.pressure_pa / 10)
    moved = replace(CHAIN, firmware=FirmwareSettings("automatic"))
    listening = Listening(soft)
    part, whole, fixed = listening.window(moved, 13.0), listening.whole(moved), listening.whole(CHAIN)
    frames = slice(part.first_frame, part.first_frame + part.duty.size)
    assert np.abs(fixed.lightness - whole.lightness)[frames].max() > 5.0
    assert np.abs(part.lightness - whole.lightness[frames]).max() < 1.0


@pytest.mark.parametrize("rate_hz", [8000.0, 16_000.0, 32_000.0, 44_100.0, 96_000.0, 192_000.0])
def test_files_of_any_rate(rate_hz):
    t = np.arange(int(6 * rate_hz)) / rate_hz
    strokes = np.exp(-np.mod(t, 0.6) / 0.05) * np.sin(2 * np.pi * 200 * t)
    listening = Listening(Recording(strokes, rate_hz).at_level(92.0))
    for board in (CHAIN, BOARDS["bass only, passive"]):
        part, whole = listening.window(board, 5.0), listening.whole(board)
        frames = slice(part.first_frame, part.first_frame + part.duty.size)
        np.testing.assert_allclose(part.relative_luminance, whole.relative_luminance[frames], atol=0.01)


def test_a_memory_longer_than_the_warm_up_is_not_forgotten(drums):
    slow = replace(CHAIN, detector=PeakDetector(33e3, 4.7e-6, 1e6))
    listening = Listening(drums)
    part, whole = listening.window(slow, 9.0), listening.whole(slow)
    frames = slice(part.first_frame, part.first_frame + part.duty.size)
    np.testing.assert_allclose(part.lightness, whole.lightness[frames], atol=0.5)


def test_the_window_holds_the_playhead_and_what_comes_next(drums):
    listening = Listening(drums)
    for playhead_s in (0.0, 5.0, 13.39, 99.0):
        part = listening.window(CHAIN, playhead_s)
        heard_s = min(playhead_s, drums.duration_s - 0.01)
        first_s, last_s = part.first_frame / 100, (part.first_frame + part.duty.size) / 100
        assert first_s <= heard_s <= last_s
        assert last_s >= min(heard_s + 1.0, drums.duration_s) - 0.011
        assert part.total_frames == 1340


def test_a_board_heard_before_is_exact_at_once(drums):
    short = part_of(drums, 3.0, 4.3)
    listening = Listening(short)
    assert listening.known(CHAIN) is None
    whole = listening.whole(CHAIN)
    assert listening.window(CHAIN, 1.0).exact
    # Firmware and light need no new circuit.
    dim = replace(CHAIN, brightness=replace(CHAIN.brightness, floor_db_spl=80.0), frame_rate_hz=50.0)
    light = listening.window(dim, 1.0)
    assert light.exact
    np.testing.assert_array_equal(light.duty, duty_of(dim, short))
    assert light.duty.size == (whole.duty.size + 1) // 2


def test_a_new_loudness_hears_the_wave_that_is_there(drums):
    """Three loudnesses, one after the other; the first is interpolated farthest into the clip."""
    levels = (1.0, 3.0, 0.5)
    recordings = [replace(drums, pressure_pa=times * drums.pressure_pa) for times in levels]
    listening, before = Listening(recordings[0]), 1.0
    for recording, times, portions in zip(recordings, levels, (40, 20, 10), strict=True):
        if times != before:
            listening, before = Listening(recording, after=listening, louder=times / before), times
        under_way = listening.in_portions(CHAIN)
        for _ in range(portions):
            next(under_way)
        under_way.close()
    fresh = Listening(recordings[-1])
    step = int(0.3 * fresh.wave.rate_hz)
    for start in range(0, fresh.wave.samples - step, step):
        heard, truth = listening.wave.piece(start, start + step), fresh.wave.piece(start, start + step)
        np.testing.assert_allclose(
            heard, truth, rtol=0, atol=1e-12 * np.abs(recordings[-1].pressure_pa).max()
        )
    np.testing.assert_array_equal(listening.whole(CHAIN).detector_v, fresh.whole(CHAIN).detector_v)


def test_memory_used_again_gives_the_same(drums):
    short = part_of(drums, 3.0, 4.3)
    loud = replace(short, pressure_pa=3 * short.pressure_pa)
    before = Listening(short)
    before.whole(CHAIN)
    after = Listening(loud, after=before)
    np.testing.assert_array_equal(after.whole(CHAIN).duty, duty_of(CHAIN, loud))
    longer = part_of(drums, 3.0, 4.5)
    np.testing.assert_array_equal(Listening(longer, after).whole(CHAIN).duty, duty_of(CHAIN, longer))


def test_silence_is_dark():
    light = Listening(Recording(np.zeros(9600), 48_000.0)).whole(CHAIN)
    assert light.duty.max() == 0


def test_what_is_too_long_is_refused():
    with pytest.raises(ParameterError, match=r"duration_s is 121.*at most 120 s"):
        Listening(Recording(np.zeros(int(8000 * (LONGEST_S + 1))), 8000.0))

"""The chain: wiring against the stages called by hand, calibration on simulated tones, clipping, noise."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from envlab.analog.adc import Adc, convert, instants_s, read_at
from envlab.analog.detector import AverageDetector, PeakDetector, detect
from envlab.analog.microphone import Microphone, hear, self_noise_pa
from envlab.analog.preamps.preamp import Preamp, amplify, input_noise_v
from envlab.analog.rectifiers.ideal import Rectifier, rectify
from envlab.chain import Chain
from envlab.digital.followers import AttackRelease, OnePole, follow
from envlab.errors import EnvlabWarning, ParameterError
from envlab.light.curve import BrightnessMap
from envlab.light.pixels import Pixels, Supply
from envlab.sound.interpolate import internal_rate_hz, interpolate
from envlab.sound.recording import Recording

QUICK = PeakDetector(470.0, 1e-7, 47e3)
CHAINS = {
    "as it comes": Chain(),
    "quick, half wave": Chain(rectifier=Rectifier("half"), detector=QUICK),
    "average": Chain(detector=AverageDetector(10e3, 1e-6), preamp=Preamp(220e3)),
    "on the bias": Chain(rectifier=Rectifier("full", 1.65), detector=QUICK, preamp=Preamp(10e3)),
    "followed": Chain(detector=QUICK, follower=AttackRelease(0.005, 0.08), adc=Adc(12, rate_hz=2000.0)),
    "coarse": Chain(detector=QUICK, pixel_bits=8, frame_rate_hz=62.5, adc=Adc(8, noise_lsb=2.0)),
}


def tone(
    level_db_spl: float, frequency_hz: float = 1000.0, seconds: float = 1.0, rate_hz: float = 48e3
) -> Recording:
    """A sine whose rms is the level (so that no fade at its ends enters the level)."""
    peak_pa = math.sqrt(2) * 20e-6 * 10 ** (level_db_spl / 20)
    return Recording(
        peak_pa * np.sin(2 * np.pi * frequency_hz * np.arange(round(seconds * rate_hz)) / rate_hz), rate_hz
    )


def clatter(seconds: float = 0.3, peak_pa: float = 2.0) -> Recording:
    """Noise with strokes in it."""
    rng = np.random.default_rng(8)
    n = round(seconds * 48e3)
    strokes = np.exp(-((np.arange(n) % 4800) / 600.0))
    return Recording(peak_pa * strokes * rng.standard_normal(n), 48e3)


@pytest.mark.parametrize("noisy", [False, True], ids=["no noise", "noise"])
@pytest.mark.parametrize("chain", CHAINS.values(), ids=CHAINS.keys())
def test_every_stage_gets_what_the_one_before_gave(chain, noisy):
    recording = clatter()
    result = chain.run(recording, np.random.default_rng(11) if noisy else None)

    # Each source of noise has its own stream, in the order microphone, preamp, converter.
    of_microphone, of_preamp, of_adc = np.random.default_rng(11).spawn(3)
    pressure_pa = recording.pressure_pa
    if noisy:
        pressure_pa = pressure_pa + self_noise_pa(chain.microphone, pressure_pa.size, 48e3, of_microphone)
    rate_hz = internal_rate_hz(48e3)
    fine_pa = interpolate(pressure_pa, 48e3)
    microphone_v, _ = hear(fine_pa, chain.microphone, sample_rate_hz=rate_hz)
    entering_v = microphone_v
    if noisy:
        white = of_preamp.standard_normal(microphone_v.size + 1)
        entering_v = microphone_v + input_noise_v(chain.preamp, white, rate_hz)
    preamp_v = amplify(entering_v, chain.preamp, sample_rate_hz=rate_hz).preamp_v
    drive_v = rectify(preamp_v, chain.rectifier)
    # Long on before the sound: the preamp's offset is on the capacitor.
    start_v = chain.quiescent_v - chain.rectifier.reference_node_v
    held_v, _ = detect(drive_v, chain.detector, sample_rate_hz=rate_hz, start_v=start_v)
    times_s = np.arange(round(0.3 * chain.adc.rate_hz)) / chain.adc.rate_hz
    read_v = chain.rectifier.reference_node_v + read_at(held_v, times_s, sample_rate_hz=rate_hz)
    counts = convert(read_v, chain.adc, rng=of_adc if noisy else None)
    above_quiescent = np.maximum(counts - chain.quiescent_counts, 0).astype(float)
    envelope, _ = follow(above_quiescent, chain.follower, rate_hz=chain.adc.rate_hz)
    frames = np.arange(math.ceil(0.3 * chain.frame_rate_hz - 1e-9)) / chain.frame_rate_hz
    latest = np.floor(frames * chain.adc.rate_hz + 1e-9).astype(int)
    table = chain.brightness_table()

    assert np.array_equal(result.pressure_pa, fine_pa)
    assert np.array_equal(result.microphone_v, microphone_v)
    assert np.array_equal(result.preamp_v, preamp_v)
    assert np.array_equal(result.rectified_v, chain.rectifier.reference_node_v + drive_v)
    assert np.array_equal(result.detector_v, chain.rectifier.reference_node_v + held_v)
    assert np.array_equal(result.adc_counts, counts)
    assert np.array_equal(result.envelope_counts, envelope)
    full = 2**chain.pixel_bits - 1
    assert result.duty == pytest.approx(table.look_up(envelope[latest]) / full, abs=1e-15)
    assert result.internal_rate_hz == 384e3
    assert result.adc_rate_hz == chain.adc.rate_hz
    assert result.frame_rate_hz == chain.frame_rate_hz
    assert result.table == table


@pytest.mark.parametrize("level_db_spl", [72.0, 80.0, 87.0])
@pytest.mark.parametrize("chain", CHAINS.values(), ids=CHAINS.keys())
def test_a_tone_at_a_level_settles_where_the_level_scale_says(chain, level_db_spl):
    # 1 kHz (and 3.7 Hz, else every reading falls on the same phase of the ripple) at L dB SPL, mean of the
    # readings after settling. A count is the lower edge of its step, so the mean reading lies half a count
    # below the voltage; together within one count. Before the follower: an asymmetric one rides on ripple.
    expected = chain.level_scale().counts(level_db_spl)
    seconds = 2.6 if isinstance(chain.detector, PeakDetector) and chain.detector.release_s > 0.1 else 0.8
    result = chain.run(tone(level_db_spl, 1003.7, seconds))
    readings = result.adc_counts[-round(chain.adc.rate_hz / 3.7) :] - chain.quiescent_counts
    assert readings.mean() + 0.5 == pytest.approx(expected, abs=1)
    assert result.clipped_share == 0


@pytest.mark.parametrize("rate_hz", [8e3, 44.1e3, 96e3, 192e3])
def test_calibration_holds_at_every_file_rate(rate_hz):
    chain = Chain(detector=QUICK, adc=Adc(16))
    readings = chain.run(tone(88, 1003.7, 0.6, rate_hz)).envelope_counts[-270:]
    # 16 bit: 0.3 % of the reading is what steps of 1/44 of a cycle and the corners' matching may cost.
    assert readings.mean() == pytest.approx(chain.level_scale().counts(88), rel=3e-3)


def test_level_scale_by_hand():
    # 94 dB SPL: 1.00237 Pa · √2 · 7.943 mV/Pa · 48 = 0.54051 V peak, times the settled ratio, times what the
    # corners leave at 1 kHz; 3.3 V/1024 a count.
    chain = Chain(preamp=Preamp(47e3, 1e3), detector=QUICK)
    corners = 1 / abs((1 - 0.04j) * (1 + 1j / 15))  # microphone: 40 Hz and 15 kHz
    corners /= abs((1 - 1j * 1.5915e-3) * (1 + 1j * 1000 * 48 / 10e6))  # coupling, bandwidth
    corners *= abs(
        (1 - 1j * 0.015915 / 48) / (1 - 1j * 0.015915)
    )  # ground leg, (1 + f_c/(48·jf))/(1 + f_c/jf)
    by_hand = 0.54051 * corners * chain.tone_response().settled_ratio / (3.3 / 1024)
    assert chain.level_scale().counts(94) == pytest.approx(by_hand, rel=1e-4)
    assert chain.level_scale().counts(74) == pytest.approx(by_hand / 10, rel=1e-4)


def test_silence_reads_the_rest_and_shows_nothing():
    silence = Recording(np.zeros(4800), 48e3)
    for quiescent_v in (0.0, 0.5, 1.65):
        chain = Chain(rectifier=Rectifier("full", quiescent_v), preamp=Preamp(input_offset_v=0))
        result = chain.run(silence)
        assert chain.quiescent_counts == math.floor(quiescent_v / 3.3 * 1024)
        assert (result.rectified_v == quiescent_v).all()
        assert (result.detector_v == quiescent_v).all()
        assert set(result.adc_counts) == {chain.quiescent_counts}
        assert (result.envelope_counts == 0).all()
        assert (result.duty == 0).all()
        assert (result.lightness == 0).all()


def test_a_detector_that_rests_a_hair_below_ground_reads_0():
    # A passive diode's reverse current leaves some 1e-14 V there. A converter reads no less than 0; behind a
    # buffer whose output ends at 15 mV, 4.65 LSB, no less than 4.
    chain = Chain(rectifier=Rectifier("half", diode="schottky"), preamp=Preamp(input_offset_v=-1e-9))
    assert chain.quiescent_v < 0
    assert replace(chain, adc=Adc(buffered="no")).quiescent_counts == 0
    assert chain.quiescent_counts == 4
    with pytest.warns(EnvlabWarning, match="no nearer to ground than 15 mV"):
        result = chain.run(Recording(np.zeros(4800), 48e3))
    assert set(result.adc_counts) == {4}
    assert set(result.envelope_counts) == {0}
    straight = replace(chain, adc=Adc(buffered="no")).run(Recording(np.zeros(4800), 48e3))
    assert set(straight.adc_counts) == set(straight.envelope_counts) == {0}


def test_rest_moves_every_voltage_behind_the_rectifier_and_not_the_envelope():
    recording = tone(80, seconds=0.2)
    ground = Chain(detector=QUICK).run(recording)
    lsb = Adc().lsb_v
    raised = Chain(detector=QUICK, rectifier=Rectifier("full", 300 * lsb)).run(recording)
    assert raised.rectified_v == pytest.approx(ground.rectified_v + 300 * lsb)
    assert raised.detector_v == pytest.approx(ground.detector_v + 300 * lsb)
    # Whole counts of rest: the readings move by exactly these (a rounding on a step's edge may cost one).
    assert np.abs(raised.adc_counts - ground.adc_counts - 300).max() <= 1
    assert np.abs(raised.envelope_counts - ground.envelope_counts).max() <= 1


def test_below_the_floor_dark_from_the_ceiling_on_full():
    chain = Chain(detector=PeakDetector(100.0, 1e-6, 220e3), brightness=BrightnessMap(70, 90))
    for level_db_spl, check in [(69, 0.0), (91, 1.0)]:
        result = chain.run(tone(level_db_spl, seconds=0.8))
        assert (result.relative_luminance[-20:] == check).all()
        assert (result.lightness[-20:] == 100 * check).all()
    middle = chain.run(tone(80, seconds=0.8)).lightness[-20:]
    # Halfway in dB is L* = 50 on the "lightness" curve; a count in 120 is 0.07 dB, 0.4 L*.
    assert middle == pytest.approx(50, abs=1.0)


def test_cap_scales_and_never_clips():
    # 24 pixels of three channels of 150 mA: (3 − 0.024)/10.8 = 0.27556 of full (by hand).
    chain = Chain(detector=QUICK)
    assert chain.duty_limit == pytest.approx(0.27556, abs=5e-6)
    result = chain.run(tone(101, seconds=0.2))
    assert result.full_duty == pytest.approx(0.27556, abs=2 / 65535)
    assert result.duty.max() == result.full_duty
    rising = chain.brightness_table().duty_codes
    assert np.unique(rising).size > 50


def test_transmission_by_hand():
    # Common practice, no source: 60 pixels · 30 µs + 280 µs = 2.08 ms; the yoke's 24: 1.00 ms.
    assert Chain(pixels=Pixels(count=60), pixel_bits=8).transmission_s == pytest.approx(2.08e-3)
    assert Chain(pixel_bits=8).transmission_s == pytest.approx(1.00e-3)
    # Codes of more than 8 bit take two bytes a channel: 24 · 60 µs + 280 µs. Four lines: 15 pixels each.
    assert Chain().transmission_s == pytest.approx(1.72e-3)
    assert Chain(pixels=Pixels(60, data_lines=4), pixel_bits=8).transmission_s == pytest.approx(0.73e-3)


def test_the_pixels_can_be_written_as_often_as_the_frames_and_the_dither_want():
    Chain(pixel_bits=8, dither_bits=2).check_sending()
    assert Chain(pixel_bits=8, dither_bits=2).refresh_hz == 800.0
    assert Chain(pixel_bits=8).refresh_hz == 100.0
    with pytest.raises(ParameterError, match="refresh_hz is 1600"):
        Chain(pixel_bits=8, dither_bits=3).check_sending()
    with pytest.raises(ParameterError, match="frame_rate_hz is 600"):
        Chain(frame_rate_hz=600.0).check_sending()


def test_depth_rounds_to_the_nearest_code_and_never_passes_the_limit():
    deep, shallow = Chain().brightness_table(), Chain(pixel_bits=8).brightness_table()
    # By definition of the nearest code, from the 16 bit table, up to floor(0.27556 · 255) = 70.
    nearest = np.floor(deep.duty_codes / 65_535 * 255 + 0.5)
    np.testing.assert_array_equal(shallow.duty_codes, np.minimum(nearest, 70))
    assert shallow.duty_codes.max() == 70


def test_dithered_bits_count_as_depth():
    table = Chain(pixel_bits=8, dither_bits=2).brightness_table()
    assert table.bits == 10
    assert table.duty_codes.max() == math.floor(0.275556 * 1023)


def test_with_the_limit_per_frame_the_light_is_full_sooner_and_never_over_the_limit():
    scaled, held = Chain().brightness_table(), Chain(current_limit="frame").brightness_table()
    assert held.duty_codes.max() == scaled.duty_codes.max() == held.brightest_code
    lit = scaled.duty_codes > 300
    assert (held.duty_codes[lit] >= scaled.duty_codes[lit]).all()
    # Below the duty limit it is the curve up to full: 1/0.27556 times as bright.
    below = lit & (held.duty_codes < held.brightest_code)
    np.testing.assert_allclose(held.duty_codes[below] / scaled.duty_codes[below], 1 / 0.27556, rtol=5e-3)


def test_clipped_share_of_a_hard_driven_preamp():
    # A settled sine of k times the swing is clipped for 1 − 2·asin(1/k)/π of the time (closed form).
    chain = Chain(preamp=Preamp(47e3, input_offset_v=0), microphone=Microphone(overload_db_spl=130))
    peak_v = (
        math.sqrt(2)
        * 20e-6
        * 10 ** (110 / 20)
        * abs(chain.microphone.response(1e3) * chain.preamp.response(1e3))
    )
    share = 1 - 2 * math.asin(chain.preamp.swing_up_v / peak_v) / math.pi
    assert 0.3 < share < 0.95
    assert chain.run(tone(110)).clipped_share == pytest.approx(share, abs=0.01)


def test_clipped_share_of_an_overloaded_microphone():
    # The same closed form at the microphone; the preamp, of gain 2, stays free.
    chain = Chain(microphone=Microphone(overload_db_spl=110), preamp=Preamp(1e3, 1e3, input_offset_v=0))
    share = 1 - 2 * math.asin(10 ** (-6 / 20)) / math.pi
    assert chain.run(tone(116)).clipped_share == pytest.approx(share, abs=0.005)


def test_a_sample_clipped_twice_counts_once():
    chain = Chain(microphone=Microphone(overload_db_spl=100), preamp=Preamp(220e3))
    result = chain.run(tone(130, seconds=0.1))
    limits = np.abs(result.pressure_pa) > chain.microphone.overload_pa
    limits |= (result.preamp_v >= chain.preamp.swing_up_v) | (result.preamp_v <= -chain.preamp.swing_down_v)
    assert result.clipped_share == pytest.approx(limits.mean())
    assert result.clipped_share <= 1


def test_same_generator_same_result_and_silence_is_not_silent():
    chain = Chain(detector=QUICK)
    silence = Recording(np.zeros(24_000), 48e3)
    first = chain.run(silence, np.random.default_rng(3))
    again = chain.run(silence, np.random.default_rng(3))
    other = chain.run(silence, np.random.default_rng(4))
    assert np.array_equal(first.detector_v, again.detector_v)
    assert np.array_equal(first.adc_counts, again.adc_counts)
    assert not np.array_equal(first.detector_v, other.detector_v)
    # 32 dB(A) self-noise through a gain of 48: a settled peak well under a count times ten.
    assert 0 < first.detector_v.max() < 10 * chain.adc.lsb_v


def test_recording_is_left_alone():
    recording = clatter()
    kept = recording.pressure_pa.copy()
    Chain().run(recording, np.random.default_rng(1))
    assert np.array_equal(recording.pressure_pa, kept)


def test_the_shortest_clip_has_one_reading_and_one_frame():
    result = Chain().run(Recording(np.array([0.1]), 48e3))
    assert result.adc_counts.shape == result.envelope_counts.shape == result.duty.shape == (1,)


@pytest.mark.parametrize("readings", [15, 29, 30, 51, 55])
def test_a_frame_that_falls_on_a_reading_shows_it(readings):
    # 1000/(1000/15) is a hair less than 15 in binary; the frame must not fall back to the reading before.
    chain = Chain(frame_rate_hz=1000 / readings)
    assert list(chain.reading_of_frame(5)) == [k * readings for k in range(5)]


@given(st.floats(10, 1000), st.floats(1, 1000), st.floats(1e-4, 100))
def test_every_frame_shows_a_reading_that_was_taken(frame_rate_hz, times, duration_s):
    chain = replace(Chain(), adc=Adc(rate_hz=min(1e6, frame_rate_hz * times)), frame_rate_hz=frame_rate_hz)
    duration_s = min(duration_s, 2000 / frame_rate_hz)
    frames = instants_s(duration_s, frame_rate_hz)
    index = chain.reading_of_frame(frames.size)
    readings = instants_s(duration_s, chain.adc.rate_hz)
    assert index.max() < readings.size
    taken = readings[index]
    # The latest one: not after the frame, and the next one would be.
    assert (taken <= frames + 1e-8 / frame_rate_hz).all()
    assert (taken + 1 / chain.adc.rate_hz > frames - 1e-8 / frame_rate_hz).all()


@pytest.mark.parametrize(
    ("fields", "text"),
    [
        ({"frame_rate_hz": 5.0}, "frame_rate_hz is 5.0; it must be from 10 to 1000 Hz"),
        (
            {"frame_rate_hz": 500.0, "adc": Adc(rate_hz=200)},
            "frame_rate_hz is 500.0; it must be at most the ADC's rate",
        ),
        (
            {"rectifier": Rectifier("full", 3.3)},
            "quiescent_v is 3.30049504950495; it must be below the ADC's reference_v",
        ),
        ({"pixel_bits": 0}, "pixel_bits is 0; it must be a whole number from 1 to 16"),
        ({"pixel_bits": 17}, "pixel_bits is 17; it must be a whole number from 1 to 16"),
        ({"pixel_bits": 8.0}, "pixel_bits is 8.0; it must be a whole number from 1 to 16"),
        ({"supply": Supply(limit_a=0.02)}, "limit_a is 0.02; it must be above the idle current of 0.024 A"),
        ({"supply": Supply(limit_a=0.1), "pixel_bits": 4}, "duty_limit is 0.007"),
    ],
)
def test_chains_that_cannot_be(fields, text):
    with pytest.raises(ParameterError) as caught:
        Chain(**fields)
    assert str(caught.value).startswith(text)
    assert "\n" not in str(caught.value)


def test_follower_of_a_chain_works_at_the_readings_rate():
    # A step of counts through one pole of 50 ms reaches 1 − 1/e after 50 ms (closed form).
    chain = Chain(detector=PeakDetector(1.0, 1e-9, 1e9), follower=OnePole(0.05))
    result = chain.run(tone(90, seconds=0.4))
    final = result.envelope_counts[-1]
    assert result.envelope_counts[50] / final == pytest.approx(1 - math.exp(-1), abs=0.02)

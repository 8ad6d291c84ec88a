"""The six clips: who plays what and when.

Every `make_` function takes a seeded generator and returns the finished clip at 48 kHz: band-limited, faded
at both ends, scaled to the peak that it states. Gains are balanced by eye on envelopes and spectra.
"""

from __future__ import annotations

import numpy as np
from brass import drone
from drums import (
    DEEP_DRUM,
    MIDDLE_DRUM,
    beat_times,
    drum_line,
    march,
    play,
    player,
    roll,
    score_from,
    stroke,
    troupe,
)
from places import cloth_rub, cough, footstep, room_tone, steps, wind
from shaping import (
    FloatArray,
    along,
    finished,
    high_pass,
    lay_out,
    low_pass,
    reflected,
    samples,
    shaped_noise,
    surroundings,
    unit_rms,
)
from voices import Syllable, Throat, cheer, choir, crowd, hand_bells, speech, utter

STROKES_PER_MINUTE = 100.0
TUNE_BEATS = (
    (0.0, 1.8, 293.66, "o"), (2.0, 0.9, 329.63, "a"), (3.0, 0.9, 349.23, "e"), (4.0, 2.6, 392.00, "a"),
    (7.0, 0.9, 349.23, "u"), (8.0, 1.8, 329.63, "o"), (10.0, 0.9, 261.63, "i"), (11.0, 0.9, 329.63, "e"),
    (12.0, 3.4, 293.66, "a"), (16.0, 1.8, 392.00, "o"), (18.0, 2.6, 349.23, "u"),
)  # fmt: skip
GUSTS = (
    (0.0, 0.3), (1.4, 0.85), (3.0, 0.35), (4.4, 0.25), (5.6, 0.3), (7.3, 0.95), (9.0, 0.4), (9.8, 0.2),
    (11.0, 0.3), (12.2, 0.8), (13.6, 0.3),
)  # fmt: skip
MINUTE_BRASS_FROM_S = 14.5
MINUTE_BRASS = (
    (0.0, 0.0), (4.5, 0.6), (11.5, 0.9), (14.5, 0.4), (16.5, 0.22), (21.0, 0.3), (23.5, 0.22), (26.5, 0.85),
    (32.5, 0.6), (37.5, 1.0), (40.0, 0.8), (41.1, 0.0),
)  # fmt: skip
MINUTE_CROWD = ((0.0, 1.0), (14.0, 0.7), (28.0, 1.0), (38.0, 0.5), (54.0, 0.9), (60.0, 1.2))


def street(rng: np.random.Generator) -> FloatArray:
    """A street between house fronts with snow on the ground: few strong reflections, a short tail."""
    return surroundings(rng, reach_s=0.075, fall_60db_s=0.55, first_db=-9.0, tail_db=-11.0)


def hall(rng: np.random.Generator) -> FloatArray:
    """A furnished rehearsal room."""
    return surroundings(rng, reach_s=0.03, fall_60db_s=0.45, first_db=-5.0, tail_db=-4.0)


def make_drum_line(rng: np.random.Generator) -> FloatArray:
    """Seven drummers: five bars and a last stroke, two rolls, one bar of rest after its first stroke."""
    count = samples(13.4)
    beats_s = beat_times(22, STROKES_PER_MINUTE, rng, start_s=0.25)
    parts = march(5, rolls_at=(10.0, 18.0), rests=(3,))
    parts["deep"] += [(20.0, 1.0)]
    parts["middle"] += [(20.0, 0.8)]
    dry = drum_line(troupe(rng), parts, beats_s, count, rng)
    wet = reflected(dry, street(rng))
    floor = 0.0016 * np.max(np.abs(wet)) * shaped_noise(count, rng, 60.0, 600.0, -4.0)
    return finished(wet + floor, peak_dbfs=-6.0, fade_in_s=0.05, fade_out_s=0.5)


def make_brass_drone(rng: np.random.Generator) -> FloatArray:
    """Five low brass players on a drone that swells three times."""
    count = samples(13.0)
    points = [(0.0, 0.3), (1.8, 0.62), (3.6, 0.34), (6.4, 0.95), (8.6, 0.4), (10.8, 0.75), (13.0, 0.25)]
    swell = along(count, points)
    wet = reflected(drone(count, rng, swell), street(rng))
    floor = 0.002 * np.max(np.abs(wet)) * shaped_noise(count, rng, 60.0, 600.0, -4.0)
    return finished(wet + floor, peak_dbfs=-9.0, fade_in_s=0.15, fade_out_s=0.6)


def _tune(start_s: float) -> list[tuple[float, float, float, str]]:
    beat_s = 60.0 / STROKES_PER_MINUTE
    return [(start_s + at * beat_s, length * beat_s, pitch, vowel) for at, length, pitch, vowel in TUNE_BEATS]


def make_voices_bells(rng: np.random.Generator) -> FloatArray:
    """Six people singing vowels, four hand bells about once a beat."""
    count = samples(13.2)
    sung = choir(_tune(0.3), count, rng)
    beats_s = beat_times(21, STROKES_PER_MINUTE, rng, start_s=0.3)
    rung = [float(t) for i, t in enumerate(beats_s) if i % 4 != 3]
    bells = hand_bells(rung, count, rng)
    wet = reflected(sung + 2.6 * bells, street(rng))
    floor = 0.003 * np.max(np.abs(wet)) * shaped_noise(count, rng, 60.0, 600.0, -4.0)
    return finished(wet + floor, peak_dbfs=-9.0, fade_in_s=0.1, fade_out_s=0.6)


def make_quiet_room(rng: np.random.Generator) -> FloatArray:
    """Room and fan; two people talk softly at the far end, a cough next door, one step in the corridor."""
    count = samples(13.0)
    one = utter(speech(3.2, 190.0, rng), Throat(0.9, breath=0.12), samples(3.4), rng)
    other = utter(speech(2.9, 118.0, rng), Throat(1.04, breath=0.12), samples(3.1), rng)
    talk = lay_out(count, [(1.2, 1.0, unit_rms(one)), (8.6, 0.8, unit_rms(other))])
    distant = lay_out(count, [(6.1, 4.0, cough(rng)), (7.9, 2.4, footstep(rng, thump=1.0, snow=0.05))])
    distant = low_pass(distant, 900.0)
    inside = reflected(low_pass(0.4 * talk, 1600.0) + distant, hall(rng))
    return finished(room_tone(count, rng) + inside, peak_dbfs=-15.0, fade_in_s=0.3, fade_out_s=0.5)


def make_walking(rng: np.random.Generator) -> FloatArray:
    """The wearer walks through snow: steps, scarf over the port, gusts, own voice, own drum."""
    count = samples(13.6)
    feet = steps(count, rng, start_s=0.35, per_minute=106.0, thump=1.5, snow=0.16)
    rubs = [
        (at_s, gain, cloth_rub(rng, length_s))
        for at_s, gain, length_s in (
            (2.2, 0.9, 0.5), (2.85, 0.7, 0.35), (7.4, 1.1, 0.7), (9.1, 0.6, 0.3), (12.4, 0.8, 0.45)
        )
    ]  # fmt: skip
    call = Syllable(2.45, 0.55, 190.0, 150.0, "e", 1.3, hiss=0.6)
    words = [*speech(2.1, 128.0, rng, phrase_s=2.4), call]
    voice = utter(words, Throat(1.0, breath=0.04, brightness_hz=1700.0), samples(3.4), rng)
    talk = lay_out(count, [(3.9, 2.6 / np.max(np.abs(voice)), voice)])
    own = [
        (9.75, 4.6, stroke(DEEP_DRUM, 0.8, rng)),
        (10.35, 3.6, stroke(DEEP_DRUM, 0.6, rng)),
        (10.65, 2.2, stroke(MIDDLE_DRUM, 0.4, rng)),
        (10.95, 5.0, stroke(DEEP_DRUM, 0.9, rng)),
    ]
    gusts = along(count, GUSTS)
    near = feet + 0.6 * wind(count, rng, gusts) + 0.5 * lay_out(count, rubs) + high_pass(talk, 90.0)
    wet = near + reflected(lay_out(count, own), street(rng))
    floor = 0.004 * np.max(np.abs(wet)) * shaped_noise(count, rng, 60.0, 900.0, -4.0)
    return finished(wet + floor, peak_dbfs=-9.0, fade_in_s=0.1, fade_out_s=0.4)


def make_mixed_minute(rng: np.random.Generator) -> FloatArray:
    """The parade passes: it comes nearer, halts for the singers, rolls, and goes on at full strength."""
    count = samples(60.0)
    drums = _minute_of_drums(count, rng)
    blowing = samples(41.5)
    blown = unit_rms(drone(blowing, rng, along(blowing, MINUTE_BRASS)))
    brass = lay_out(count, [(MINUTE_BRASS_FROM_S, 1.0, blown)])
    near = samples(14.0)
    first, second = choir(_tune(0.4), near, rng), choir(_tune(0.4), near, rng)
    sung = lay_out(count, [(5.5, 0.5, first), (28.6, 0.7, second)])
    rung_s = [*np.arange(6.0, 17.0, 0.6), *np.arange(29.4, 37.0, 0.6), *np.arange(42.0, 54.0, 1.2)]
    bells = hand_bells([float(t) for t in rung_s], count, rng)
    people = crowd(count, rng) * along(count, MINUTE_CROWD)
    calls = lay_out(count, [(28.2, 1.0, cheer(rng, 1.1)), (55.6, 1.4, cheer(rng, 2.0))])
    wet = reflected(5.2 * drums + 0.45 * brass + 0.42 * sung + 0.9 * bells + 0.45 * calls, street(rng))
    return finished(wet + 0.11 * people, peak_dbfs=-9.0, fade_in_s=0.5, fade_out_s=2.0)


def _minute_of_drums(count: int, rng: np.random.Generator) -> FloatArray:
    """Bars 1 to 12 coming nearer, a halt of four bars, a roll, eight bars at full strength, a last stroke."""
    beats_s = beat_times(98, STROKES_PER_MINUTE, rng, start_s=0.4)
    coming = march(12, rolls_at=(22.0, 38.0), rests=(7,))
    full = march(7, rolls_at=(6.0, 22.0), rests=(3,))
    parts = {name: coming[name] + [(at + 64.0, force) for at, force in full[name]] for name in coming}
    parts["rattle"] = sorted(parts["rattle"] + roll(60.0, 64.0, 9.0, 0.1, 0.95))
    parts["deep"] += [(92.0, 1.0)]
    parts["middle"] += [(92.0, 0.9)]
    near = drum_line(troupe(rng), parts, beats_s, count, rng)
    far = low_pass(near, 700.0)
    closeness = along(count, [(0.0, 0.03), (6.0, 0.12), (14.0, 0.5), (20.0, 1.0), (60.0, 1.0)])
    own = player(MIDDLE_DRUM, gain=0.7, distance_m=1.0, stray_s=0.005, tune=1.04, rng=rng)
    beside = play(own, score_from(beats_s, [(at, 0.4) for at in range(68, 92, 4)]), count, rng)
    return closeness**1.3 * near + (1 - closeness) * 0.15 * far + beside

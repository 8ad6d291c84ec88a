"""Level diagram against arithmetic by hand on the parade's microphone and preamp."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from envlab.analog.band_filter import FirstLowPass
from envlab.analog.microphone import Microphone
from envlab.analog.preamps.preamp import Preamp
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.errors import ParameterError
from envlab.metrics.across_clips import _range_used
from envlab.sound.clip import Clip
from envlab.sound.recording import Recording
from envlab.sound.signals import tone
from envlab.study.level_diagram import level_diagram, stated_levels

# 94 dB, −42 dBV/Pa, gain 100: 1.00237 Pa · 7.943 mV/Pa = 7.962 mV; · 100 = 0.796 V rms
HAND = Chain(
    microphone=Microphone(low_corner_hz=1.0, high_corner_hz=100e3),
    preamp=Preamp(99e3, 1e3, gain_bandwidth_hz=1e9),
)


def test_levels_by_hand():
    diagram = level_diagram(HAND, 54, 94)
    air, microphone, preamp, *_ = diagram.levels
    assert air.loud == pytest.approx(1.00237, rel=1e-5)
    assert microphone.loud == pytest.approx(7.962e-3, rel=1e-3)
    assert preamp.loud == pytest.approx(0.7962, rel=1e-3)
    assert preamp.quiet == pytest.approx(7.962e-3, rel=1e-3)
    # the swing is 1.6 V peak, 1.131 V rms: 3.05 dB over 0.796; the microphone goes to 120 dB SPL
    assert preamp.headroom_db == pytest.approx(20 * math.log10(1.6 / math.sqrt(2) / 0.7962), abs=0.01)
    assert microphone.headroom_db == pytest.approx(26.0, abs=0.01)
    node, level = diagram.first_to_clip
    assert (node, level) == ("preamp", pytest.approx(94 + preamp.headroom_db))


def test_noise_is_what_a_silent_run_shows():
    chain = replace(HAND, microphone=Microphone(), preamp=Preamp(99e3, 1e3))
    diagram = level_diagram(chain, 54, 94)
    rng = np.random.default_rng(1)
    result = chain.run(Recording(np.zeros(96_000), 48_000.0), rng)
    start = result.preamp_v.size // 4
    for node, volts in (("microphone", result.microphone_v), ("preamp", result.preamp_v)):
        noise = next(level.noise for level in diagram.levels if level.node == node)
        assert 20 * math.log10(volts[start:].std() / noise) == pytest.approx(0, abs=0.6)


def test_dead_zone_is_one_count():
    for rectifier in (Rectifier(), Rectifier("full", diode="silicon"), Rectifier("full", diode="schottky")):
        chain = replace(HAND, rectifier=rectifier)
        diagram = level_diagram(chain, 54, 94)
        assert chain.counts_at(diagram.dead_zone_db_spl) == pytest.approx(1.0, abs=0.01)
    silicon = level_diagram(replace(HAND, rectifier=Rectifier("full", diode="silicon")), 54, 94)
    assert silicon.dead_zone_db_spl > level_diagram(HAND, 54, 94).dead_zone_db_spl + 15


def test_band_filter_has_a_row_and_the_text_fits():
    chain = replace(HAND, band_filter=FirstLowPass(10e3, 47e-9))
    diagram = level_diagram(chain, 54, 94)
    filtered = next(level for level in diagram.levels if level.node == "band filter")
    assert filtered.loud == pytest.approx(0.7962 / abs(1 + 2j * math.pi * 1000 * 10e3 * 47e-9), rel=1e-3)
    assert max(len(line) for line in diagram.lines()) <= 79
    assert list(diagram.table()["node"]) == [level.node for level in diagram.levels]


def test_levels_that_a_design_states():
    def clip(level: float, *tags: str) -> Clip:
        return Clip(Path("x.flac"), level, tags)

    assert stated_levels([clip(72, "beat"), clip(104), clip(38, "room"), clip(120, "walking")]) == (72, 104)
    assert stated_levels([clip(95, "beat")]) == (75, 95)
    assert stated_levels([clip(38, "room")]) == (20, 40)


def test_quiet_over_loud_is_refused():
    with pytest.raises(
        ParameterError, match=r"^quiet_db_spl is 94; it must be under loud_db_spl \(72 dB SPL\)$"
    ):
        level_diagram(HAND, 94, 72)


def test_a_weighted_level_counts_with_what_the_clip_has_unweighted():
    # IEC 61672-1:2013 [IEC61672-1], Table 3: 100 Hz counts 19.1 dB less with A.
    hum = Recording(tone(100.0, 1.0, 4.0, 8000.0), 8000.0, "hum")
    quiet, loud = stated_levels([Clip(hum, 75.0, ("beat",), "A"), Clip(hum, 80.0, ("beat",))])
    assert (quiet, loud) == (80.0, pytest.approx(94.1, abs=0.06))
    counts = [{"counts_median": np.array([10.0]), "counts_99": np.array([count])} for count in (100.0, 20.0)]
    clips = [Clip(hum, 75.0, (), "A"), Clip(hum, 80.0)]
    # The loudest is the first, though its number is smaller: 20 lg(100/10) is 20 dB.
    assert _range_used(clips, counts) == pytest.approx(20.0)


def test_a_sound_that_does_not_arrive_has_no_distance_from_the_noise():
    # 65 dB SPL leave some 2 mV behind a silicon diode on ground, and the buffer's output ends at 15 mV.
    diagram = level_diagram(Chain(rectifier=Rectifier("half", diode="silicon")), 65, 104)
    pin = diagram.levels[-1]
    assert (pin.quiet, pin.quiet_over_noise_db) == (0.0, -math.inf)
    (line,) = (one for one in diagram.lines() if one.startswith("ADC  "))
    assert line.endswith("nothing") and line.split()[1] == "0"

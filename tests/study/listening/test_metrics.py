"""Metrics beside the lights are those of the sweep: same names, same numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from envlab.analog.detector import PeakDetector
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.digital.firmware_settings import FirmwareSettings
from envlab.digital.followers import MeanSquare
from envlab.light.flashes.flash import count_flashes
from envlab.metrics.catalogue import METRICS
from envlab.sound.clip import Clip
from envlab.sound.recording import Recording
from envlab.study.exported.light import worn_light
from envlab.study.listening.listening import Listening
from envlab.study.listening.metrics import (
    STREET_DB_SPL,
    Metric,
    bench_metrics,
    clip_light_metrics,
    guard_words,
    light_flashes,
    unguarded_flashes,
)
from envlab.study.specification.specification import Judging, Specification
from envlab.study.sweep.sweep import sweep

QUIET = replace(Chain().adc, noise_lsb=0.0)
BOARDS = [
    replace(Chain(), adc=QUIET),
    replace(Chain(), adc=QUIET, rectifier=Rectifier("half", diode="schottky")),
]


@pytest.mark.parametrize("chain", BOARDS, ids=["precision", "passive"])
def test_bench_metrics_are_the_sweeps(chain, clip_folder):
    clip = Clip(clip_folder / "beat.wav", 92.0, ("beat",))
    row = sweep(Specification(chain, [clip], {"detector.release_ohm": (470e3,)})).iloc[0]
    metrics = bench_metrics(chain)
    names = ["attack_ms", "release_ms", "ripple_db", "onset_lag_mean_ms", "onset_lag_worst_ms"]
    assert [metric.name for metric in metrics] == names
    for metric in metrics:
        assert metric.value == pytest.approx(row[metric.name], rel=1e-12), metric.name
    assert Judging().street_db_spl == STREET_DB_SPL


@pytest.mark.parametrize("chain", BOARDS, ids=["precision", "passive"])
@pytest.mark.parametrize("guard", ["on", "off"])
# The passive board stands on ground, and its buffer does not: it is cautioned of.
@pytest.mark.filterwarnings("ignore:The buffer before the ADC comes no nearer to ground than 15 mV")
def test_clip_metrics_are_those_of_the_light_that_is_shown(chain, guard, clip_folder):
    recording = Clip(clip_folder / "beat.wav", 92.0).recording()
    chain = replace(chain, firmware=replace(chain.firmware, guard=guard))
    run = chain.run(recording)
    worn = worn_light(chain, run.adc_counts, chain.reading_of_frame(run.duty.size) + 1)
    light = Listening(recording).whole(chain)
    shown = {metric.name: metric.value for metric in clip_light_metrics(light)}
    rate = round(chain.frame_rate_hz)
    seconds = [worn.lightness[n : n + rate] for n in range(0, worn.lightness.size - rate + 1, rate)]
    spreads = [np.percentile(second, 95) - np.percentile(second, 5) for second in seconds]
    assert shown["beat_contrast_lstar"] == pytest.approx(np.median(spreads), rel=1e-12)
    assert shown["flashes_per_s"] == count_flashes(worn.luminance, chain.frame_rate_hz)
    duty = worn.luminance * worn.full_duty
    # All pixels alike: idle current of 24 pixels at 1 mA, and 24 · 3 · 0.15 A at full duty.
    for name, share in (("mean", duty.mean()), ("99", np.percentile(duty, 99)), ("peak", duty.max())):
        assert shown[f"supply_{name}_a"] == pytest.approx(0.024 + 10.8 * share, rel=1e-12)
    assert light.clipped_share == run.clipped_share


def strobe(flashes_per_s: float) -> Recording:
    t = np.arange(4 * 16_000) / 16_000
    beat = np.mod(t * flashes_per_s, 1.0) < 0.4
    return Recording(beat * np.sin(2 * np.pi * 800 * t), 16_000.0).at_level(96.0)


QUICK = replace(BOARDS[0], detector=PeakDetector(1e3, 1e-6, 10e3))


@pytest.mark.parametrize(
    ("chain", "worst", "free", "words"),
    [
        (QUICK, (3, 3), (5, 6), "Flash guard on; without it {free}."),
        (replace(QUICK, firmware=FirmwareSettings(guard="off")), (5, 6), (5, 6), "Flash guard off."),
        (
            replace(QUICK, follower=MeanSquare(0.002)),
            (5, 6),
            (5, 6),
            "Brightness table alone, without a flash guard.",
        ),
    ],
    ids=["guard on", "guard off", "table alone"],
)
def test_flashes_say_what_they_are_judged_with(chain, worst, free, words):
    light = Listening(strobe(5.0)).whole(chain)
    flashes, unguarded = light_flashes(light).worst_per_s, unguarded_flashes(light)
    # Five strokes a second; WCAG 2.2 counts a flash for each pair of changes.
    assert worst[0] <= flashes <= worst[1]
    assert free[0] <= unguarded <= free[1]
    told = {metric.name: metric for metric in clip_light_metrics(light)}["flashes_per_s"]
    assert told.value == flashes
    assert told.note == guard_words(light) == words.format(free=unguarded)
    assert told.says == f"worst sliding second. {told.note}"


def test_flashes_are_counted_against_the_limited_light(clip_folder):
    light = Listening(Clip(clip_folder / "beat.wav", 92.0).recording()).whole(BOARDS[0])
    report = light_flashes(light)
    assert report.worst_per_s == count_flashes(light.relative_luminance, 100.0)


def test_lightness_is_that_of_the_standard(clip_folder):
    # CIE 1976 L* by colour-science 0.4 (ISO/CIE 11664-4); its import changes how NumPy prints.
    settings = np.get_printoptions()
    import colour

    np.set_printoptions(**settings)
    light = Listening(Clip(clip_folder / "beat.wav", 92.0).recording()).whole(BOARDS[0])
    luminance = light.relative_luminance
    assert luminance.max() > 0.1
    truth = colour.colorimetry.lightness_CIE1976(100 * luminance, 100)
    np.testing.assert_allclose(light.lightness, truth, atol=1e-9)


@pytest.mark.parametrize(
    ("name", "value", "text", "unit"),
    [
        ("attack_ms", 25.66, "25.7", "ms"),
        ("attack_ms", np.inf, "never", "ms"),
        ("ripple_db", np.inf, "no end", "dB"),
        ("supply_mean_a", 0.1849, "0.18", "A"),
        ("flashes_per_s", 4.0, "4", "1/s"),
    ],
)
def test_values_are_written_to_the_digits_that_matter(name, value, text, unit):
    metric = Metric(name, value)
    assert (metric.value_text, metric.unit) == (text, unit)
    assert metric.label
    assert "worst clip" not in metric.says
    assert METRICS[name].says.startswith(metric.says)

"""Metrics beside the lights are those of the sweep: same names, same numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from envlab.analog.rectifier import Rectifier
from envlab.chain import Chain
from envlab.light.flashes.flash import count_flashes
from envlab.metrics.catalogue import METRICS
from envlab.metrics.clip_metrics import clip_metrics
from envlab.metrics.metrics_of_clip import frame_envelopes
from envlab.sound.clip import Clip
from envlab.study.listening.listening import Listening
from envlab.study.listening.metrics import (
    STREET_DB_SPL,
    Metric,
    bench_metrics,
    clip_light_metrics,
    light_flashes,
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
def test_clip_metrics_are_the_sweeps_without_noise(chain, clip_folder):
    recording = Clip(clip_folder / "beat.wav", 92.0).recording()
    envelope, share = frame_envelopes(recording, [chain], seed=None)
    truth = clip_metrics(envelope, [chain])
    light = Listening(recording).whole(chain)
    shown = {metric.name: metric.value for metric in clip_light_metrics(light)}
    assert shown["beat_contrast_lstar"] == truth.contrast_lstar[0]
    assert shown["flashes_per_s"] == truth.flashes_per_s[0]
    # All pixels alike: idle current of 24 pixels at 1 mA, and 24 · 3 · 0.15 A at full duty.
    for name, duty in (("mean", truth.duty_mean), ("99", truth.duty_99), ("peak", truth.duty_peak)):
        assert shown[f"supply_{name}_a"] == pytest.approx(0.024 + 10.8 * duty[0], rel=1e-12)
    assert light.clipped_share == share[0]


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

"""ADC input, hold capacitor as bought, and what a bench would warn of."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest

from envlab.analog.adc import Adc, convert
from envlab.analog.detector import AverageDetector, PeakDetector, detect
from envlab.analog.hold_capacitor import CAPACITOR_CLASSES, HoldCapacitor, as_built
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.errors import EnvlabWarning, ParameterError
from envlab.sound.recording import Recording


@pytest.mark.parametrize(("lsb_share", "microseconds"), [(0.5, 0.793), (0.25, 0.854)])
def test_settling_time(lsb_share, microseconds):
    # (Rs + Rss)·C·ln 2^(N+1) to ½ LSB, ln 2^(N+2) to ¼ LSB: the form of the STM32F103 data sheet;
    # 12 bit, 11 kΩ, 8 pF
    adc = Adc(bits=12, source_ohm=10e3, sampling_ohm=1e3, sampling_farad=8e-12)
    assert 1e6 * adc.settling_s(lsb_share) == pytest.approx(microseconds, abs=5e-4)


def test_a_reading_let_go_at_its_settling_time_is_half_a_count_short():
    adc = Adc(bits=12, source_ohm=10e3, sampling_ohm=1e3, sampling_farad=8e-12, sampling_s=0.7929e-6)
    short_lsb = 4096 * (1 - adc.settled_share)
    assert short_lsb == pytest.approx(0.5, abs=0.01)
    slow = Adc(bits=12, source_ohm=100e3, sampling_farad=8e-12, sampling_s=1e-6)
    # 1 − exp(−1/0.8) = 0.71350 of 1.65 V is 1461 counts of 4096
    assert convert(np.array([1.65]), slow)[0] == 1461


def test_offset_moves_every_reading():
    plain, moved = Adc(), Adc(offset_lsb=2.0)
    volts = np.linspace(0.1, 3.0, 50)
    assert np.array_equal(convert(volts, moved), convert(volts, plain) + 2)


def test_sampling_charge_and_leakage_load_an_unbuffered_capacitor():
    # Switched capacitor: 100 pF emptied 1000 times a second is 10 MΩ; 1 µA at 3.3 V is 3.3 MΩ.
    adc = Adc(sampling_farad=100e-12, leakage_a=1e-6, buffered="no")
    built = as_built(PeakDetector(1e3, 1e-6, 1e6), HoldCapacitor(), adc)
    assert built.release_ohm == pytest.approx(1 / (1e-6 + 1e-7 + 1 / 3.3e6), rel=1e-9)
    average = as_built(AverageDetector(1e6, 1e-6), HoldCapacitor(), adc)
    load_ohm = 1 / (1e-7 + 1 / 3.3e6)
    held_v, _ = detect(np.full(4_000_000, 1.0), average, sample_rate_hz=200e3)
    assert held_v[-1] == pytest.approx(load_ohm / (load_ohm + 1e6), rel=1e-6)


def test_sampling_charge_one_reading_at_a_time():
    # The same bleed as drops: after each millisecond C shares its charge with an empty 100 pF.
    adc = Adc(sampling_farad=100e-12, buffered="no")
    detector = PeakDetector(1e3, 10e-9, 1e9)
    built = as_built(detector, HoldCapacitor(), adc)
    held_v, _ = detect(np.zeros(100_000), built, sample_rate_hz=1e6, start_v=1.0)
    dropped = 1.0
    for _ in range(100):
        dropped *= math.exp(-1e-3 / (1e9 * 10e-9)) * 10e-9 / (10e-9 + 100e-12)
    assert held_v[-1] == pytest.approx(dropped, rel=6e-3)


def test_a_buffer_and_an_ideal_capacitor_change_nothing():
    detector = PeakDetector(1e3, 1e-6, 1e6)
    loads = Adc(sampling_farad=100e-12, leakage_a=1e-6)
    assert as_built(detector, HoldCapacitor(), loads) is detector


@pytest.mark.parametrize(
    ("capacitor", "share"),
    [
        (HoldCapacitor("ideal", temperature_c=-20.0), 1.0),
        (HoldCapacitor("y5v", temperature_c=-20.0, working_v=0.0), 0.45),
        (HoldCapacitor("x7r", rated_v=6.3, working_v=6.3), 0.40),
        (HoldCapacitor("x7r", rated_v=6.3, working_v=3.15, temperature_c=-20.0), 0.85 * 0.92),
        (HoldCapacitor("electrolytic", temperature_c=2.5), 0.9),
        (HoldCapacitor("y5v", temperature_c=60.0, working_v=0.0), 1.0),
    ],
)
def test_capacitance_that_is_left(capacitor, share):
    # classes typical, from memory
    assert capacitor.share_left == pytest.approx(share)
    built = as_built(PeakDetector(1e3, 1e-6, 1e6), capacitor, Adc())
    assert built.hold_farad == pytest.approx(share * 1e-6)


def test_insulation_lies_beside_the_release_resistor():
    # 100 s over 1 µF is 100 MΩ
    built = as_built(PeakDetector(1e3, 1e-6, 100e6), HoldCapacitor("electrolytic"), Adc())
    assert built.release_ohm == pytest.approx(50e6)


def clip() -> Recording:
    return Recording(1e-3 * np.sin(np.arange(480) / 8), 48_000.0)


@pytest.mark.parametrize(
    ("section", "change", "words"),
    [
        ("rectifier", {"reference_node_v": 2.5}, "The detector can reach 4.08 V; the ADC's pin bears 3.60 V"),
        ("adc", {"pin_limit_v": 1.2}, "the ADC's pin bears 1.20 V"),
        ("preamp", {"gain_bandwidth_hz": 20e3}, "with a gain-bandwidth of 2e+04 Hz ends at 417 Hz"),
        ("preamp", {"bias_v": 0.1}, "leaves 0.05 V of swing: move it towards 1.65 V"),
        (
            "adc",
            {"source_ohm": 1e6, "sampling_farad": 8e-12},
            "1e+06 Ω before the ADC need 61 µs to charge its sampling capacitor to half a count",
        ),
        (
            "rectifier",
            {"kind": "half", "diode": "schottky", "reference": "coupled", "coupling_farad": 1e-6},
            "has no DC return",
        ),
        (
            "rectifier",
            {"kind": "half", "diode": "schottky", "reference": "bias", "reference_node_v": 2.5},
            "below the reference node at 2.5 V",
        ),
    ],
)
def test_cautions(section, change, words):
    import dataclasses

    chain = Chain()
    chain = dataclasses.replace(chain, **{section: dataclasses.replace(getattr(chain, section), **change)})
    assert any(words in caution for caution in chain.design_rule_warnings), chain.design_rule_warnings
    with pytest.warns(EnvlabWarning):
        chain.run(clip())


def test_a_sound_board_has_none():
    assert Chain().design_rule_warnings == ()


@pytest.mark.parametrize(
    ("make", "text"),
    [
        (lambda: Adc(sampling_s=1.0), "sampling_s is 1.0; it must be from 1e-09 to 0.001 s"),
        (lambda: Adc(buffered="maybe"), "buffered is 'maybe'; it must be one of yes, no"),
        (lambda: Adc(leakage_a=-1.0), "leakage_a is -1.0; it must be from 0 to 0.001 A"),
        (lambda: HoldCapacitor("paper"), "material is 'paper'; it must be one of ideal, film"),
        (lambda: HoldCapacitor(working_v=20.0), "working_v is 20.0; it must be from 0 to 16 V"),
    ],
)
def test_values_that_cannot_be(make, text):
    with pytest.raises(ParameterError, match=f"^{text}"):
        make()


COUPLED = Rectifier("half", diode="schottky", reference="coupled", coupling_farad=1e-6, return_ohm=100e3)


def test_no_reading_is_lower_than_the_pins_buffer_goes():
    """15 mV are 4.65 counts of 10 bit on 3.3 V: 4 are read in silence; by 50 mV 15, without a buffer 0."""
    silence = Recording(np.zeros(480), 48_000.0)
    for adc, counts in ((Adc(buffer_low_v=0.015), 4), (Adc(buffer_low_v=0.05), 15), (Adc(buffered="no"), 0)):
        chain = Chain(rectifier=COUPLED, adc=adc)
        told = [text for text in chain.design_rule_warnings if text.startswith("The buffer before the ADC")]
        assert len(told) == (counts > 0)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", EnvlabWarning)
            assert set(chain.run(silence).adc_counts) == {counts}
        assert chain.quiescent_counts == counts
    assert Chain().quiescent_counts == 0


def test_classes_lose_in_the_order_of_the_trade():
    """Common practice, no source: film and C0G hardly lose, X7R less than X5R, Y5V most; nobody gains."""
    lost = {name: (one.loss_at_rated, one.loss_at_minus_20) for name, one in CAPACITOR_CLASSES.items()}
    for at_rated, in_the_cold in lost.values():
        assert 0 <= at_rated < 1
        assert 0 <= in_the_cold < 0.6
    for place in (0, 1):
        of = {name: losses[place] for name, losses in lost.items()}
        assert of["ideal"] == 0 <= of["c0g"] <= of["film"] <= of["x7r"] <= of["x5r"] <= of["y5v"]
    assert lost["c0g"] == (0, 0.002)  # 30 ppm/°C over 45 °C is 0.14 %
    assert lost["film"][1] <= 0.03
    assert lost["x7r"][1] <= 0.15  # its letters allow 15 % over the whole range
    assert all(lost[name][0] == 0 for name in ("film", "c0g", "electrolytic", "tantalum"))
    seconds = {name: one.insulation_s for name, one in CAPACITOR_CLASSES.items()}
    assert seconds["ideal"] == math.inf
    assert seconds["film"] == seconds["c0g"] == 10_000
    assert 10 <= min(seconds.values()) <= max(seconds[name] for name in ("x7r", "x5r", "y5v")) <= 1_000

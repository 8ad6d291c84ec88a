"""Controls: steps that one can buy, and each option is the chain that it says."""

from __future__ import annotations

import tomllib
from dataclasses import asdict, replace

import pytest

from envlab.analog.band_filter import FirstLowPass, NoBandFilter, SecondBandPass
from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.electret import Electret
from envlab.analog.preamps.board_preamp import BoardPreamp
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.design_file import chain_of, design_text
from envlab.errors import ParameterError
from envlab.light.layout.layout import Layout
from envlab.units import parse_value
from envlab.widget.audition.controls import LEVEL_KEY, controls_of, level_control

CHAIN = Chain()
OWN = Chain(
    microphone=Electret(load_ohm=2.49e3),
    preamp=replace(BoardPreamp(**asdict(CHAIN.preamp)), second_feedback_ohm=4.99e3),
    detector=PeakDetector(4.75e3, 1e-6, 475e3),
    rectifier=Rectifier(
        "half", reference="coupled", diode="schottky", coupling_farad=1e-6, return_ohm=100e3, series_ohm=9.0
    ),
    band_filter=FirstLowPass(10e3, 100e-9),
    brightness=replace(CHAIN.brightness, floor_db_spl=61.5),
    frame_rate_hz=90.0,
)
LAYOUT = replace(CHAIN, layout=Layout("from_end", ranks=4, rest_light=0.01), pixel_bits=8)
BOARDS = {
    "plain": CHAIN,
    "own values": OWN,
    "layout": LAYOUT,
    "average": replace(CHAIN, detector=AverageDetector(100e3, 1e-6)),
}
# IEC 60063:2015, E12 and E6.
E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
E6 = (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)


def control_of(chain: Chain, key: str):
    return next(control for control in controls_of(chain) if control.key == key)


@pytest.mark.parametrize("name", BOARDS)
def test_every_option_puts_its_value_into_the_chain(name):
    chain = BOARDS[name]
    for control in controls_of(chain):
        assert control.values[control.index_in(chain)] == control.read(chain)
        assert len(control.options) == len(control.values) == len(set(control.options)) > 1
        for index in range(len(control.options)):
            try:
                turned = control.turned(chain, index)
            except ParameterError:
                # A floor above the ceiling, a load that starves the drain: said, and nothing is changed.
                continue
            assert control.index_in(turned) == index
            others = [one for one in controls_of(chain) if one.key != control.key]
            assert [one.index_in(turned) for one in others] == [one.index_in(chain) for one in others]
        assert control.turned(chain, control.index_in(chain)) == chain


@pytest.mark.parametrize(
    ("key", "series"),
    [
        ("preamp.feedback_ohm", E12),
        ("detector.attack_ohm", E12),
        ("detector.release_ohm", E12),
        ("detector.hold_farad", E6),
    ],
)
def test_parts_are_all_values_of_a_series_and_labelled_as_the_trade_does(key, series):
    control = control_of(CHAIN, key)
    unit = "F" if key.endswith("farad") else "ohm"
    assert control.unit == ("F" if unit == "F" else "Ω")
    for value, text in zip(control.values, control.options, strict=True):
        assert parse_value(text.split(", ")[-1], unit) == pytest.approx(value, rel=1e-9)
        digits = float(f"{value:.6e}".split("e")[0])
        assert min(abs(digits - step) for step in series) < 1e-6, text
    neighbours = zip(control.values, control.values[1:], strict=False)
    ratios = [after / before for before, after in neighbours]
    # No value is left out: no step is wider than the widest of the series, 1.0 → 1.5 and 1.2 → 1.5.
    assert max(ratios) < (1.51 if unit == "F" else 1.26)


def test_a_value_of_no_series_has_an_option_of_its_own():
    for key, text in (
        ("detector.attack_ohm", "4k75"),
        ("detector.release_ohm", "475k"),
        ("microphone.load_ohm", "2k49"),
        ("brightness.floor_db_spl", "61.5"),
        ("frames.frame_rate_hz", "90"),
    ):
        control = control_of(OWN, key)
        assert control.options[control.index_in(OWN)] == text
        assert list(control.values) == sorted(control.values)


def test_the_gain_is_said_beside_its_resistor():
    control = control_of(CHAIN, "preamp.feedback_ohm")
    # 1 + 47k/1k
    assert control.options[control.index_in(CHAIN)] == "gain 48, 47k"
    second = control_of(OWN, "preamp.second_feedback_ohm")
    # (1 + 47)·(1 + 4.99)
    assert second.options[second.index_in(OWN)] == "gain 288, 4k99"


def test_what_means_nothing_is_absent():
    keys = {name: {control.key for control in controls_of(chain)} for name, chain in BOARDS.items()}
    assert "microphone.load_ohm" not in keys["plain"]
    assert "microphone.load_ohm" in keys["own values"]
    assert {"detector.attack_ohm", "detector.release_ohm", "rectifier.diode"}.isdisjoint(keys["average"])
    assert {"detector.smoothing_ohm", "detector.hold_farad", "rectifier.kind"} <= keys["average"]


def test_back_at_its_own_diode_the_board_is_its_own_again():
    control = control_of(OWN, "rectifier.diode")
    precise = control.turned(OWN, 0)
    assert precise.rectifier.scales_with_level
    assert precise.rectifier.kind == "half"
    silicon = control.turned(precise, list(control.values).index("silicon"))
    assert silicon.rectifier.series_ohm is None
    assert silicon.rectifier.return_ohm == 100e3
    assert control.turned(silicon, list(control.values).index("schottky")) == OWN


def test_a_filter_is_named_by_where_it_cuts():
    control = control_of(CHAIN, "band_filter.kind")
    assert control.options[0] == "none"
    assert isinstance(control.values[0], NoBandFilter)
    for value, text in zip(control.values[1:], control.options[1:], strict=True):
        corner_hz = float(text.split()[2])
        assert abs(value.response(corner_hz)) ** 2 == pytest.approx(0.5, abs=0.02), text
        passes, stops = (corner_hz / 8, corner_hz * 8)[:: 1 if "low" in text else -1]
        assert abs(value.response(passes)) > 0.9
        assert abs(value.response(stops)) < 0.2
    # 1/(2π·10k·100n) = 159.15 Hz
    assert "high pass 159 Hz (10k 100n)" in control.options
    own = control_of(OWN, "band_filter.kind")
    assert own.options[own.index_in(OWN)] == "low pass 159 Hz (10k 100n)"


def test_a_band_pass_is_named_by_its_parts():
    band = SecondBandPass(100e-9, 100e-9, 22e3, 47e3, 10e3, 10e3, 22e-9, 10e-9)
    chain = replace(CHAIN, band_filter=band)
    control = control_of(chain, "band_filter.kind")
    assert control.options[control.index_in(chain)] == "band pass (100n 22k 47k 10k 22n 10n)"


@pytest.mark.parametrize("index", [-1, 10**6, 1.0, True, None, "2"])
def test_an_option_that_is_not_there_is_refused(index):
    control = control_of(CHAIN, "detector.attack_ohm")
    with pytest.raises(ParameterError, match=r"detector\.attack_ohm is .*an option from 0 to 36"):
        control.turned(CHAIN, index)


def test_every_part_that_can_be_turned_to_can_be_written_and_bought():
    for control in controls_of(CHAIN):
        for index in range(len(control.options)):
            try:
                turned = control.turned(CHAIN, index)
            except ParameterError:
                continue
            assert chain_of(tomllib.loads(design_text(turned)), "turned.toml") == turned


def test_loudness_has_the_levels_of_the_clips():
    control = level_control([92.0, 71.3])
    assert control.key == LEVEL_KEY
    assert 71.3 in control.values
    assert control.values.count(92.0) == 1
    assert (control.values[0], control.values[-1]) == (40.0, 120.0)
    assert control.put(CHAIN, 50.0) is CHAIN


def test_each_says_what_it_is():
    for chain in BOARDS.values():
        for control in (*controls_of(chain), level_control([])):
            told = control.told()
            assert told["label"]
            assert told["help"].endswith(".")
            assert told["kind"] in ("steps", "choice")
            assert told["unit"] or control.kind == "choice"
            assert all(isinstance(option, str) for option in told["options"])


def test_layouts_are_those_that_the_board_can_show_its_own_as_it_is():
    control = control_of(LAYOUT, "layout.kind")
    assert control.options == ("all alike", "from end", "from middle", "share", "travelling", "weights")
    own = control.values[control.index_in(LAYOUT)]
    assert own == LAYOUT.layout
    # Rest light stays where one turns to another kind.
    assert {one.rest_light for one in control.values} == {0.0, 0.01}
    assert "layout.kind" not in {one.key for one in controls_of(replace(CHAIN, pixel_bits=6))}

"""How boards are drawn: shapes, seeds, what differs, and what cannot be asked."""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass, field, replace

import numpy as np
import pytest
from scipy import stats

from envlab.analog.adc import Adc
from envlab.analog.electret import Electret
from envlab.analog.hold_capacitor import HoldCapacitor
from envlab.analog.parts import PartRange
from envlab.analog.rectifiers.difference_superdiodes import DifferenceSuperdiodes
from envlab.analog.stage import varies
from envlab.chain import Chain
from envlab.errors import ParameterError
from envlab.study.tolerance.drawn_boards import board_of, draw
from envlab.study.tolerance.tolerances import (
    Tolerances,
    VariedParameter,
    closest_tolerance,
    varied_parameters,
)

EXACT = Tolerances(
    resistor_percent=0,
    capacitor_percent=0,
    microphone_db=0,
    offset_v=0,
    reference_percent=0,
    deviations={"adc.offset_lsb": 0, "adc.gain_error_percent": 0, "adc.bow_lsb": 0},
    temperature_c=(25, 25),
    supply_v=(3.3, 3.3),
)


def test_a_feedback_resistor_spreads_the_gain_as_its_formula_says():
    """Gain 1 + Rf/Rg, Rf even within ±5 %: even between its ends, standard deviation 0.05·Rf/Rg/√3."""
    chain = Chain()
    parameters = varied_parameters(chain, replace(EXACT, parts_percent={"R3": 5}))
    assert [parameter.name for parameter in parameters] == ["R3_percent"]
    values = draw(parameters, 4000, 3)
    gain = np.array([board_of(chain, parameters, row).preamp.gain for row in values])
    ratio = chain.preamp.feedback_ohm / chain.preamp.ground_ohm
    law = stats.uniform(1 + 0.95 * ratio, 0.1 * ratio)
    assert gain.mean() == pytest.approx(law.mean(), abs=4 * law.std() / math.sqrt(gain.size))
    assert gain.std() == pytest.approx(0.05 * ratio / math.sqrt(3), rel=0.03)
    assert law.support()[0] <= gain.min() < gain.max() <= law.support()[1]
    assert stats.kstest(gain, law.cdf).pvalue > 0.01


@pytest.mark.parametrize(
    ("shape", "law"),
    [
        ("uniform", stats.uniform(-20, 40)),
        # The tolerance is three sigmas, and nothing lies beyond it.
        ("normal", stats.truncnorm(-3, 3, scale=20 / 3)),
    ],
)
def test_deviations_follow_their_law(shape, law):
    parameters = varied_parameters(Chain(), replace(EXACT, parts_percent={"C3": 20}, shape=shape))
    drawn = draw(parameters, 20_000, 7)[:, 0]
    assert stats.kstest(drawn, law.cdf).pvalue > 0.01
    assert drawn.mean() == pytest.approx(0, abs=4 * law.std() / math.sqrt(drawn.size))
    assert drawn.var() == pytest.approx(law.var(), rel=0.05)
    assert np.abs(drawn).max() <= 20
    assert stats.kurtosis(drawn) == pytest.approx(law.stats("k"), abs=0.1)


def test_night_and_pack_are_even_whatever_the_parts_are():
    tolerances = replace(EXACT, temperature_c=(-10, 20), supply_v=(3.0, 3.4), shape="normal")
    parameters = varied_parameters(Chain(hold_capacitor=HoldCapacitor("x7r")), tolerances)
    assert [source.name for source in parameters] == ["temperature_c", "supply_v"]
    drawn = draw(parameters, 5000, 1)
    assert stats.kstest(drawn[:, 0], stats.uniform(-10, 30).cdf).pvalue > 0.01
    assert stats.kstest(drawn[:, 1], stats.uniform(3.0, 0.4).cdf).pvalue > 0.01


def test_parameters_are_independent_and_keep_their_draws():
    parameters = varied_parameters(Chain(), Tolerances())
    drawn = draw(parameters, 3000, 5)
    together = np.corrcoef(drawn.T) - np.eye(len(parameters))
    assert np.abs(together).max() < 4 / math.sqrt(3000)
    fewer = draw(parameters[2:4], 100, 5)
    np.testing.assert_array_equal(fewer, drawn[:100, 2:4])
    assert not np.array_equal(draw(parameters, 100, 6), drawn[:100])


def test_tolerances_come_from_the_parts_list_unless_stated():
    ranges = {"detector.hold_farad": PartRange("E3", 1e-7, 1e-6, 10.0)}

    def ends(tolerances: Tolerances) -> dict[str, float]:
        return {s.name: s.high for s in varied_parameters(Chain(), tolerances, ranges) if s.is_part}

    usual = ends(Tolerances())
    assert usual == {
        "C1_percent": 10,
        "R1_percent": 5,
        "R2_percent": 1,
        "R3_percent": 1,
        "C2_percent": 20,
        "R4_percent": 5,
        "C3_percent": 10,
        "R5_percent": 5,
    }
    assert ends(Tolerances(resistor_percent=2))["R3_percent"] == 2
    assert ends(Tolerances(resistor_percent=2))["C3_percent"] == 10
    stated = ends(Tolerances(capacitor_percent=5, parts_percent={"C3": 1, "preamp.coupling_farad": 2}))
    assert stated["C3_percent"] == 1
    assert stated["C1_percent"] == 2
    assert stated["C2_percent"] == 5


def test_the_reference_is_the_supply_or_has_its_own_spread():
    own = replace(Chain(), adc=replace(Chain().adc, reference_v=2.5))
    names = [parameter.name for parameter in varied_parameters(own, Tolerances())]
    assert "reference_percent" in names
    assert "reference_percent" not in [
        parameter.name for parameter in varied_parameters(Chain(), Tolerances())
    ]
    parameters = varied_parameters(own, replace(EXACT, reference_percent=2))
    assert board_of(own, parameters, np.array([2.0])).adc.reference_v == pytest.approx(2.55)
    supply = varied_parameters(Chain(), replace(EXACT, supply_v=(3.0, 3.4)))
    low = board_of(Chain(), supply, np.array([3.0]))
    assert (low.preamp.supply_v, low.adc.reference_v) == (3.0, 3.0)
    assert low.preamp.bias_v == pytest.approx(1.5)


def test_a_board_has_what_was_drawn():
    chain = Chain()
    parameters = varied_parameters(chain, Tolerances())
    row = np.array([{"microphone_db": 2.0, "C3_percent": -20.0, "input_offset_v": 1e-3}.get(s.name, 0.0)
                    if not s.is_condition else s.designed for s in parameters])  # fmt: skip
    board = board_of(chain, parameters, row)
    assert board.microphone.sensitivity_dbv_pa == chain.microphone.sensitivity_dbv_pa + 2
    assert board.detector.hold_farad == pytest.approx(0.8 * chain.detector.hold_farad)
    assert board.preamp.input_offset_v == pytest.approx(chain.preamp.input_offset_v + 1e-3)
    same = replace(board, microphone=chain.microphone, detector=chain.detector, preamp=chain.preamp)
    assert same == chain


def test_an_electret_has_its_load_too():
    chain = replace(Chain(), microphone=Electret())
    parameter = next(s for s in varied_parameters(chain, Tolerances()) if s.key == "microphone.load_ohm")
    assert (parameter.low, parameter.high) == (-1, 1)
    assert board_of(chain, [parameter], np.array([5.0])).microphone.load_ohm == pytest.approx(2310)


def test_no_spread_no_parameter():
    assert varied_parameters(Chain(), EXACT) == []
    assert draw([], 3, 1).shape == (3, 0)


@pytest.mark.parametrize(
    ("percent", "tighter"), [(20, 10), (10, 5), (5, 2), (1, 0.5), (7, 5), (0.1, None), (0.05, None)]
)
def test_tighter_is_what_one_can_buy(percent, tighter):
    assert closest_tolerance(percent) == tighter


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("resistor_percent", -1),
        ("capacitor_percent", 51),
        ("resistor_percent", math.nan),
        ("parts_percent", {"C3": -5}),
        ("microphone_db", -0.1),
        ("offset_v", 1.0),
        ("reference_percent", -2),
        ("temperature_c", (20, -10)),
        ("temperature_c", (-60, 20)),
        ("temperature_c", 20),
        ("supply_v", (3.4, 3.2)),
        ("supply_v", (0, 3)),
        ("shape", "triangle"),
        ("boards", 0),
        ("boards", 10**6),
        ("boards", 2.5),
        ("boards", True),
        ("seed", -1),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(key, value):
    with pytest.raises(ParameterError) as problem:
        Tolerances(**{key: value})
    assert "\n" not in str(problem.value)
    assert key in str(problem.value)


def test_a_part_that_the_board_lacks_is_refused():
    with pytest.raises(ParameterError, match="parts_percent is 'C9'; it must be one of this board's parts"):
        varied_parameters(Chain(), Tolerances(parts_percent={"C9": 5}))


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("C3_percent", 20.0, "C3 hold +20 %"),
        ("microphone_db", -3.0, "microphone −3 dB"),
        ("input_offset_v", 2e-3, "amplifier offset +2 mV"),
        ("temperature_c", -10.0, "temperature −10 °C"),
        ("supply_v", 3.4, "supply 3.4 V"),
        ("adc_offset_lsb", -2.0, "ADC offset −2 LSB"),
        ("adc_gain_error_percent", 0.2, "ADC gain +0.2 %"),
    ],
)
def test_deviations_read_as_one_says_them(name, value, text):
    tolerances = Tolerances(temperature_c=(-10, 20), supply_v=(3.2, 3.4))
    cold = Chain(hold_capacitor=HoldCapacitor("x7r"))
    parameter = next(s for s in varied_parameters(cold, tolerances) if s.name == name)
    assert parameter.text(value) == text


def test_each_boards_converter_is_its_own():
    chain = replace(Chain(), adc=replace(Chain().adc, bow_lsb=0.5))
    stated = replace(EXACT, deviations={"adc.offset_lsb": 4.0, "adc.gain_error_percent": 0.5})
    parameters = varied_parameters(chain, stated)
    assert [(one.name, one.high) for one in parameters] == [
        ("adc_offset_lsb", 4.0),
        ("adc_gain_error_percent", 0.5),
        ("adc_bow_lsb", 1.0),
    ]
    board = board_of(chain, parameters, np.array([-4.0, 0.25, 0.5])).adc
    assert (board.offset_lsb, board.gain_error_percent, board.bow_lsb) == (-4.0, 0.25, 1.0)
    assert all(one.tighter() is None for one in parameters)


def test_a_number_that_does_not_vary_is_refused():
    with pytest.raises(ParameterError, match=r"deviations is 'adc\.bits'; it must be one of what varies"):
        varied_parameters(Chain(), Tolerances(deviations={"adc.bits": 1}))


def test_what_a_stage_says_of_itself_is_enough():
    """A field that says that it varies needs nothing else to be drawn."""

    @dataclass(frozen=True)
    class Leaky(HoldCapacitor):
        working_v: float = field(default=1.0, metadata=varies("working voltage", 0.25))

    chain = Chain(hold_capacitor=Leaky())
    parameter = next(one for one in varied_parameters(chain, Tolerances()) if one.label == "working voltage")
    assert parameter.name == "hold_capacitor_working_v"
    assert board_of(chain, [parameter], np.array([0.2])).hold_capacitor.working_v == pytest.approx(1.2)


def test_a_temperature_that_moves_no_part_is_no_parameter():
    names = [one.name for one in varied_parameters(Chain(), Tolerances(temperature_c=(-10, 20)))]
    assert "temperature_c" not in names


def test_a_share_of_the_way_is_between_low_and_high():
    parameter = VariedParameter("temperature_c", "temperature", "", -10.0, 30.0, 20.0, "uniform")
    assert parameter.value(np.array([-1.0, 0.0, 0.5, 1.0])).tolist() == [-10.0, 10.0, 20.0, 30.0]


def test_an_amplifier_that_comes_less_near_to_ground():
    """Its lowest output, 15 mV by its data, is 20 % higher: 18 mV."""
    chain = Chain(rectifier=DifferenceSuperdiodes(output_low_v=0.015))
    parameters = [one for one in varied_parameters(chain, Tolerances()) if one.name == "output_low_percent"]
    board = board_of(chain, parameters, np.array([20.0]))
    assert board.rectifier.amplifier_part.output_low_v == pytest.approx(0.018)
    assert board_of(chain, parameters, np.array([0.0])).rectifier.amplifier_part.output_low_v == 0.015


def test_what_boards_scatter_about_the_design_lies_as_far_below_it_as_above():
    chain = Chain(rectifier=DifferenceSuperdiodes(), adc=Adc(reference_v=2.5))
    parameters = [one for one in varied_parameters(chain, Tolerances()) if not one.is_condition]
    names = {one.name for one in parameters}
    assert {"input_offset_v", "reference_percent", "u2a_offset_v", "output_low_percent"} <= names
    for parameter in parameters:
        assert parameter.low == -parameter.high < 0, parameter.name


def test_a_microphone_a_class_tighter_is_one_of_one_decibel():
    parameter = VariedParameter("microphone_db", "MK1", "", -3.0, 3.0, 0.0, "uniform")
    assert parameter.tighter() == (pytest.approx(1 / 3), "±1 dB")
    assert replace(parameter, low=-1.0, high=1.0).tighter() is None
    assert replace(parameter, name="input_offset_v").tighter() is None


def test_ranges_in_words():
    parameter = VariedParameter("input_offset_v", "amplifier offset", "", -0.002, 0.002, 0.0, "uniform")
    assert parameter.range_text == "±2 mV"
    assert parameter.text(-0.0015) == "amplifier offset −1.5 mV"
    assert replace(parameter, name="C3_percent", low=-20.0, high=20.0).range_text == "±20 %"
    cold = replace(parameter, name="temperature_c", label="temperature", low=-10.0, high=20.0)
    assert (cold.range_text, cold.text(-10.0)) == ("−10 to 20 °C", "temperature −10 °C")


def test_a_normal_deviation_is_scipys_truncated_normal_law_at_the_same_chance():
    """Cut at three sigmas, which are the tolerance; the generator's own even numbers, drawn once more."""
    parameter = VariedParameter("C3_percent", "C3 hold", "", -20.0, 20.0, 0.0, "normal", is_part=True)
    even = np.random.default_rng([5, zlib.crc32(b"C3_percent")]).random(1000)
    meant = stats.truncnorm(-3, 3, scale=20 / 3).ppf(even)
    np.testing.assert_allclose(draw([parameter], 1000, 5)[:, 0], meant, rtol=0, atol=1e-9)


def test_parts_that_are_bought_exact_do_not_vary():
    ranges = {"detector.hold_farad": PartRange("E6", 1e-6, 2.2e-6, 0.0)}
    names = [one.name for one in varied_parameters(Chain(), Tolerances(), ranges)]
    assert "C3_percent" not in names
    assert "C2_percent" in names


@pytest.mark.parametrize(
    ("name", "most"),
    [
        ("resistor_percent", 50.0),
        ("capacitor_percent", 50.0),
        ("microphone_db", 12.0),
        ("offset_v", 0.05),
        ("reference_percent", 20.0),
    ],
)
def test_nothing_varies_by_less_than_nothing_or_by_more_than_is_stated(name, most):
    for value in (0.0, most):
        assert getattr(Tolerances(**{name: value}), name) == value
    for value in (-1e-12, math.nextafter(most, math.inf)):
        with pytest.raises(ParameterError, match=name):
            Tolerances(**{name: value})

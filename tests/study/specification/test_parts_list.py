"""The parts list of a board, against the chain it was made from."""

from __future__ import annotations

import pytest

from envlab.analog.adc import Adc
from envlab.analog.band_filter import (
    FirstBandPass,
    FirstHighPass,
    FirstLowPass,
    NoBandFilter,
    SecondBandPass,
    SecondHighPass,
    SecondLowPass,
)
from envlab.analog.board_preamp import BoardPreamp
from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.electret import Electret
from envlab.analog.parts import PartRange
from envlab.analog.preamp import Preamp
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.design_file import BOUGHT
from envlab.study.specification.parts_list import coarsest_series, parts_list

BOARD = Chain(
    preamp=Preamp(22e3, 1e3, 10e-6, 1e-6, 100e3),
    detector=PeakDetector(attack_ohm=4.7e3, hold_farad=1e-6, release_ohm=470e3),
)


def test_every_part_stands_there_once_as_on_the_part():
    texts = {part.reference: part.value_text for part in parts_list(BOARD)}
    expected = {
        "C1": "1u", "R1": "100k", "R2": "1k", "R3": "22k", "C2": "10u", "R4": "4k7", "C3": "1u", "R5": "470k",
    }  # fmt: skip
    assert texts.items() >= expected.items()
    assert len(texts) == len(parts_list(BOARD))


def test_values_are_those_of_the_chain():
    for part in parts_list(BOARD):
        stage, name = part.key.split(".")
        assert part.value == getattr(getattr(BOARD, stage), name)
        assert part.purpose


def test_parts_that_are_not_there_are_not_listed():
    board = Chain(preamp=Preamp(ground_farad=None), detector=AverageDetector(10e3, 1e-6))
    references = {part.reference for part in parts_list(board)}
    assert {"R6", "C3"} <= references
    assert not references & {"C2", "R4", "R5"}


FULL_FILTERS = (
    FirstBandPass(1e3, 1e-6, 10e3, 1e-8),
    SecondBandPass(1e-7, 1e-7, 1e4, 1e4, 1e4, 1e4, 1e-8, 1e-8),
)


def test_every_part_that_a_design_file_buys_is_in_some_parts_list():
    boards = [
        Chain(
            microphone=Electret(),
            preamp=BoardPreamp(second_feedback_ohm=10e3),
            band_filter=band_filter,
            rectifier=Rectifier("half", 0, "coupled", "silicon", coupling_farad=1e-6, return_ohm=100e3),
            adc=Adc(source_ohm=10e3),
        )
        for band_filter in FULL_FILTERS
    ] + [Chain(detector=AverageDetector(10e3, 1e-6))]
    listed = {part.key for board in boards for part in parts_list(board)}
    assert {f"{section}.{key}" for section, keys in BOUGHT.items() for key in keys} <= listed


@pytest.mark.parametrize(
    ("band_filter", "references"),
    [
        (NoBandFilter(), set()),
        (FirstLowPass(1e4, 1e-8), {"R13", "C8"}),
        (FirstHighPass(1e4, 1e-8), {"R11", "C6"}),
        (FULL_FILTERS[0], {"R11", "C6", "R13", "C8"}),
        (SecondLowPass(1e4, 1e4, 1e-8, 1e-8), {"R13", "R14", "C8", "C9"}),
        (SecondHighPass(1e-8, 1e-8, 1e4, 1e4), {"C6", "C7", "R11", "R12"}),
        (FULL_FILTERS[1], {"C6", "C7", "R11", "R12", "R13", "R14", "C8", "C9"}),
    ],
)
def test_each_band_filter_has_its_own_parts(band_filter, references):
    listed = [part.reference for part in parts_list(Chain(band_filter=band_filter))]
    assert set(listed) - {part.reference for part in parts_list(Chain())} == references
    assert len(set(listed)) == len(listed)


def test_a_second_stage_is_listed_only_where_it_is():
    second = {"C4", "R8", "R9", "R10", "C5"}
    one = {part.reference for part in parts_list(Chain(preamp=BoardPreamp()))}
    two = {part.reference for part in parts_list(Chain(preamp=BoardPreamp(second_feedback_ohm=1e4)))}
    straight = BoardPreamp(second_feedback_ohm=1e4, second_ground_farad=None)
    assert not one & second
    assert two - one == second
    assert {part.reference for part in parts_list(Chain(preamp=straight))} == two - {"C5"}


def test_swept_parts_have_the_series_and_tolerance_that_were_asked_for():
    ranges = {"detector.attack_ohm": PartRange("E96", 1e3, 1e4, 1.0), "detector.hold_farad": (1e-6, 2.2e-6)}
    by_key = {part.key: part for part in parts_list(BOARD, ranges)}
    assert (by_key["detector.attack_ohm"].series, by_key["detector.attack_ohm"].tolerance_percent) == (
        "E96",
        1.0,
    )
    assert by_key["detector.hold_farad"].series == "E3"
    assert by_key["preamp.feedback_ohm"].series == "E3"


@pytest.mark.parametrize(
    ("value", "series"),
    # IEC 60063 (public transcription): where each value first appears.
    [
        (4.7e3, "E3"),
        (1.5e-7, "E6"),
        (3.9e3, "E12"),
        (4.3e3, "E24"),
        (4.87e3, "E48"),
        (4.99e3, "E96"),
        (4.93e3, "E192"),
        (5e4, "none"),
    ],
)
def test_coarsest_series(value, series):
    assert coarsest_series(value) == series

"""The parts list of a board, against the chain it was made from."""

from __future__ import annotations

import re

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
from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.electret import Electret
from envlab.analog.parts import PartRange
from envlab.analog.preamps.board_preamp import BoardPreamp
from envlab.analog.preamps.preamp import Preamp
from envlab.analog.rectifiers.absolute_value import AbsoluteValue
from envlab.analog.rectifiers.bias_superdiodes import BiasSuperdiodes
from envlab.analog.rectifiers.difference_superdiodes import DifferenceSuperdiodes
from envlab.analog.rectifiers.diodeless import Diodeless
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.rectifiers.pumps import Bridge, VoltageDoubler
from envlab.analog.rectifiers.transistor_detector import TransistorDetector
from envlab.chain import Chain
from envlab.design_file import BOUGHT
from envlab.light.power.battery import Pack
from envlab.study.specification.parts_list import coarsest_series, design_parts, parts_list

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
    assert len(design_parts(BOARD)) > 5
    for part in design_parts(BOARD):
        stage, name = part.key.split(".")
        assert part.value == getattr(getattr(BOARD, stage), name)
        assert part.purpose


def test_parts_that_are_not_there_are_not_listed():
    board = Chain(preamp=Preamp(ground_farad=None), detector=AverageDetector(10e3, 1e-6))
    references = {part.reference for part in parts_list(board)}
    assert {"R6", "C3"} <= references
    assert not references & {"C2", "R4", "R5"}


TOPOLOGIES = (
    DifferenceSuperdiodes(),
    AbsoluteValue(),
    Diodeless(),
    BiasSuperdiodes(),
    VoltageDoubler(),
    Bridge(),
    TransistorDetector(),
)
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
    ] + [Chain(detector=AverageDetector(10e3, 1e-6)), *(Chain(rectifier=one) for one in TOPOLOGIES)]
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
    filters = {"U4", "C23"} if references else set()  # its amplifiers, and one more package to decouple
    assert set(listed) - {part.reference for part in parts_list(Chain())} == references | filters
    assert len(set(listed)) == len(listed)


def test_a_second_stage_is_listed_only_where_it_is():
    second = {"C4", "R8", "R9", "R10", "C5"}
    one = {part.reference for part in parts_list(Chain(preamp=BoardPreamp()))}
    two = {part.reference for part in parts_list(Chain(preamp=BoardPreamp(second_feedback_ohm=1e4)))}
    straight = BoardPreamp(second_feedback_ohm=1e4, second_ground_farad=None)
    assert not one & second
    assert two - one == second  # U1 has two amplifiers then
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


KINDS = {
    "resistor", "capacitor", "diode", "amplifier", "transistor", "microphone", "converter", "fuse",
    "controller", "pixel", "pack",
}  # fmt: skip


def test_the_whole_board_is_listed_with_kind_pieces_and_what_to_ask_for():
    board = Chain(microphone=Electret(), rectifier=DifferenceSuperdiodes(0.15, diode="schottky"))
    parts = {part.reference: part for part in parts_list(board)}
    assert {part.kind for part in parts.values()} <= KINDS
    counted = {kind: sum(part.kind == kind for part in parts.values()) for kind in KINDS}
    # U1, U2, U3, U5; D1, D2; R1 to R5, R7, R20 to R27, R30 to R33, R40; C1 to C3, C20 to C23, C30 to C32.
    assert counted == {
        "amplifier": 4, "diode": 2, "resistor": 19, "capacitor": 10, "microphone": 1, "converter": 1,
        "fuse": 1, "controller": 1, "pixel": 1, "pack": 1, "transistor": 0,
    }  # fmt: skip
    assert parts["LED1"].quantity == 24
    assert all(part.quantity == 1 for name, part in parts.items() if name != "LED1")
    assert all(part.specification and part.role for part in parts.values())
    for part in parts.values():
        assert (part.value is None) == (part.kind not in ("resistor", "capacitor", "fuse"))
        assert bool(part.dielectric) == (part.kind == "capacitor")
        assert (part.power_w is None) == (part.kind != "resistor")
        if part.kind in ("resistor", "capacitor"):
            assert part.tolerance_percent and part.rated_v and part.series
    assert parts["U2"].purpose.count("; ") == 3  # four amplifiers, four roles
    assert (parts["F1"].value_text, parts["R20"].tolerance_text) == ("4 A", "±1 %")


def test_no_maker_and_no_part_number_is_named():
    """Generic specifications: no word that mixes three letters with three digits, as part numbers do."""
    boards = [Chain(), Chain(microphone=Electret(), rectifier=DifferenceSuperdiodes(0.15))]
    for board in boards:
        for part in parts_list(board):
            assert not re.search(r"\b[A-Za-z]{2,}-?\d{3,}\w*\b", part.specification), part


def test_a_pack_of_ones_own_changes_fuse_and_converter():
    one = {part.reference: part for part in parts_list(BOARD, pack=Pack(cells=1))}
    assert one["F1"].value == 8.0  # 16.67 W from 3.0 V: 5.56 A, over 0.75
    assert "step-up module, 3 to 4.2 V in" in one["PS1"].specification

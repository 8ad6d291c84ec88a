"""The parts list of a board, against the chain it was made from."""

from __future__ import annotations

import pytest

from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.parts import PartRange
from envlab.analog.preamp import Preamp
from envlab.chain import Chain
from envlab.study.parts_list import coarsest_series, parts_list

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

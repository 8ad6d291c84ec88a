"""What is said of a board: nothing that the capture does not tell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bench.invented import bench, capture_of, drawn

from envlab.bench.boards.fitted_design import design_of_board
from envlab.bench.check import BoardCheck
from envlab.bench.fit.intervals import Interval
from envlab.bench.words import SAID, check_sentences
from envlab.errors import EnvlabError


@pytest.fixture(scope="module")
def check() -> BoardCheck:
    rng = np.random.default_rng(78)
    return bench("wire", 10)[0].check(capture_of(drawn("wire", 10, rng), "wire", 10, rng))


def with_interval(check: BoardCheck, name: str, low: float, high: float) -> BoardCheck:
    assert check.fitted is not None
    value = check.fitted.intervals[name].value
    return replace(
        check,
        fitted=replace(check.fitted, intervals={**check.fitted.intervals, name: Interval(value, low, high)}),
    )


def said_of(check: BoardCheck, name: str) -> str:
    words = SAID[name][0]
    (text,) = (one.text for one in check_sentences(check) if one.text.lower().startswith(words.lower()))
    return text


# Just told, and just not: a time's own width, 5 % of 1024 codes, half a volt, 4 %, 12 dB (a factor of 3.98).
EDGES = {
    "attack_s": ((0.6, 1.5), (0.4, 1.5)),
    "offset_lsb": ((-20.0, 31.0), (-20.0, 32.0)),
    "drop_v": ((-0.1, 0.39), (-0.1, 0.41)),
    "clock": ((-0.01, 0.029), (-0.01, 0.031)),
    "gain": ((0.5, 1.98), (0.5, 2.0)),
}


@pytest.mark.parametrize("name", EDGES)
def test_an_interval_that_is_too_wide_gives_no_number(check, name):
    assert check.fitted is not None
    unit = check.fitted.intervals[name].value if name == "attack_s" else 1.0
    told, untold = ([unit * end for end in ends] for ends in EDGES[name])
    assert "95 %" in said_of(with_interval(check, name, *told), name)
    assert said_of(with_interval(check, name, *untold), name).endswith(": this capture cannot tell.")


@pytest.mark.parametrize("name", ["attack_s", "release_s"])
def test_a_board_that_is_not_told_is_no_design_file(check, name):
    chain = bench("wire", 10)[0].chain
    assert check.fitted is not None
    assert design_of_board(chain, check.fitted, "wire").chain.detector.hold_farad > 0
    wide = with_interval(check, name, 1e-9, 1e9).fitted
    assert wide is not None
    with pytest.raises(EnvlabError, match=r"does not tell the board's R[ar]·C .* by wire or louder") as said:
        design_of_board(chain, wide, "wire")
    assert "\n" not in str(said.value)

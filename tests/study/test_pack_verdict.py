"""How long a pack feeds a board: powers are those of its clips, and each ending has its sentence."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from envlab.errors import ParameterError
from envlab.light.pixels import Supply
from envlab.light.power.battery import Pack
from envlab.light.power.cells import Cells
from envlab.sound.clip import Clip
from envlab.sound.recording import Recording
from envlab.study.chosen_on_clips import light_on_clips
from envlab.study.pack_verdict import judge_pack
from envlab.study.sentences import of_kind
from envlab.study.specification.specification import Specification, demo_specification


@pytest.fixture(scope="module")
def asked() -> Specification:
    time_s = np.arange(96_000) / 48_000
    loud = Recording(np.sin(2 * np.pi * 200 * time_s) * np.exp(-(time_s % 0.5) / 0.1), 48_000.0)
    demo = demo_specification()
    # One efficiency at any load, the limit as it is: powers are those of a hand calculation.
    return replace(demo, chain=replace(demo.chain, supply=Supply()), clips=(Clip(loud, 100.0, ("beat",)),))


def test_powers_are_those_of_the_clips(asked):
    verdict = judge_pack(asked, asked.chain, Cells(0.04))
    current_a = light_on_clips(asked, asked.chain)[0].current_a
    # 5 V at an efficiency of 0.9.
    assert verdict.mean_w == pytest.approx(5.0 * current_a.mean() / 0.9)
    assert verdict.peak_w == pytest.approx(5.0 * current_a.max() / 0.9)
    assert verdict.lowest_v == 6.0


@pytest.mark.parametrize(
    ("cells", "celsius", "text"),
    [
        (Cells(0.04), 25.0, "hours; then, with"),
        (Cells(0.0, Pack(empty_cell_v=2.5)), 25.0, "no beat pulls the pack under 5.0 V before"),
        (Cells(0.15), -20.0, "the board stops at once"),
        (Cells(3.0), 25.0, "cannot give that at all"),
    ],
)
def test_each_ending_is_said_with_its_numbers(asked, cells, celsius, text):
    verdict = judge_pack(asked, asked.chain, cells, celsius)
    (said,) = of_kind(verdict.sentences, "pack_hours")
    assert text in said.text
    assert said.behind["hours"] == verdict.hours
    assert (verdict.hours == 0) == (verdict.charge_left >= 1) == ("at once" in said.text)
    assert math.isnan(verdict.full_v) == ("cannot give" in said.text)


def test_a_power_bank_shows_no_cells(asked):
    bank = replace(asked.chain, supply=Supply(2.0, fed_by="power_bank"))
    with pytest.raises(ParameterError, match="fed_by is 'power_bank'; it must be 'cells'"):
        judge_pack(asked, bank, Cells(0.04))

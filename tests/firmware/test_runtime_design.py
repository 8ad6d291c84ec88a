"""A design in physical units becomes words that do what was asked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from firmware.twin_vectors import CONVERTER, YOKE, parade_design

from envlab.digital.auto_level import AutoLevel, OffsetSteps
from envlab.digital.fixed_point import FixedFollower, Gate, awake_state, justify, run_twin
from envlab.digital.quiescent import LearntQuiescent
from envlab.errors import ParameterError
from envlab.firmware.runtime_design import RuntimeDesign
from envlab.light.curve import CountMap
from envlab.light.pixels import Pixels, Supply, supply_duty_limit
from envlab.light.table import build_octave_table, build_table


def settled_duty(design: RuntimeDesign, counts: float, seconds: float = 3.0) -> int:
    readings = justify(np.full(int(seconds * 1000), int(counts)), design.adc_bits)
    still = replace(design, quiescent=LearntQuiescent(0.0))
    return int(run_twin(still.words, still.codes, readings, state=awake_state(still.words)).duty[-1])


def look_up_of(design: RuntimeDesign, counts: np.ndarray) -> np.ndarray:
    """Return the duty (counts,) of each count held for 40 readings, with a follower that is there at once."""
    words = replace(design, quiescent=LearntQuiescent(0.0)).words._replace(
        attack_factor=65_535, attack_fraction=16, release_factor=65_535, release_fraction=16
    )
    readings = np.repeat(justify(counts, design.adc_bits), 40)
    return run_twin(words, design.codes, readings, state=awake_state(words)).duty[39::40]


def test_dark_at_the_floor_full_at_the_ceiling():
    design = parade_design(level=None, dim=1.0, follower=FixedFollower(0.005, 0.1), quiescent_counts=12)
    cap = int(supply_duty_limit(YOKE, CONVERTER) * 65_535)
    assert settled_duty(design, 12 + 3) == 0
    assert settled_duty(design, 12 + 699) < cap
    assert settled_duty(design, 12 + 700) == cap
    assert settled_duty(design, 1023) == cap
    assert settled_duty(design, 5) == 0


def test_dim_scales_every_duty():
    whole = settled_duty(parade_design(level=None, dim=1.0), 300)
    assert settled_duty(parade_design(level=None, dim=0.5), 300) == pytest.approx(whole / 2, abs=1)


def test_sum_limit_is_the_supply_in_full_channels():
    # (3 A - 24 mA idle) / 150 mA = 19.84 channels (hand calculation).
    assert parade_design().sum_limit == int((3.0 - 0.024) / 0.150 * 65_535)
    assert parade_design(supply=Supply(30.0)).sum_limit == 72 * 65_535


def test_offset_steps_start_at_the_design():
    plain, stepped = parade_design(level=None), parade_design(level=OffsetSteps(7, 3.0, 9.0))
    assert stepped.words.window_start == plain.words.window_start
    assert stepped.words.offset_steps == 6
    assert stepped.lowest_window_db == pytest.approx(-6.0, abs=0.01)
    readings = justify(np.full(2000, 100), 10)
    np.testing.assert_array_equal(
        run_twin(plain.words, plain.codes, readings).duty,
        run_twin(stepped.words, stepped.codes, readings).duty,
    )


def test_even_table_gives_the_codes_of_its_look_up():
    table = build_table(CountMap(4.0, 700.0), adc_bits=10, entries=257, bits=16, duty_limit=0.3)
    design = parade_design(table=table, level=None, gate=Gate(0.0, 0.0), dim=1.0, quiescent_counts=0)
    counts = np.arange(0, 1024)
    np.testing.assert_array_equal(look_up_of(design, counts), table.look_up(counts))


@pytest.mark.parametrize("adc_bits", [10, 12])
def test_octave_table_gives_the_codes_of_its_look_up(adc_bits):
    table = build_octave_table(CountMap(4.0, 700.0), adc_bits=adc_bits, bits=16, duty_limit=0.3)
    design = parade_design(
        table=table, adc_bits=adc_bits, level=None, gate=Gate(0.0, 0.0), dim=1.0, quiescent_counts=0
    )
    counts = np.arange(0, 1 << adc_bits)
    np.testing.assert_array_equal(look_up_of(design, counts), table.look_up(counts))


@pytest.mark.parametrize(
    ("changes", "name"),
    [
        ({"quiescent_counts": 1023}, "quiescent_counts"),
        ({"quiescent_counts": -1}, "quiescent_counts"),
        ({"brightness_rate_hz": 1001.0}, "brightness_rate_hz"),
        ({"brightness_rate_hz": 0.0}, "brightness_rate_hz"),
        ({"dim": 0.0}, "dim"),
        ({"dim": 1.1}, "dim"),
        ({"adc_bits": 12}, "adc_bits"),
        ({"table": build_table(CountMap(4.0, 700.0), adc_bits=10), "level": None}, "table"),
        (
            {"table": build_table(CountMap(4.0, 700.0), adc_bits=10, entries=257, bits=8), "level": None},
            "table",
        ),
        ({"table": build_table(CountMap(4.0, 700.0), adc_bits=12, entries=257), "level": None}, "table"),
        ({"table": build_table(CountMap(4.0, 700.0), adc_bits=10, entries=257)}, "level"),
        ({"table": build_octave_table(CountMap(4.0, 700.0), adc_bits=10, steps_per_octave=8)}, "table"),
        ({"table": build_octave_table(CountMap(4.0, 700.0), adc_bits=16), "adc_bits": 16}, "table"),
        ({"supply": Supply(0.1)}, "limit_a"),
        ({"pixels": Pixels(20_000)}, "channels"),
        ({"noise_lsb": -1.0}, "noise_lsb"),
        ({"level": AutoLevel(down_db=90.0)}, "down_db"),
        ({"level": AutoLevel(up_db=90.0, down_db=1.0)}, "up_db"),
        ({"level": OffsetSteps(64, 10.0, 0.0)}, "steps"),
        ({"level": OffsetSteps(3, 1.0, 60.0)}, "least_db"),
    ],
)
def test_what_cannot_be_is_named(changes, name):
    with pytest.raises(ParameterError) as caught:
        parade_design(**changes)
    assert caught.value.name == name

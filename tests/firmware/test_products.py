"""The sums of products on every machine, and each instruction of the 8-bit machine's own form of them.

The 8-bit compiler's form in C and the one in assembler stand in one file; here every instruction of the
latter is left out or changed in turn, and each such change must be noticed.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from firmware import product_vectors as vectors
from firmware import twin_vectors
from firmware.mutate_assembler import EQUIVALENT, judge, mutants, report
from firmware.targets import MACHINES, Driver, require, run_machine
from firmware.targets.driver import STRICT
from firmware.targets.machines import AVR_LEVELS

from envlab.firmware.marks import RUNTIME_FOLDER

DRIVER = Path(__file__).parent / "product_driver.c"
ALL = {**MACHINES, **{f"8 bit {name}": machine for name, machine in AVR_LEVELS.items()}}


@pytest.mark.parametrize("name", ALL)
def test_sums_of_products_are_those_of_whole_numbers(name, tmp_path):
    require(ALL[name])
    stimuli = vectors.product_stimuli()
    driver = Driver(
        (DRIVER,), vectors.INPUT_BYTES, vectors.RECORD_BYTES, include=(RUNTIME_FOLDER,), warnings=STRICT
    )
    assert run_machine(ALL[name], driver, stimuli.tobytes(), tmp_path) == vectors.product_records(stimuli)


@pytest.mark.slow_firmware
def test_every_instruction_left_out_or_changed_is_noticed():
    require(MACHINES["avr-multiplier"])
    found = mutants()
    assert len(found) >= 250
    text, problems = report(found, judge(found))
    assert problems == 0, text


def test_a_part_of_the_instructions_left_out_or_changed_is_noticed():
    """Every sixteenth, and the one that once was not: a carry lost in the finest sum."""
    require(MACHINES["avr-multiplier"])
    lost = [m for m in mutants() if m.function == "envlab_add_fine_product" and m.before.startswith("adc %D")]
    found = [*mutants()[::16], *(mutant for mutant in lost if not mutant.after)]
    text, problems = report(found, judge(found))
    assert problems == 0, text


def test_every_survivor_has_a_reason():
    assert all(len(reason) > 10 for reason in EQUIVALENT.values())


def test_the_stimuli_of_the_runtime_reach_the_upper_half_of_the_factors():
    factors = [case.words.attack_factor for case in twin_vectors.CASES.values()]
    assert min(factors) == 1
    assert max(factors) == 65_535

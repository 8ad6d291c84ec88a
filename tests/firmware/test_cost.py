"""What the runtime costs, against the limits that the project has set itself."""

from __future__ import annotations

import pytest
from firmware import twin_vectors
from firmware.targets import MACHINES, cost, require

READINGS = 20_000
DESIGNS = ("parade", "longest")


def measured(name: str, case_name: str, folder):
    machine = MACHINES[name]
    require(machine)
    case = twin_vectors.CASES[case_name]
    firmware = folder / "firmware"
    firmware.mkdir()
    case.write(firmware)
    return cost.cost_of(machine, firmware, twin_vectors.stimulus(case, READINGS)[0], folder)


@pytest.mark.parametrize("case_name", DESIGNS)
def test_8_bit_machine_with_multiplier(case_name, tmp_path):
    metrics = measured("avr-multiplier", case_name, tmp_path)
    assert metrics.simple.most <= 300
    assert metrics.step.most <= 500
    assert metrics.sizes.code + metrics.sizes.helpers <= 1450
    assert metrics.sizes.state <= 40
    assert metrics.stack <= 24


@pytest.mark.parametrize("case_name", DESIGNS)
def test_cortex_m0(case_name, tmp_path):
    metrics = measured("cortex-m0-gcc-qemu", case_name, tmp_path)
    assert metrics.sizes.code + metrics.sizes.helpers <= 950
    assert metrics.sizes.state <= 40

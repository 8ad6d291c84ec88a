"""The metrics that the tool shows are those that a simulator counts, within a tenth and never under."""

from __future__ import annotations

import pytest
from firmware import placed_vectors as placed
from firmware import twin_vectors as twin
from firmware.targets import MACHINES, cost, require

from envlab.digital.auto_level import OffsetSteps
from envlab.errors import ParameterError
from envlab.firmware import cost as shown

KINDS = {"automatic": ("parade", "longest"), "level": ("shortest", "twelve bit"), "even": ("even in counts",)}


@pytest.mark.parametrize("kind", list(KINDS))
def test_shown_metrics_bound_the_measured_ones(kind, tmp_path):
    machine = MACHINES["avr-multiplier"]
    require(machine)
    found, together, follow = [], [], []
    for name in KINDS[kind]:
        folder = tmp_path / name.replace(" ", "")
        firmware = folder / "firmware"
        firmware.mkdir(parents=True)
        twin.CASES[name].write(firmware)
        readings, _ = twin.stimulus(twin.CASES[name], 20_000)
        found.append(cost.cost_of(machine, firmware, readings, folder))
        # Everything that is seldom done, in one step: it takes hours of readings to meet there.
        image = machine.build(placed.whole_step_driver(firmware), firmware)
        states = placed.placed_stimuli(twin.CASES[name], 12_000, seed=5)
        calls = machine.measure(image, states.tobytes(), ("envlab_step", "envlab_follow"))
        together.append(calls["envlab_step"].most_cycles)
        follow.append(calls["envlab_follow"].most_cycles)
    code = max(f.sizes.code + f.sizes.helpers for f in found)
    step = max(*together, *(f.step.most for f in found))
    assert 0.9 * shown.CODE_BYTES[kind] <= code <= shown.CODE_BYTES[kind]
    assert 0.9 * shown.STEP_CYCLES[kind] <= step <= shown.STEP_CYCLES[kind]
    assert max(f.simple.most for f in found) <= shown.FOLLOW_CYCLES
    assert max(follow) + 52 <= shown.FOLLOW_CYCLES  # and a look-up
    assert {f.sizes.state for f in found} == {shown.STATE_BYTES}
    assert {f.sizes.check for f in found} == {shown.CHECK_BYTES}


def test_cost_of_the_parade():
    design = twin.parade_design(brightness_rate_hz=100.0)
    found = shown.runtime_cost(design)
    # 305 cycles 1000 times and 630 cycles 100 times a second, of 16 million: 2.30 %.
    assert found.processor_share == pytest.approx((305e3 + 630e2) / 16e6)
    assert found.flash_bytes == 1430 + 128 + 2 * len(design.codes)
    every_reading = shown.runtime_cost(twin.parade_design(brightness_rate_hz=1000.0))
    assert every_reading.processor_share == pytest.approx(630e3 / 16e6)
    assert shown.runtime_cost(twin.parade_design(level=OffsetSteps())).brightness_cycles == 505


def test_a_clock_of_zero_is_refused():
    with pytest.raises(ParameterError, match="clock_hz"):
        shown.runtime_cost(twin.parade_design(), clock_hz=0.0)

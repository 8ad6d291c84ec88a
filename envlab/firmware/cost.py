"""What the runtime costs on an 8 bit processor with a multiplier: cycles, bytes, share of its time.

Measured, not estimated: by the cycle counter of a processor simulator and the sizes of the compiled
functions, optimised for size. tests/firmware/test_cost_metrics.py measures again and holds these numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

from envlab.digital.auto_level import AutoLevel
from envlab.digital.sampled_audio import processor_share
from envlab.errors import check_positive
from envlab.firmware.runtime_design import RuntimeDesign

STATE_BYTES = 39
CHECK_BYTES = 128
# Worst cycles of one call, the call included: of the follower with a look-up, of the whole step; and bytes
# of code, by what the design has. The slower of the two time-constant formats.
FOLLOW_CYCLES = 305
STEP_CYCLES = {"even": 410, "level": 505, "automatic": 630}
CODE_BYTES = {"even": 860, "level": 1000, "automatic": 1430}


@dataclass(frozen=True)
class RuntimeCost:
    """Cost of one design on an 8 bit processor with a multiplier.

    follow_cycles: for each reading, at most. brightness_cycles: for each duty, at most (follower included).
    processor_share: of all its cycles, both together. flash_bytes: code, table and the table's check.
    state_bytes: data memory.
    """

    clock_hz: float
    follow_cycles: int
    brightness_cycles: int
    processor_share: float
    flash_bytes: int
    state_bytes: int


def runtime_cost(design: RuntimeDesign, *, clock_hz: float = 16e6) -> RuntimeCost:
    """Return what a design costs on an 8 bit processor at clock_hz, Hz, above 0; an upper bound."""
    check_positive("clock_hz", clock_hz, unit="Hz")
    kind = "even"
    if design.words.level_index:
        kind = "automatic" if isinstance(design.level, AutoLevel) else "level"
    readings_hz, duties_hz = design.follower.rate_hz, design.brightness_rate_hz
    share = processor_share(STEP_CYCLES[kind], duties_hz, clock_hz)
    if duties_hz < readings_hz:
        share += processor_share(FOLLOW_CYCLES, readings_hz, clock_hz)
    return RuntimeCost(
        clock_hz=clock_hz,
        follow_cycles=FOLLOW_CYCLES,
        brightness_cycles=STEP_CYCLES[kind],
        processor_share=share,
        flash_bytes=CODE_BYTES[kind] + CHECK_BYTES + 2 * int(design.codes.size),
        state_bytes=STATE_BYTES,
    )

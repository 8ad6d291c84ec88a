"""Pictures: each function draws one sheet and returns a matplotlib figure."""

from __future__ import annotations

from envlab.plot.bench.board import board_sheet
from envlab.plot.bench.night import night_sheet
from envlab.plot.explanations.sheets import (
    breathing_sheet,
    burst_sheet,
    climb_sheet,
    clipped_sheet,
    current_over_time_sheet,
    errors_sheet,
    flashing_sheet,
    formula_sheet,
    lightness_sheet,
    phases_sheet,
    ramps_sheet,
    range_sheet,
    ripple_aliasing_sheet,
    samples_sheet,
    violation_sheet,
)
from envlab.plot.layouts import layouts_sheet
from envlab.plot.level_diagram import levels_sheet
from envlab.plot.schematic.schematic import schematic
from envlab.plot.sheets import effects_sheet, map_sheet, strips_sheet, table_sheet, voltages_sheet
from envlab.plot.sweep.clip_multiples import clips_sheet
from envlab.plot.sweep.map_sheets import maps_sheet
from envlab.plot.sweep.pareto import pareto_sheet
from envlab.plot.sweep.tolerance import tolerance_sheet
from envlab.plot.table.table_sheets import (
    along_sheet,
    curve_sheet,
    latency_sheet,
    pack_sheet,
    pixels_sheet,
    steps_sheet,
)

__all__ = [
    "along_sheet",
    "board_sheet",
    "breathing_sheet",
    "burst_sheet",
    "climb_sheet",
    "clipped_sheet",
    "clips_sheet",
    "current_over_time_sheet",
    "curve_sheet",
    "effects_sheet",
    "errors_sheet",
    "flashing_sheet",
    "formula_sheet",
    "latency_sheet",
    "layouts_sheet",
    "levels_sheet",
    "lightness_sheet",
    "map_sheet",
    "maps_sheet",
    "night_sheet",
    "pack_sheet",
    "pareto_sheet",
    "phases_sheet",
    "pixels_sheet",
    "ramps_sheet",
    "range_sheet",
    "ripple_aliasing_sheet",
    "samples_sheet",
    "schematic",
    "steps_sheet",
    "strips_sheet",
    "table_sheet",
    "tolerance_sheet",
    "violation_sheet",
    "voltages_sheet",
]

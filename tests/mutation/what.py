"""What is mutated: the numerical core, group by group, and tests whose lines coverage cannot see.

Compiled loops run outside of Python, so that coverage knows only that they were called; the tests of those
are named here. All other tests of a line are found by coverage (see long_run.py).
"""

from __future__ import annotations

GROUPS: dict[str, tuple[str, ...]] = {
    "rectifier": (
        "analog/rectifiers/ideal.py",
        "analog/rectifiers/half_waves.py",
        "analog/rectifiers/both_halves.py",
        "analog/rectifiers/active.py",
        "analog/rectifiers/absolute_value.py",
        "analog/rectifiers/bias_superdiodes.py",
        "analog/rectifiers/difference_superdiodes.py",
        "analog/rectifiers/diodeless.py",
        "analog/rectifiers/half_wave_circuit.py",
        "analog/rectifiers/transistor_detector.py",
        "analog/diodes/diode.py",
        "analog/diodes/passive.py",
        "analog/kernels/diode_kernels.py",
        "analog/kernels/half_waves/half_wave_kernels.py",
    ),
    "detector": (
        "analog/detector.py",
        "analog/hold_capacitor.py",
        "analog/tones/steady_state.py",
        "analog/bank/detector_bank.py",
        "analog/kernels/stage_kernels.py",
        "analog/kernels/lane_kernels.py",
    ),
    "adc": ("analog/adc.py", "analog/kernels/adc_kernels.py", "engine/quantiser.py"),
    "curve": ("light/curve.py", "light/lightness.py"),
    "table": ("light/table.py", "light/table_facts.py"),
    "flashes": (
        "light/flashes/flash.py",
        "light/flashes/flash_kernels.py",
        "light/flashes/limited_light.py",
        "light/flashes/mitigations.py",
        "light/flashes/red_flash.py",
        "light/flashes/running_flash.py",
        "light/flashes/running_flash_kernels.py",
        "light/flashes/sliding_window.py",
    ),
    "metrics": (
        "metrics/across_clips.py",
        "metrics/clip_metrics.py",
        "metrics/contrast.py",
        "metrics/judgeable.py",
        "metrics/latency_budget.py",
        "metrics/metric_kernels.py",
        "metrics/onset_latency.py",
        "metrics/percentiles.py",
        "metrics/ripple_aliasing.py",
        "metrics/streaming_metrics.py",
        "metrics/tone_metrics.py",
    ),
    "tolerance": (
        "study/tolerance/board_columns.py",
        "study/tolerance/board_metrics.py",
        "study/tolerance/board_run.py",
        "study/tolerance/drawn_boards.py",
        "study/tolerance/judged_parts.py",
        "study/tolerance/operating_conditions.py",
        "study/tolerance/tables.py",
        "study/tolerance/tolerance.py",
        "study/tolerance/tolerances.py",
    ),
}

# Tests of what is compiled, the quickest first.
COMPILED: dict[str, tuple[str, ...]] = {
    "analog/kernels/diode_kernels.py": (
        "analog/diodes/test_diode.py",
        "analog/diodes/test_passive.py",
        "analog/diodes/test_leakage.py",
    ),
    "analog/kernels/half_waves/half_wave_kernels.py": (
        "analog/rectifiers/test_half_wave_circuit.py",
        "analog/rectifiers/test_half_waves.py",
        "engine/test_hold_stage.py",
    ),
    "analog/kernels/stage_kernels.py": (
        "analog/test_detector.py",
        "analog/test_read_capacitor.py",
        "analog/test_sections.py",
        "analog/tones/test_steady_state.py",
    ),
    "analog/kernels/lane_kernels.py": ("analog/kernels", "analog/bank/test_detector_bank.py"),
    "analog/kernels/adc_kernels.py": ("analog/test_adc.py", "engine/test_board_readings.py"),
    "light/flashes/flash_kernels.py": ("light/flashes/test_flash.py",),
    "light/flashes/running_flash_kernels.py": ("light/flashes/test_running_flash.py",),
    "metrics/metric_kernels.py": (
        "metrics/test_clip_metrics.py",
        "metrics/test_streaming_metrics.py",
        "study/tolerance/test_board_metrics.py",
    ),
}

# Where tests of these modules are looked for.
MAPPED = (
    *("analog", "light", "metrics", "study/tolerance", "engine", "study/specification", "test_chain.py"),
    *("test_seeds.py", "digital/test_quiescent.py", "circuit/test_circuit.py", "circuit/test_ratings.py"),
    "circuit/test_design_rules.py",
)

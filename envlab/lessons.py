"""Small experiments that explain how the circuit and the light work; the notebooks show them."""

from __future__ import annotations

from envlab.study.lessons import (
    alternating_light,
    burst_lesson,
    formula_attack_s,
    samples_lesson,
    sampling_errors,
    step_latency_ms,
)

__all__ = [
    "alternating_light",
    "burst_lesson",
    "formula_attack_s",
    "samples_lesson",
    "sampling_errors",
    "step_latency_ms",
]

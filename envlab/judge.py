"""Metrics and studies of a board: what its numbers mean, and how it does on clips."""

from __future__ import annotations

from envlab.analog.tones.steady_state import ToneResponse, tone_response
from envlab.metrics.clip_metrics import clip_metrics, range_used_db, table_steps
from envlab.metrics.latency_budget import board_latency
from envlab.metrics.ripple_aliasing import breathing
from envlab.study.chosen_on_clips import light_on_clips, most_current, most_flashing, music_scene
from envlab.study.exported.judgement import judge_exported
from envlab.study.inverse_design import Found, Wanted
from envlab.study.level_diagram import level_diagram, stated_levels
from envlab.study.specification.parts_list import parts_list
from envlab.study.specification.ranges import with_values
from envlab.study.sweep.flash_mitigation import find_mitigations
from envlab.study.sweep.robustness import robust_choice

__all__ = [
    "Found",
    "ToneResponse",
    "Wanted",
    "board_latency",
    "breathing",
    "clip_metrics",
    "find_mitigations",
    "judge_exported",
    "level_diagram",
    "light_on_clips",
    "most_current",
    "most_flashing",
    "music_scene",
    "parts_list",
    "range_used_db",
    "robust_choice",
    "stated_levels",
    "table_steps",
    "tone_response",
    "with_values",
]

"""Metrics and studies of a board: what its numbers mean, and how it does on clips."""

from __future__ import annotations

from envlab.analog.tones.steady_state import ToneResponse, tone_response
from envlab.light.power.cells import Cells
from envlab.light.power.coupling import Coupling
from envlab.light.power.pulses import Pulses
from envlab.light.viewing import Viewing
from envlab.metrics.clip_metrics import clip_metrics, range_used_db, table_steps
from envlab.metrics.latency_budget import board_latency
from envlab.metrics.ripple_aliasing import breathing
from envlab.sound.metering.metered import MeterReading, metered_level
from envlab.sound.metering.usual_levels import usual_levels_table
from envlab.sound.recorder.findings import recorder_findings
from envlab.study.chosen_on_clips import light_on_clips, most_current, most_flashing, music_scene
from envlab.study.colour_verdict import judge_colour
from envlab.study.exported.judgement import judge_exported
from envlab.study.feedback_verdict import judge_feedback
from envlab.study.inverse_design import Found, Wanted
from envlab.study.layouts.comparison import judge_layouts
from envlab.study.level_diagram import level_diagram, stated_levels
from envlab.study.pack_verdict import judge_pack
from envlab.study.power.feed_verdict import judge_feed
from envlab.study.power.power_verdict import judge_power
from envlab.study.span_from_clips import span_from_clips
from envlab.study.specification.parts_list import parts_list
from envlab.study.specification.ranges import with_values
from envlab.study.supply_verdict import judge_supply
from envlab.study.sweep.flash_mitigation import find_mitigations
from envlab.study.sweep.robustness import robust_choice

__all__ = [
    "Cells",
    "Coupling",
    "Found",
    "MeterReading",
    "Pulses",
    "ToneResponse",
    "Viewing",
    "Wanted",
    "board_latency",
    "breathing",
    "clip_metrics",
    "find_mitigations",
    "judge_colour",
    "judge_exported",
    "judge_feed",
    "judge_feedback",
    "judge_layouts",
    "judge_pack",
    "judge_power",
    "judge_supply",
    "level_diagram",
    "light_on_clips",
    "metered_level",
    "most_current",
    "most_flashing",
    "music_scene",
    "parts_list",
    "range_used_db",
    "recorder_findings",
    "robust_choice",
    "span_from_clips",
    "stated_levels",
    "table_steps",
    "tone_response",
    "usual_levels_table",
    "with_values",
]

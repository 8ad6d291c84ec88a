"""Sounds that are made, and how loud a sound is."""

from __future__ import annotations

from envlab.sound.level import leq_db_spl
from envlab.sound.signals import pink_noise, silence, tone, tone_burst, white_noise

__all__ = [
    "leq_db_spl",
    "pink_noise",
    "silence",
    "tone",
    "tone_burst",
    "white_noise",
]

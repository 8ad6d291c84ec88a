"""Floor and ceiling out of two clips: one on which the light is to stay dark, one that is to take it to full.

Both are read off the design's own envelope, as its firmware has it frame by frame: attack, release, follower,
converter and noise included. The floor is MARGIN_DB above the level that the soft clip's envelope exceeds
in 5 % of its frames; the ceiling is the level that the loud clip's envelope exceeds in 1 %. Levels are those
of a 1 kHz sine that settles at the same envelope, as floor and ceiling always are.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from envlab.chain import Chain
from envlab.errors import EnvlabError
from envlab.metrics.metrics_of_clip import frame_envelopes
from envlab.sound.clip import Clip
from envlab.study.level_diagram import level_of_counts

SOFT_PERCENT, LOUD_PERCENT = 95.0, 99.0
MARGIN_DB = 1.0
# Less than this between dark and full, and the light is a switch.
LEAST_SPAN_DB = 6.0
_ROUNDED_DB = 0.5


@dataclass(frozen=True)
class LightSpan:
    """What two clips ask for.

    floor_db_spl, ceiling_db_spl: for the design, dB SPL. soft_counts, loud_counts: of the envelope, from
    which they come. one_count: the soft clip stays under one count, so that the floor is that of one count.
    clipped_share: share of the loud clip at which a stage was at its limit; then the ceiling lies too low.
    """

    floor_db_spl: float
    ceiling_db_spl: float
    soft_counts: float
    loud_counts: float
    one_count: bool
    clipped_share: float


def span_from_clips(chain: Chain, soft: Clip, loud: Clip, *, seed: int = 1) -> LightSpan:
    """Return floor and ceiling that fit two clips.

    Parameters
    ----------
    chain : Chain
        The design; its own floor and ceiling are of no account.
    soft : Clip
        On this the light stays dark.
    loud : Clip
        This takes it to full.
    seed : int
        Of the noise, 0 or more.

    Returns
    -------
    LightSpan
        In steps of 0.5 dB, the floor rounded up.

    Raises
    ------
    EnvlabError
        If the loud clip is not at least 6 dB above the soft one.

    Examples
    --------
    >>> import envlab
    >>> from envlab.sound.signals import tone
    >>> from envlab.study.span_from_clips import span_from_clips
    >>> hum = envlab.Recording(tone(1000.0, 1.0, 3.0, 8000.0), 8000.0, name="hum")
    >>> found = span_from_clips(envlab.Chain(), envlab.Clip(hum, 74.0), envlab.Clip(hum, 100.0))
    >>> found.floor_db_spl, found.ceiling_db_spl
    (75.5, 100.0)
    """
    soft_counts, _ = _envelope_percentile(chain, soft, SOFT_PERCENT, seed)
    loud_counts, clipped_share = _envelope_percentile(chain, loud, LOUD_PERCENT, seed)
    one_count = soft_counts < 1.0
    soft_db_spl = level_of_counts(chain, max(soft_counts, 1.0))
    floor = _ROUNDED_DB * math.ceil(round((soft_db_spl + MARGIN_DB) / _ROUNDED_DB, 6))
    ceiling = _ROUNDED_DB * round(level_of_counts(chain, max(loud_counts, 1.0)) / _ROUNDED_DB)
    if ceiling < floor + LEAST_SPAN_DB:
        raise EnvlabError(
            f"{loud.label} reaches {ceiling:g} dB SPL at this board and {soft.label} asks for a floor of "
            f"{floor:g}; between dark and full there must be at least {LEAST_SPAN_DB:g} dB"
        )
    return LightSpan(floor, ceiling, soft_counts, loud_counts, one_count, clipped_share)


def _envelope_percentile(chain: Chain, clip: Clip, percent: float, seed: int) -> tuple[float, float]:
    """Counts that the envelope exceeds in all but so many percent of the frames; and the clipped share."""
    envelope, clipped_share = frame_envelopes(clip.sound(), [chain], seed=(seed,), workers=1)
    return float(np.percentile(envelope[0], percent)), float(clipped_share[0])

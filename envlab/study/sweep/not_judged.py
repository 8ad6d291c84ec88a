"""What could not be judged, and why, as words: of each clip, and of each candidate for a table of results."""

from __future__ import annotations

import functools
import math
from typing import TYPE_CHECKING

from envlab.chain import Chain
from envlab.metrics.across_clips import TAG_OF
from envlab.metrics.catalogue import METRICS
from envlab.metrics.judgeable import release_s, why_not_judged
from envlab.sound.clip import Clip
from envlab.study.specification.ranges import with_values
from envlab.study.specification.specification import Specification

if TYPE_CHECKING:
    import pandas as pd

# The tag of the clips that a metric speaks of; all clips, where it has none here.
# What a single clip shows, and what it is called where it is not judged.
CLIP_NAMES = {
    "flashes_per_s": "flashes",
    "contrast_lstar": "contrast",
    "lit_share": "lit share",
    "clipped_share": "clipping",
}


def clip_reasons(clip: Clip, chain: Chain) -> dict[str, str]:
    """Return what a clip cannot show of a board, in words → why; empty where it shows all."""
    reasons = why_not_judged(clip, clip.sound(), release_s(chain.detector_as_built))
    found: dict[str, str] = {}
    for reason in dict.fromkeys(reasons.values()):
        named = [words for name, words in CLIP_NAMES.items() if reasons.get(name) == reason]
        found["nothing" if "every" in reasons else f"no {', '.join(named)}"] = reason
    return found


def why_no_clip(metric: str, specification: Specification, chain: Chain) -> str:
    """Return why no clip shows a metric of a board, as in "no clip is tagged walking"."""
    tag = TAG_OF.get(metric)
    clips = [clip for clip in specification.clips if tag is None or tag in clip.tags]
    if not clips:
        return "there are no clips" if tag is None else f"no clip is tagged {tag}"
    reasons = {clip.label: "; ".join(clip_reasons(clip, chain).values()) for clip in clips}
    told = "; ".join(f"{label}: {why}" for label, why in reasons.items() if why)
    return told or "the clips are too few or too alike for it"


def unjudged(row: pd.Series, clip: Clip) -> bool:
    """Whether a candidate has something that is not judged on a clip."""
    columns = [f"{name} [{clip.label}]" for name in CLIP_NAMES]
    return any(name in row and math.isnan(float(row[name])) for name in columns)


def not_judged_column(table: pd.DataFrame, specification: Specification) -> list[str]:
    """Return for each candidate what is not judged and why; "" where all is.

    table: of a sweep of the specification.
    """
    known = [metric for metric in METRICS if metric in table]
    keys = tuple(specification.ranges)

    @functools.cache
    def reasons(number: int, chain: Chain) -> str:
        clip = specification.clips[number]
        return "; ".join(f"{clip.label}: {what}, {why}" for what, why in clip_reasons(clip, chain).items())

    texts = []
    for _, row in table.iterrows():
        missing = [metric for metric in known if math.isnan(float(row[metric]))]
        clips = [number for number, clip in enumerate(specification.clips) if unjudged(row, clip)]
        chain = with_values(specification.chain, keys, [row[key] for key in keys]) if clips else None
        said = [f"not judged: {', '.join(missing)}"] if missing else []
        said += [reasons(number, chain) for number in clips if chain is not None]
        texts.append("; ".join(said))
    return texts

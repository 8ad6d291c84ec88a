"""What a clip cannot show: silent, too short, or without any beat; such a number is "not judged", never met.

- A silent clip shows nothing.
- Flashes and contrast are counted over whole seconds: a clip under FLASH_WINDOW_S has none.
- A clip that ends before a board's release is over (to a tenth) is not settled: its flashes, contrast and
  lightness are not judged for that board.
- A clip tagged as beat is without any if its level, taken every BEAT_STEP_S, moves by less than BEAT_DB (95 %
  less 5 % point) within every second of it. Then no light can show a beat, and contrast is not judged.

BEAT_STEP_S and BEAT_DB are our own choice, no source: a steady tone or chord stays far below, any struck
instrument far above.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from envlab.analog.detector import Detector
from envlab.chain import Chain
from envlab.engine.hold_stage import BEHAVIOUR_RATE_HZ, behaviour
from envlab.sound.clip import Clip
from envlab.sound.stream import Sound, SoundStream
from envlab.units import FloatArray

FLASH_WINDOW_S = 1.0
BEAT_STEP_S = 0.05
BEAT_DB = 3.0
_SILENT = "it is silent"
# Columns of a clip that speak of whole seconds, and those that speak of settled light.
_OF_SECONDS = ("contrast_lstar", "flashes_per_s")
_OF_SETTLED = (*_OF_SECONDS, "lit_share", "lightness_95_lstar", "counts_median", "counts_99")


def why_flashes_not_judged(sound: Sound) -> str:
    """Return why flashes cannot be judged on a sound, whatever the board; "" if they can."""
    if sound.duration_s < FLASH_WINDOW_S:
        return f"it lasts {sound.duration_s:.2g} s, and flashes are counted over a whole second"
    if not any(np.any(piece) for piece in sound.pieces()):
        return _SILENT
    return ""


def why_not_judged(clip: Clip, sound: Sound, release_s: float) -> dict[str, str]:
    """Return what cannot be judged on a clip, column of metrics_of_clip → why; "every" for all of them.

    Parameters
    ----------
    clip : Clip
        Its tags say what it is for.
    sound : Sound
        The clip's.
    release_s : float
        Of the board, to a tenth, s.

    Returns
    -------
    dict

    Examples
    --------
    >>> import numpy as np
    >>> from envlab import Clip, Recording
    >>> knock = Clip(Recording(np.ones(2400), 48_000.0, "knock"), 90.0)
    >>> why_not_judged(knock, knock.sound(), release_s=0.01)["flashes_per_s"]
    'it lasts 0.05 s, and flashes are counted over a whole second'
    """
    found = _whatever_the_board(clip, sound)
    if "every" in found or sound.duration_s >= release_s:
        return found
    late = f"it lasts {sound.duration_s:.2g} s, and the release {release_s:.2g} s"
    return dict.fromkeys(_OF_SETTLED, late) | found


def _whatever_the_board(clip: Clip, sound: Sound) -> dict[str, str]:
    reason = why_flashes_not_judged(sound)
    if reason == _SILENT:
        return {"every": reason}
    if reason:
        return dict.fromkeys(_OF_SECONDS, reason)
    if "beat" in clip.tags and not has_beat(sound):
        return {"contrast_lstar": "it is without any beat"}
    return {}


def has_beat(sound: Sound) -> bool:
    """Whether the level moves by BEAT_DB or more within some second of a sound."""
    # A streamed clip is asked about again and again, for every candidate whose boards it is played to.
    return _streamed_has_beat(sound) if isinstance(sound, SoundStream) else _has_beat(sound)


@functools.lru_cache(maxsize=256)
def _streamed_has_beat(sound: SoundStream) -> bool:
    return _has_beat(sound)


def _has_beat(sound: Sound) -> bool:
    step = max(1, round(BEAT_STEP_S * sound.sample_rate_hz))
    squares = np.array([float(np.mean(np.square(some))) for some in _stretches(sound, step)])
    floor = 1e-12 * float(squares.max(initial=0.0)) or 1.0
    levels = 10 * np.log10(np.maximum(squares, floor))
    window = round(FLASH_WINDOW_S / BEAT_STEP_S)
    seconds = [levels[first : first + window] for first in range(0, max(1, levels.size - window + 1), window)]
    return any(float(np.subtract(*np.percentile(some, (95, 5)))) >= BEAT_DB for some in seconds)


def _stretches(sound: Sound, step: int) -> Iterator[FloatArray]:
    """Whole stretches of step samples; what is left over at the end is no stretch."""
    left = np.empty(0)
    for piece in sound.pieces():
        joined = np.concatenate((left, piece))
        whole = joined.size // step * step
        yield from joined[:whole].reshape(-1, step)
        left = joined[whole:]


def judged_columns(
    clip: Clip, sound: Sound, columns: Mapping[str, FloatArray], chains: Sequence[Chain]
) -> dict[str, FloatArray]:
    """Return the columns of a clip with NaN where they are not judged.

    Parameters
    ----------
    clip : Clip
        What was played.
    sound : Sound
        The clip's.
    columns : mapping
        As metrics_of_clip.clip_columns gives them, shape (boards,), in the units of their names.
    chains : sequence of Chain
        The board of each value; one for all of them.

    Returns
    -------
    dict
    """
    out = _whatever_the_board(clip, sound)
    late = np.array([release_s(chain.detector_as_built) > sound.duration_s for chain in chains])
    kept = {}
    for name, values in columns.items():
        never = name in out or "every" in out
        kept[name] = np.where(never | (late & (name in _OF_SETTLED)), np.nan, values)
    return kept


def release_s(detector: Detector) -> float:
    """Return the time from the end of a sound until a tenth is left, s; of two ways down the slower."""
    charge, _, bleed = behaviour(detector)
    slower = max(charge, bleed)
    return 0.0 if slower == -math.inf else -math.log(10) / slower / BEHAVIOUR_RATE_HZ

"""What a recording shows of its recorder, in sentences with what to do.

How well it is found was measured on made cases, and on published recordings for false alarms; the shares
stand in DEVELOPERS.md, "What a recorder did". Through a lossy coder or a change of the sample rate
most traces of flat tops and limiters are gone: "not found" is no proof.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from envlab.sound.feed import Pieces, regrouped, telling
from envlab.sound.level import extent_of
from envlab.sound.recorder.automatic_gain import FRAME_S, AutomaticGain, automatic_gain_of, band_levels_db
from envlab.sound.recorder.ceiling import BLOCK_S, Ceiling, ceiling_of
from envlab.sound.recorder.flat_tops import Tops, joined, tops_of
from envlab.sound.stream import Sound
from envlab.units import FloatArray

KINDS = ("flat_tops", "limiter", "automatic_gain")
Verdict = Literal["found", "not found", "not judged"]

# Frames that are looked at together.
_TOGETHER = 100
# Share of the time that the first look takes, for the extremes; the second one does all the rest.
_FIRST = 0.35
# Less than this and there is no telling peaks from one another.
_LEAST_S = 0.1


@dataclass(frozen=True)
class RecorderFinding:
    """One thing that a recorder may have done.

    kind: one of KINDS. verdict: "found", "not found" or "not judged". text: for people, with what to do.
    behind: the numbers that it rests on, by name, with units where they have any.
    """

    kind: str
    verdict: Verdict
    text: str
    behind: dict[str, float] = field(default_factory=dict)


def recorder_findings(
    sound: Sound, progress: Callable[[float], None] | None = None
) -> tuple[RecorderFinding, ...]:
    """Return what a recording shows of its recorder, one finding for each of KINDS.

    Parameters
    ----------
    sound : Recording or SoundStream
        At any level.
    progress : callable
        Called with the share that is done, 0 to 1.

    Returns
    -------
    tuple of RecorderFinding

    Examples
    --------
    >>> import numpy as np
    >>> import envlab
    >>> from envlab.sound.recorder.findings import recorder_findings
    >>> from envlab.sound.signals import pink_noise
    >>> noise = pink_noise(1.0, 3.0, 48000.0, np.random.default_rng(1))
    >>> overloaded = envlab.Recording(np.clip(noise, -2.0, 2.0), 48000.0)
    >>> [(one.kind, one.verdict) for one in recorder_findings(overloaded)]
    [('flat_tops', 'found'), ('limiter', 'found'), ('automatic_gain', 'not judged')]
    """
    tell = progress or _nobody
    extent = extent_of(telling(sound.pieces(), sound.samples, lambda share: tell(_FIRST * share)))
    if extent.low == extent.high or sound.duration_s < _LEAST_S:
        why = "the recording is silent" if extent.low == extent.high else "the recording is too short"
        return tuple(RecorderFinding(kind, "not judged", f"{_NAMES[kind]}: {why}.") for kind in KINDS)
    tops, highest, lowest, levels = Tops(), [np.empty(0)], [np.empty(0)], [np.empty((4, 0))]
    pieces = telling(sound.pieces(), sound.samples, lambda share: tell(_FIRST + (1 - _FIRST) * share))
    for frames in _framed(pieces, sound.sample_rate_hz):
        tops = joined(
            tops, tops_of(frames.ravel() - extent.mean, extent.low - extent.mean, extent.high - extent.mean)
        )
        blocks = frames.reshape(-1, frames.shape[1] // round(FRAME_S / BLOCK_S)) - extent.mean
        highest.append(blocks.max(axis=1))
        lowest.append(-blocks.min(axis=1))
        levels.append(band_levels_db(frames, sound.sample_rate_hz))
    ceiling = ceiling_of(np.concatenate(highest), np.concatenate(lowest))
    gain = automatic_gain_of(np.concatenate(levels, axis=1))
    return _of_tops(tops), _of_ceiling(ceiling), _of_gain(gain)


_NAMES = {"flat_tops": "Flat tops", "limiter": "Limiter", "automatic_gain": "Automatic gain"}


def _nobody(share: float) -> None:
    del share


def _framed(pieces: Pieces, sample_rate_hz: float) -> Iterator[FloatArray]:
    """The sound as frames of FRAME_S, shape (frames, samples), _TOGETHER at most; the rest is left."""
    blocks = round(FRAME_S / BLOCK_S)
    samples = blocks * int(BLOCK_S * sample_rate_hz)
    for piece in regrouped(pieces, _TOGETHER * samples):
        whole = piece.size // samples
        if whole:
            yield piece[: whole * samples].reshape(whole, samples)


def _of_tops(tops: Tops) -> RecorderFinding:
    behind = {"flat_tops": float(tops.flat), "tops": float(tops.all)}
    if not tops.are_cut:
        return RecorderFinding(
            "flat_tops", "not found", "Flat tops: none found; a lossy coder hides them.", behind
        )
    text = (
        f"Flat tops: {tops.flat} of the {tops.all} highest tops are cut flat; the recorder was overloaded, "
        "and how loud the loudest strokes were is not in the file. Record again with less gain or from "
        "farther away."
    )
    return RecorderFinding("flat_tops", "found", text, behind)


def _of_ceiling(ceiling: Ceiling) -> RecorderFinding:
    behind = {"peaks_at_ceiling": float(ceiling.at), "active_blocks": float(ceiling.active)}
    if not ceiling.is_held:
        return RecorderFinding(
            "limiter", "not found", "Limiter: the peaks do not stand at one height.", behind
        )
    text = (
        f"Limiter: {ceiling.at} moments peak within 0.3 dB of the same height; loud is softer in the file "
        "than it was. Switch limiter and loudness processing off, or record with less gain."
    )
    return RecorderFinding("limiter", "found", text, behind)


def _of_gain(gain: AutomaticGain) -> RecorderFinding:
    counted = {"rising_pauses": float(gain.rising), "pauses": float(gain.pauses)}
    behind = counted | {"rise_db_s": gain.rise_db_s}
    if gain.is_at_work:
        text = (
            f"Automatic gain: in {gain.rising} of {gain.pauses} pauses the background comes up, by "
            f"{gain.rise_db_s:.1f} dB a second; quiet is louder in the file than it was. Switch automatic "
            "gain off; a level that a meter showed holds for that moment alone."
        )
        return RecorderFinding("automatic_gain", "found", text, behind)
    if not gain.is_judged:
        text = "Automatic gain: not judged; it shows in pauses of 1.5 s and more, and there are not two."
        return RecorderFinding("automatic_gain", "not judged", text, behind)
    text = f"Automatic gain: in the {gain.pauses} pauses the background does not come up."
    return RecorderFinding("automatic_gain", "not found", text, behind)

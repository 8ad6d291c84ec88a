"""Automatic gain: in the pauses the background comes up, in every band of frequencies alike.

A recorder that turns its gain down for loud music turns it up again when the music rests, some decibels a
second. What is heard then is the same background, evenly louder and louder. Music that swells by itself
changes its colour; a room that rings on falls instead of rising.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from envlab.units import FloatArray

FRAME_S = 0.1
_BANDS_HZ = (400.0, 800.0, 1600.0, 3200.0)
# A pause lasts so many frames, begins so far under the two seconds before, and stays so far under the loud.
_PAUSE, _BEFORE = 15, 20
_DROP_DB, _UNDER_LOUD_DB = 6.0, 3.0
# Rise, dB a second; how far bands may differ, as a share of it and beyond; how far from a straight line, dB.
_RISE_DB_S, _APART_SHARE, _APART_DB_S, _BENT_DB = 1.2, 0.6, 0.6, 1.6
LEAST_PAUSES = 2


@dataclass(frozen=True)
class AutomaticGain:
    """rising: pauses in which the background rises. pauses: how many there are. rise_db_s: the usual rise."""

    rising: int
    pauses: int
    rise_db_s: float

    @property
    def is_judged(self) -> bool:
        """Whether there are pauses enough to tell."""
        return self.pauses >= LEAST_PAUSES

    @property
    def is_at_work(self) -> bool:
        """Whether the gain moves."""
        return self.rising >= LEAST_PAUSES


def band_levels_db(frames: FloatArray, sample_rate_hz: float) -> FloatArray:
    """Return the level of each band in each frame, dB re 1 of the signal's unit squared.

    frames: shape (frames, samples), at sample_rate_hz, Hz. Result: shape (bands, frames).
    """
    power = np.square(np.abs(np.fft.rfft(frames * np.hanning(frames.shape[1]), axis=1)))
    frequency_hz = np.fft.rfftfreq(frames.shape[1], 1.0 / sample_rate_hz)
    bands = [(frequency_hz >= low) & (frequency_hz < 2 * low) for low in _BANDS_HZ]
    return 10.0 * np.log10(np.stack([power[:, band].sum(axis=1) for band in bands]) + 1e-30)


def automatic_gain_of(level_db: FloatArray) -> AutomaticGain:
    """Return what the pauses say; level_db: of bands in frames of FRAME_S, shape (bands, frames), dB."""
    frames = level_db.shape[1]
    if frames < _PAUSE:
        return AutomaticGain(0, 0, 0.0)
    whole_db = 10.0 * np.log10(np.power(10.0, level_db / 10.0).sum(axis=0))
    loud_db = float(np.percentile(whole_db, 95)) - _UNDER_LOUD_DB

    def is_pause(at: int) -> bool:
        return _is_pause(whole_db, at, loud_db)

    def rise(at: int) -> float | None:
        return _even_rise_db_s(level_db[:, at : at + _PAUSE]) if is_pause(at) else None

    rises = [
        found for at in _apart(frames, lambda at: rise(at) is not None) if (found := rise(at)) is not None
    ]
    pauses = len(_apart(frames, is_pause))
    return AutomaticGain(len(rises), pauses, float(np.median(rises)) if rises else 0.0)


def _apart(frames: int, holds: Callable[[int], bool]) -> list[int]:
    """First frames of stretches of _PAUSE frames for which something holds, none within another."""
    found, at = [], 0
    while at + _PAUSE <= frames:
        if holds(at):
            found.append(at)
            at += _PAUSE
        else:
            at += 1
    return found


def _is_pause(whole_db: FloatArray, at: int, loud_db: float) -> bool:
    before_db = float(whole_db[max(0, at - _BEFORE) : at + 1].max())
    drops = before_db - float(whole_db[at : at + 3].mean()) >= _DROP_DB
    return drops and float(whole_db[at : at + _PAUSE].max()) < loud_db


def _even_rise_db_s(level_db: FloatArray) -> float | None:
    """The rise of all bands, dB a second, if they rise alike and evenly; else None."""
    time_s = FRAME_S * (np.arange(_PAUSE) - (_PAUSE - 1) / 2)
    rise = level_db @ time_s / np.sum(np.square(time_s))
    bent = level_db - level_db.mean(axis=1, keepdims=True) - rise[:, np.newaxis] * time_s
    usual = float(np.median(rise))
    alike = np.ptp(rise) <= _APART_SHARE * usual + _APART_DB_S
    straight = np.sqrt(np.mean(np.square(bent), axis=1)).max() <= _BENT_DB
    return usual if usual >= _RISE_DB_S and alike and straight else None

"""A sound file that is never held in memory as a whole: an evening of music at its level, piece by piece."""

from __future__ import annotations

import functools
import os
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from envlab.errors import FileError
from envlab.sound.decode import SoundFile, decoded, look_into
from envlab.sound.feed import stretch
from envlab.sound.identity import Stamp, changed, stamp_of
from envlab.sound.internal_rate import Bends
from envlab.sound.interpolate import INTERNAL_RATE_MIN_HZ, internal_rate_hz
from envlab.sound.level import extent_of
from envlab.sound.recording import Recording, read_recording
from envlab.sound.scaling import Loudness, Scale, check_level, loudness_of, scale_to
from envlab.units import FloatArray

# Clips up to this length are held: reading them again and again would cost more than their memory.
HELD_S = 60.0


@dataclass(frozen=True)
class SoundStream:
    """A file's pressure at the microphone, decoded anew each time that somebody asks for its pieces.

    Its pieces joined are read_recording's pressure_pa bit for bit. samples: of the whole, at
    sample_rate_hz. name, notes: as Recording's. Two are equal if they are
    of one file that was not touched in between, at one level. bends, internal_rate_min_hz: as Recording's.
    Made by open_sound.
    """

    file: SoundFile
    samples: int
    scale: Scale
    stamp: Stamp
    bends: Bends
    internal_rate_min_hz: float = INTERNAL_RATE_MIN_HZ

    @property
    def name(self) -> str:
        """Name of the file."""
        return self.file.path.name

    @property
    def notes(self) -> tuple[str, ...]:
        """What is done to it on the way."""
        return (*self.file.notes, *self.scale.said)

    @property
    def sample_rate_hz(self) -> float:
        """Samples a second, Hz."""
        return self.file.sample_rate_hz

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.samples / self.sample_rate_hz

    @property
    def largest_pa(self) -> float:
        """The largest magnitude of the pressure, Pa; the file is read for it once."""
        return _largest_pa(self)

    @property
    def within_pa(self) -> float:
        """What no sample's magnitude exceeds, Pa; known without reading the file."""
        return self.scale.most_pa

    @property
    def internal_rate_hz(self) -> float:
        """Rate at which the circuit is computed on it, Hz."""
        return internal_rate_hz(self.sample_rate_hz, self.internal_rate_min_hz)

    def pieces(self) -> Iterator[FloatArray]:
        """Yield the pressure from the first sample on, Pa; FileError if the file is another one by now."""
        self._check_same()
        for piece in decoded(self.file):
            yield self.scale.pascal(piece)
        self._check_same()

    def _check_same(self) -> None:
        if stamp_of(self.file.path) != self.stamp:
            raise changed(self.file.path)


Sound = Recording | SoundStream


def open_sound(
    path: str | os.PathLike[str],
    level_db_spl: float,
    *,
    weighting: str = "Z",
    held_s: float = HELD_S,
    progress: Callable[[float], None] | None = None,
) -> Sound:
    """Return a file at its level: a Recording if it is at most held_s long, else a SoundStream.

    Arguments, errors and warnings as read_recording. A long file is read through twice to find its level, and
    not again as long as it is the same file; progress: called with the share of that that is done, 0 to 1.
    """
    check_level(level_db_spl, weighting)
    stamp = stamp_of(Path(path))
    file = _looked_into(Path(path), stamp)
    # What an MP3 states is the least that it has; how much could come decides about memory.
    if max(file.stated_samples, file.most_samples) <= held_s * file.sample_rate_hz:
        return read_recording(path, level_db_spl, weighting=weighting)
    clip = _measurement(file, stamp, weighting).taken(progress)
    scale = scale_to(level_db_spl, clip, file.path.name)
    return SoundStream(file, clip.samples, scale, stamp, clip.bends)


def beginning(sound: Sound, longest_s: float) -> Recording:
    """Return the first longest_s seconds of a sound, above 0, as loud as they are within the whole.

    At least a sample. No more is held than is returned: the rest of a night stays on the disk.
    """
    samples = max(1, round(longest_s * sound.sample_rate_hz))
    if isinstance(sound, Recording):
        return replace(sound, pressure_pa=sound.pressure_pa[:samples])
    return Recording(
        stretch(sound.pieces(), 0, samples),
        sound.sample_rate_hz,
        sound.name,
        sound.notes,
        sound.internal_rate_min_hz,
    )


# Of a long file that is opened again and again, at this level and at that, is remembered what it took time to
# find out; a file that was touched since has another stamp.
_REMEMBERED = 256


@functools.lru_cache(_REMEMBERED)
def _looked_into(path: Path, stamp: Stamp) -> SoundFile:
    del stamp
    return look_into(path)


@functools.lru_cache(_REMEMBERED)
def _measurement(file: SoundFile, stamp: Stamp, weighting: str) -> _Measurement:
    del stamp
    return _Measurement(file, weighting)


@functools.lru_cache(_REMEMBERED)
def _largest_pa(sound: SoundStream) -> float:
    return max(float(np.abs(piece).max(initial=0.0)) for piece in sound.pieces())


class _Measurement:
    """How loud one file is, found out by who asks first, while others wait."""

    def __init__(self, file: SoundFile, weighting: str) -> None:
        self._file, self._weighting = file, weighting
        self._known: Loudness | None = None
        self._asked = threading.Lock()

    def taken(self, progress: Callable[[float], None] | None) -> Loudness:
        with self._asked:
            if self._known is None:
                self._known = loudness_of(
                    self._weighting,
                    lambda: decoded(self._file),
                    self._file.sample_rate_hz,
                    stated_samples=self._file.stated_samples,
                    progress=progress,
                )
            return self._known


def open_unscaled(path: str | os.PathLike[str]) -> SoundStream:
    """Return a file's own numbers less their mean, as if they were pascals, for those who look for its level.

    Two files of one recorder at the same settings keep their proportion. Errors as read_recording; FileError
    for a file without samples.
    """
    file = look_into(Path(path))
    stamp = stamp_of(file.path)
    extent = extent_of(decoded(file))
    if not extent.samples:
        raise FileError(f"{file.path}: no samples in the file")
    scale = Scale(1.0, 1.0, offset=extent.mean)
    sharpest_hz = file.sample_rate_hz / 2
    return SoundStream(file, extent.samples, scale, stamp, Bends(sharpest_hz, sharpest_hz))

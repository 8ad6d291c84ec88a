"""A sound file that is never held in memory as a whole: an evening of music at its level, piece by piece."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from envlab.errors import FileError
from envlab.sound.decode import SoundFile, decoded, look_into
from envlab.sound.identity import Stamp, changed, stamp_of
from envlab.sound.level import extent_of
from envlab.sound.recording import Recording, read_recording
from envlab.sound.scaling import Scale, check_level, scale_to
from envlab.units import FloatArray

# Clips up to this length are held: reading them again and again would cost more than their memory.
HELD_S = 60.0


@dataclass(frozen=True, eq=False)
class SoundStream:
    """A file's pressure at the microphone, decoded anew each time that somebody asks for its pieces.

    Its pieces joined are read_recording's pressure_pa bit for bit. samples: of the whole, at
    sample_rate_hz. name, notes: as Recording's. Made by open_sound.
    """

    file: SoundFile
    samples: int
    scale: Scale
    stamp: Stamp

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
) -> Sound:
    """Return a file at its level: a Recording if it is at most held_s long, else a SoundStream.

    Arguments, errors and warnings as read_recording; a long file is read through twice to find its level.
    """
    check_level(level_db_spl, weighting)
    file = look_into(Path(path))
    if file.stated_samples <= held_s * file.sample_rate_hz:
        return read_recording(path, level_db_spl, weighting=weighting)
    stamp = stamp_of(file.path)
    name, rate_hz = file.path.name, file.sample_rate_hz
    scale, samples = scale_to(level_db_spl, weighting, lambda: decoded(file), rate_hz, name)
    return SoundStream(file, samples, scale, stamp)


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
    return SoundStream(file, extent.samples, Scale(1.0, 1.0, offset=extent.mean), stamp)

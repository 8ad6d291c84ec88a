"""A recording, how loud it will be where the light is worn, and what it is for."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path

from envlab.errors import ParameterError, check_choice, check_range, one_line
from envlab.sound.level import leq_db_spl
from envlab.sound.recording import Recording, read_recording
from envlab.sound.stream import Sound, open_sound

TAGS = ("beat", "quiet", "walking", "room")


@dataclass(frozen=True)
class Clip:
    """A recording and how loud it is meant to be.

    Parameters
    ----------
    source : path or Recording
        A sound file, or a recording in memory. Either is scaled to level_db_spl.
    level_db_spl : float
        Leq over the whole clip at the microphone, 0 to 140 dB SPL.
    tags : tuple of str
        What the clip is for: "beat" (its beat must show), "quiet" (quiet music that must still light),
        "walking" (must not light), "room" (nobody plays).
    weighting : str
        Of the level: "Z" (not weighted) or "A" [IEC61672-1].

    Raises
    ------
    ParameterError
        For a level, a tag or a weighting that cannot be.

    Examples
    --------
    >>> from envlab import Clip, Recording
    >>> Clip("music/song.flac", 92.0, ("beat",)).label
    'song 92 dB'
    >>> import numpy as np
    >>> knock = Recording(np.sin(np.arange(4800) / 10), 48_000.0, name="knock")
    >>> Clip(knock, 80.0).label
    'knock 80 dB'
    """

    source: Path | Recording
    level_db_spl: float
    tags: tuple[str, ...] = ()
    weighting: str = "Z"

    def __post_init__(self) -> None:
        if isinstance(self.source, str | os.PathLike):
            object.__setattr__(self, "source", Path(self.source))
        elif not isinstance(self.source, Recording):
            raise ParameterError("source", self.source, "a sound file's path, or a Recording")
        check_range("level_db_spl", self.level_db_spl, 0, 140, unit="dB SPL")
        check_choice("weighting", self.weighting, ("Z", "A"))
        for tag in self.tags:
            check_choice("tags", tag, TAGS)

    @classmethod
    def as_it_is(cls, recording: Recording, tags: tuple[str, ...] = ()) -> Clip:
        """Return a recording in memory as a clip, at the level that it has (Leq over the whole, dB SPL)."""
        return cls(recording, leq_db_spl(recording.pressure_pa, recording.sample_rate_hz), tags)

    @property
    def path(self) -> Path | None:
        """The file, or None for a recording in memory."""
        return self.source if isinstance(self.source, Path) else None

    @property
    def file_name(self) -> str:
        """Name of the file with its ending, or of the recording in memory."""
        return self.source.name if isinstance(self.source, Path) else self.source.name or "recording"

    @property
    def stem(self) -> str:
        """The same without its ending."""
        return os.path.splitext(self.file_name)[0]  # noqa: PTH122 - no path: a name may hold anything

    @property
    def label(self) -> str:
        """As in "drum_line 92 dB", or "song 85 dB(A)" for an A-weighted level."""
        return f"{one_line(self.stem)} {self.level_db_spl:g} dB" + ("(A)" if self.weighting == "A" else "")

    def recording(self) -> Recording:
        """Return the recording at its level; errors and warnings as read_recording and Recording.at_level."""
        if isinstance(self.source, Recording):
            return self.source.at_level(self.level_db_spl, self.weighting)
        return read_recording(self.source, self.level_db_spl, weighting=self.weighting)

    def sound(self) -> Sound:
        """Return the same, but a file longer than a minute is streamed and never held."""
        if isinstance(self.source, Recording):
            return self.recording()
        return open_sound(self.source, self.level_db_spl, weighting=self.weighting)

    def digest(self) -> str:
        """Return what stands for the sound itself, hexadecimal (SHA-256): another sound has another one."""
        if isinstance(self.source, Recording):
            whole = hashlib.sha256(repr(self.source.sample_rate_hz).encode())
            whole.update(self.source.pressure_pa.tobytes())
            return whole.hexdigest()
        with self.source.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()

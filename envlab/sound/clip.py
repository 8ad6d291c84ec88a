"""A recording, how loud it will be where the light is worn, and what it is for."""

from __future__ import annotations

import functools
import hashlib
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from envlab.errors import ParameterError, check_choice, check_range, one_line
from envlab.sound.identity import FileIdentity, check_same, identity_of
from envlab.sound.level import WEIGHTINGS, leq_db_spl, leq_of
from envlab.sound.level_text import LARGEST_UNCERTAINTY_DB, level_text
from envlab.sound.recording import Recording, read_recording
from envlab.sound.stream import Sound, open_sound

TAGS = ("beat", "quiet", "walking", "room")


@dataclass(frozen=True)
class Clip:
    """A recording and how loud it is meant to be.

    A file must stay what it is: once a clip has been read, it refuses (FileError) to hand out another
    recording that came to lie in the file's place meanwhile.

    Parameters
    ----------
    source : path or Recording
        A sound file, or a recording in memory. Either is scaled to level_db_spl.
    level_db_spl : float
        Leq over the whole clip at the microphone, 0 to 140 dB SPL.
    tags : tuple of str
        What the clip is for: "beat" (its beat must show), "quiet" (quiet music that must still light),
        "walking" (no music: false light), "room" (nobody plays).
    weighting : str
        Of the level: "Z" (not weighted), "A", as most sound level meters read, or "C" [IEC61672-1].
    level_uncertainty_db : float
        How far the level may lie off, ± dB, expanded (k = 2: right 19 times in 20), 0 to 20; envlab level
        works it out. Many boards (envlab.tolerance) hear the clip so much louder or softer.

    Raises
    ------
    ParameterError
        For a level, a tag, a weighting or an uncertainty that cannot be.

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
    level_uncertainty_db: float = 0.0

    def __post_init__(self) -> None:
        if isinstance(self.source, str | os.PathLike):
            object.__setattr__(self, "source", Path(self.source))
        elif not isinstance(self.source, Recording):
            raise ParameterError("source", self.source, "a sound file's path, or a Recording")
        check_range("level_db_spl", self.level_db_spl, 0, 140, unit="dB SPL")
        check_choice("weighting", self.weighting, WEIGHTINGS)
        check_range("level_uncertainty_db", self.level_uncertainty_db, 0, LARGEST_UNCERTAINTY_DB, unit="dB")
        for tag in self.tags:
            check_choice("tags", tag, TAGS)

    @classmethod
    def as_it_is(cls, recording: Recording, tags: tuple[str, ...] = ()) -> Clip:
        """Return a recording in memory as a clip, at the level that it has (Leq over the whole, dB SPL).

        Less its constant offset, if it has any.
        """
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
        """As in "drum_line 92 dB", or "song 85 dB(A)" for a weighted level."""
        return f"{one_line(self.stem)} {level_text(self.level_db_spl, self.weighting)}"

    @functools.cached_property
    def unweighted_db_spl(self) -> float:
        """Level in dB SPL when nothing is weighted; a clip with a weighted level is read for it."""
        if self.weighting == "Z":
            return self.level_db_spl
        return leq_of(self.sound(), "Z")

    def recording(self) -> Recording:
        """Return the recording at its level; errors and warnings as read_recording and Recording.at_level."""
        if isinstance(self.source, Recording):
            return self.source.at_level(self.level_db_spl, self.weighting)
        first = self._identity
        recording = read_recording(self.source, self.level_db_spl, weighting=self.weighting)
        check_same(self.source, first)
        return recording

    def sound(self, progress: Callable[[float], None] | None = None) -> Sound:
        """Return the same, but a file longer than a minute is streamed and never held.

        progress: called with the share that is done, 0 to 1, where a long file's level has yet to be found.
        """
        if isinstance(self.source, Recording):
            return self.recording()
        first = self._identity
        sound = open_sound(self.source, self.level_db_spl, weighting=self.weighting, progress=progress)
        check_same(self.source, first)
        return sound

    @functools.cached_property
    def _identity(self) -> FileIdentity:
        """What the file holds when the clip is first asked for it."""
        assert isinstance(self.source, Path)
        return identity_of(self.source)

    def digest(self) -> str:
        """Return what stands for the sound itself, hexadecimal (SHA-256): another sound has another one."""
        if isinstance(self.source, Recording):
            whole = hashlib.sha256(repr(self.source.sample_rate_hz).encode())
            whole.update(self.source.pressure_pa.tobytes())
            return whole.hexdigest()
        check_same(self.source, self._identity)
        return self._identity.sha256

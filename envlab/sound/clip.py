"""A recording, how loud it will be where the light is worn, and what it is for."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from envlab.errors import check_choice, check_range
from envlab.sound.recording import Recording, read_recording
from envlab.sound.stream import Sound, open_sound

TAGS = ("beat", "quiet", "walking", "room")


@dataclass(frozen=True)
class Clip:
    """A recording and how loud it is meant to be.

    level_db_spl: Leq over the clip, 0 to 140, weighted "Z" (not at all) or "A".
    tags: "beat" (its beat must show), "quiet" (quiet music that must still light), "walking" (must not
    light), "room" (nobody plays).
    """

    path: Path
    level_db_spl: float
    tags: tuple[str, ...] = ()
    weighting: str = "Z"

    def __post_init__(self) -> None:
        object.__setattr__(self, "path", Path(self.path))
        check_range("level_db_spl", self.level_db_spl, 0, 140, unit="dB SPL")
        check_choice("weighting", self.weighting, ("Z", "A"))
        for tag in self.tags:
            check_choice("tags", tag, TAGS)

    @property
    def label(self) -> str:
        """As in "drum_line 92 dB", or "song 85 dB(A)" for an A-weighted level."""
        return f"{self.path.stem} {self.level_db_spl:g} dB" + ("(A)" if self.weighting == "A" else "")

    def recording(self) -> Recording:
        """Read the file at its level; errors as read_recording."""
        return read_recording(self.path, self.level_db_spl, weighting=self.weighting)

    def sound(self) -> Sound:
        """The same, but a clip longer than a minute is streamed from its file and never held."""
        return open_sound(self.path, self.level_db_spl, weighting=self.weighting)

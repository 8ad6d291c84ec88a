"""The recordings to listen to, each at its own level or at another; and those that the page sends."""

from __future__ import annotations

import tempfile
import warnings
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath, PureWindowsPath

from envlab.errors import EnvlabWarning, FileError, ParameterError, check_range
from envlab.sound.clip import Clip
from envlab.sound.level import leq_db_spl
from envlab.sound.recording import Recording
from envlab.sound.stream import Sound, beginning, open_sound
from envlab.study.listening.listening import LONGEST_S
from envlab.units import from_db

# The notebook's server takes messages of 10 MiB; a bigger one ends the connection.
UPLOAD_MOST_BYTES = 9_500_000
UPLOAD_LEAST_DB_SPL, UPLOAD_MOST_DB_SPL = 30.0, 130.0
UPLOAD_FORMATS = ("WAV", "FLAC", "OGG", "MP3")
# Plain examples; common practice, no source.
LEVEL_EXAMPLES = (
    ("a quiet room at night", 38.0),
    ("talking, a step away", 62.0),
    ("a rehearsal, soft music", 72.0),
    ("a drum line in the street", 92.0),
    ("the whole troupe in a square", 104.0),
)
_SILENT_DB_SPL = 40.0


@dataclass(frozen=True, eq=False)
class AuditionClip:
    """label: what the page calls it. recording: at its own level, at most LONGEST_S long. level_db_spl: its
    Leq, unweighted. notes: what was done to it, sentences."""

    label: str
    recording: Recording
    level_db_spl: float
    notes: tuple[str, ...] = ()

    def at_level(self, level_db_spl: float) -> Recording:
        """Return the recording at another level; at its own it is the very recording."""
        if level_db_spl == self.level_db_spl:
            return self.recording
        louder = from_db(level_db_spl - self.level_db_spl)
        return replace(self.recording, pressure_pa=self.recording.pressure_pa * louder)


def clip_of(source: Sound | Clip, label: str | None = None) -> AuditionClip:
    """Return a recording, or a clip of a specification, as one to listen to; what is too long is cut.

    And said so.
    """
    whole = source.sound() if isinstance(source, Clip) else source
    name = label or (source.label if isinstance(source, Clip) else whole.name) or "recording"
    notes: tuple[str, ...] = ()
    if whole.duration_s > LONGEST_S:
        notes = (
            f"{name} lasts {whole.duration_s:.0f} s; its first {LONGEST_S:g} s are used, as loud as "
            "they are within the whole.",
        )
    recording = beginning(whole, LONGEST_S)
    level = leq_db_spl(recording.pressure_pa, recording.sample_rate_hz)
    silent = not level > -40
    return AuditionClip(name, recording, _SILENT_DB_SPL if silent else round(level, 2), notes)


_WANTED = "a Recording (envlab.read_recording reads one), a Clip, or several of them"


def clips_of(recordings: Recording | Clip | Iterable[Recording | Clip]) -> list[AuditionClip]:
    """Return one clip or many, with labels that differ. ParameterError for none, or anything else."""
    # A path would fall apart into letters: it is named whole.
    if isinstance(recordings, str | Path) or not isinstance(recordings, Recording | Clip | Iterable):
        raise ParameterError("recordings", str(recordings), _WANTED)
    sources = [recordings] if isinstance(recordings, Recording | Clip) else list(recordings)
    if not sources:
        raise ParameterError("recordings", 0, "at least one recording")
    for source in sources:
        if not isinstance(source, Recording | Clip):
            raise ParameterError("recordings", source, _WANTED)
    clips: list[AuditionClip] = []
    for source in sources:
        clip = clip_of(source)
        clips.append(replace(clip, label=free_label(clip.label, clips)))
    return clips


def free_label(label: str, clips: Sequence[AuditionClip]) -> str:
    """Return the label, with a number behind it if another clip has it."""
    taken = {clip.label for clip in clips}
    number, free = 1, label
    while free in taken:
        number += 1
        free = f"{label} ({number})"
    return free


def uploaded_clip(name: object, level_db_spl: object, content: bytes) -> AuditionClip:
    """Return the clip of a file that the page has sent, at a level of 30 to 130 dB SPL over the whole file.

    Raises FileError or ParameterError, one line, for what is no such file or no such level.
    """
    file_name = _bare_name(name)
    if isinstance(level_db_spl, bool) or not isinstance(level_db_spl, int | float):
        raise ParameterError("level_db_spl", level_db_spl, "a number in dB SPL")
    check_range("level_db_spl", level_db_spl, UPLOAD_LEAST_DB_SPL, UPLOAD_MOST_DB_SPL, unit="dB SPL")
    if len(content) > UPLOAD_MOST_BYTES:
        raise FileError(
            f"{file_name}: {len(content) / 1e6:.1f} MB; it must be at most {UPLOAD_MOST_BYTES / 1e6:g} MB, "
            "so save it as FLAC or OGG"
        )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / file_name
        path.write_bytes(content)
        with warnings.catch_warnings(record=True) as told:
            warnings.simplefilter("always", EnvlabWarning)
            try:
                sound = open_sound(path, float(level_db_spl))
                clip = clip_of(sound, f"{Path(file_name).stem} {level_db_spl:g} dB")
            except FileError as problem:
                raise FileError(str(problem).replace(str(path), file_name)) from None
    notes = tuple(str(warning.message) for warning in told)
    # That it is silent was told as a warning, in more words.
    done = tuple(note for note in sound.notes if note != "silent")
    return replace(clip, notes=tuple(f"{note.rstrip('.')}." for note in (*notes, *done, *clip.notes)))


def _bare_name(name: object) -> str:
    """A file name without any folder, whatever system the page runs on."""
    if not isinstance(name, str):
        raise ParameterError("name", name, "a file's name")
    bare = PurePosixPath(PureWindowsPath(name).name).name.replace("\0", "")[-120:]
    return bare or "recording"

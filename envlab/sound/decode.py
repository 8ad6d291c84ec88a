"""From a sound file to numbers, a piece at a time; what can be wrong with the file is said here."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from envlab.errors import FileError
from envlab.sound.complete import CONTAINERS, container_of, missing_bytes
from envlab.sound.interpolate import SAMPLE_RATE_MAX_HZ, SAMPLE_RATE_MIN_HZ
from envlab.sound.mpeg import damaged_frame, mp3_length
from envlab.units import FloatArray

PIECE = 1 << 16
# Values decoded at once, over all channels: a thousand channels take no more memory than four.
_VALUES_AT_ONCE = 1 << 18
# From more numbers than this on numpy does not add one after the other.
_ADDED_IN_TURN = 7
# An Ogg's last page may count samples that no decoder gives out, as where it was cut from a longer stream.
# The largest block of the format has so many ([Vorbis1], section 4.2.2); a missing page is found otherwise.
_OGG_MAY_LACK = 8192
# What libsndfile says of a length that the file leaves open.
_OPEN_LENGTH = (1 << 63) - 1


@dataclass(frozen=True)
class SoundFile:
    """What a file says of itself.

    stated_samples: how many it should have, or, of MP3 and OGG, at least. most_samples: as many at most the
    decoder gives out.
    """

    path: Path
    sample_rate_hz: float
    channels: int
    stated_samples: int
    most_samples: int

    @property
    def notes(self) -> tuple[str, ...]:
        """What is done to it on the way."""
        return (f"{self.channels} channels mixed to their mean",) if self.channels > 1 else ()


def look_into(path: Path) -> SoundFile:
    """Return what a file says of itself; FileError, one line, for what cannot be read as sound."""
    import soundfile

    _check_whole(path)
    try:
        with _opened(path) as sound:
            rate_hz, channels, most = float(sound.samplerate), int(sound.channels), int(sound.frames)
            container = str(sound.format)
    except (soundfile.LibsndfileError, RuntimeError) as error:
        raise _undecodable(path, error) from error
    if not SAMPLE_RATE_MIN_HZ <= rate_hz <= SAMPLE_RATE_MAX_HZ:
        raise FileError(
            f"{path}: sample rate is {rate_hz:g} Hz; it must be "
            f"from {SAMPLE_RATE_MIN_HZ:g} to {SAMPLE_RATE_MAX_HZ:g} Hz"
        )
    stated = most
    if container == "MP3":
        # The decoder takes away what the encoder put before and after: never more than three frames. Behind
        # a break it may need as many to find its way again.
        length = mp3_length(path)
        stated = length.samples - 3 * 1152 * (1 + length.breaks)
    if container == "OGG":
        stated -= _OGG_MAY_LACK
    file = SoundFile(path, rate_hz, channels, stated, most)
    if stated == _OPEN_LENGTH:
        # A FLAC that was written to a pipe ([RFC9639], section 8.2: total samples 0); only decoding tells.
        file = replace(file, stated_samples=0)
        counted = sum(piece.size for piece in decoded(file))
        file = replace(file, stated_samples=counted, most_samples=counted)
    return file


def _opened(path: Path) -> Any:
    """The file, to be read from front to back: seeking fails where the length is open, and is not needed."""
    import soundfile

    class FrontToBack(soundfile.SoundFile):  # type: ignore[misc]
        def seekable(self) -> bool:
            return False

    return FrontToBack(path)


def decoded(file: SoundFile) -> Iterator[FloatArray]:
    """Yield the mean of the channels, in pieces of PIECE samples or fewer, from the first sample on.

    Pieces are shorter where there are many channels.

    Raises FileError, one line, for NaN and Inf, and where the file ends too early.
    """
    import soundfile

    done, at_once = 0, max(1, min(PIECE, _VALUES_AT_ONCE // file.channels))
    try:
        with _opened(file.path) as sound:
            while (frames := sound.read(at_once, dtype="float64", always_2d=True)).size:
                # Infinities are reported below, by sample number.
                with np.errstate(invalid="ignore", over="ignore"):
                    piece = _mixed(frames)
                if not np.isfinite(piece).all():
                    bad = int(np.flatnonzero(~np.isfinite(piece))[0])
                    raise FileError(
                        f"{file.path}: sample {done + bad} is {piece[bad]}; every sample must be a finite "
                        "number"
                    )
                done += piece.size
                yield piece
    except (soundfile.LibsndfileError, RuntimeError) as error:
        raise _undecodable(file.path, error) from error
    if done < file.stated_samples:
        raise FileError(
            f"{file.path}: only {done} of {file.stated_samples} samples can be decoded; save it as WAV or "
            "FLAC"
        )


def _mixed(frames: FloatArray) -> FloatArray:
    """Return the mean of the channels, frames (n, channels), to the last digit as numpy has it.

    Of few channels numpy adds one after the other, too, but fifteen times as slowly.
    """
    channels = frames.shape[1]
    if channels > _ADDED_IN_TURN:
        return np.asarray(frames.mean(axis=1))
    total: FloatArray = frames[:, 0].copy()
    for channel in range(1, channels):
        total += frames[:, channel]
    mean: FloatArray = total / channels
    return mean


def _undecodable(path: Path, error: Exception) -> FileError:
    reason = str(getattr(error, "error_string", error)).strip().rstrip(".")
    return FileError(f"{path}: cannot be decoded, cut off or damaged ({reason})")


def _check_whole(file: Path) -> None:
    """Refuse what can be told from the bytes alone, before a decoder prints its own remarks about it."""
    try:
        if not file.exists():
            raise FileError(f"{file}: no such file")
        if not file.is_file():
            raise FileError(f"{file}: not a file")
        if file.stat().st_size == 0:
            raise FileError(f"{file}: the file is empty (0 bytes)")
        container = container_of(file)
        if not container:
            raise FileError(f"{file}: not a sound file of a known format; it must be {CONTAINERS}")
        missing = missing_bytes(file, container)
        damaged = damaged_frame(file) if container == "MP3" and not missing else 0
    except OSError as error:
        raise FileError(f"{file}: cannot be read ({error.strerror})") from error
    if missing:
        raise FileError(f"{file}: the {container} file is cut off; bytes missing: {missing} or more")
    if damaged:
        claim = f"frame {damaged} of the MP3 claims more than a frame can hold"
        raise FileError(f"{file}: cannot be decoded, cut off or damaged ({claim})")

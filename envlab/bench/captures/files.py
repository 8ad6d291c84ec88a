"""Files that hold a capture: tables, logs of counts, frames of the logger, WAV."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from envlab.bench.captures.capture import Capture
from envlab.bench.captures.count_log import capture_of_stream
from envlab.bench.captures.log_frames import has_frames
from envlab.bench.captures.table_file import read_table
from envlab.errors import FileError, check_positive
from envlab.files.whole import read_whole
from envlab.units import FloatArray

_SOUND = (".wav", ".flac")
_VALUES_AT_ONCE = 1 << 18
_CLIPPED, _FEW_CLIPPED = 0.999, 8


def read_capture(
    path: str | Path,
    *,
    default_rate_hz: float,
    column: str | None = None,
    rate_hz: float | None = None,
    full_scale_v: float | None = None,
) -> Capture:
    """Return the capture that a file holds, whatever it is.

    Parameters
    ----------
    path : path
        WAV or FLAC of the detector's voltage; frames of the logger; anything else is a table of numbers.
    default_rate_hz : float
        Of a log of plain counts without times, Hz: the design's converter's.
    column, rate_hz
        As read_table.
    full_scale_v : float or None
        Of a WAV: volts at full scale.

    Returns
    -------
    Capture

    Raises
    ------
    FileError
        One line, for a file that cannot be read, or is none of these.
    """
    file = Path(path)
    content = read_whole(file)
    if not content.strip():
        raise FileError(f"{file}: is empty")
    if file.suffix.lower() in _SOUND or content[:4] == b"RIFF":
        return _sound(file, full_scale_v)
    if has_frames(content):
        return capture_of_stream(content, rate_hz=rate_hz or default_rate_hz, name=file.name)
    alone = all(len(line.split()) == 1 for line in content.splitlines()[1:50] if line.strip())
    if alone and b"," not in content[:4096] and b";" not in content[:4096]:
        return capture_of_stream(content, rate_hz=rate_hz or default_rate_hz, name=file.name)
    return read_table(file, column=column, rate_hz=rate_hz)


def _sound(file: Path, full_scale_v: float | None) -> Capture:
    import soundfile

    if full_scale_v is None:
        raise FileError(f"{file}: a WAV holds no volts; say what full scale is, as in --full-scale 3.3")
    check_positive("full_scale_v", full_scale_v, unit="V")
    try:
        with soundfile.SoundFile(file) as sound:
            rate_hz, channels, stated = sound.samplerate, sound.channels, sound.frames
            first = _first_channel(sound)
    except (soundfile.LibsndfileError, RuntimeError) as error:
        raise FileError(f"{file}: cannot be read as sound: {error}") from None
    if first.size < stated:
        raise FileError(f"{file}: only {first.size} of {stated} samples can be decoded; it is cut off")
    clipped = int(np.count_nonzero(np.abs(first) >= _CLIPPED))
    if clipped >= _FEW_CLIPPED:
        raise FileError(
            f"{file}: is clipped at {clipped} samples; turn the recording's level down and capture again"
        )
    notes = ("the first channel is taken",) if channels > 1 else ()
    times_s = np.arange(first.size) / rate_hz
    return Capture("detector_v", times_s, first * full_scale_v, file.name, notes=notes)


def _first_channel(sound: Any) -> FloatArray:
    """A piece at a time: the header may claim more samples than there is memory for."""
    pieces = [np.empty(0)]
    at_once = max(1, _VALUES_AT_ONCE // sound.channels)
    while (frames := sound.read(at_once, dtype="float64", always_2d=True)).size:
        pieces.append(frames[:, 0].copy())
    return np.concatenate(pieces)

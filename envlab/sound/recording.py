"""A recording in pascal, and the way to it from a sound file."""

from __future__ import annotations

import functools
import os
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from envlab.errors import EnvlabWarning, ParameterError, check_range
from envlab.sound.decode import PIECE, decoded, look_into
from envlab.sound.internal_rate import Bends, bends_of
from envlab.sound.interpolate import (
    INTERNAL_RATE_MIN_HZ,
    SAMPLE_RATE_MAX_HZ,
    SAMPLE_RATE_MIN_HZ,
    internal_rate_hz,
)
from envlab.sound.scaling import check_level, loudness_of, scale_to
from envlab.units import FloatArray

_EMPTY_CLIP_S = 0.1


@dataclass(frozen=True, eq=False, repr=False)
class Recording:
    """Sound pressure over time at the microphone.

    Parameters
    ----------
    pressure_pa : array of float
        Shape (n,), Pa, finite, n at least 1.
    sample_rate_hz : float
        8 kHz to 192 kHz.
    name : str
        Where it came from.
    notes : tuple of str
        What was done to it on the way (channels mixed, silence).
    internal_rate_min_hz : float
        Least rate at which the circuit is computed on it, 44.1 kHz to 1.6 MHz.

    Raises
    ------
    ParameterError
        For another shape, a value that is not finite, another rate.

    Examples
    --------
    >>> import numpy as np
    >>> from envlab import Recording
    >>> Recording(np.zeros(8000), 8000.0, name="nothing")
    <Recording 'nothing': 1 s at 8 kHz>
    """

    pressure_pa: FloatArray
    sample_rate_hz: float
    name: str = ""
    notes: tuple[str, ...] = ()
    internal_rate_min_hz: float = INTERNAL_RATE_MIN_HZ

    def __post_init__(self) -> None:
        pressure = np.asarray(self.pressure_pa, dtype=np.float64)
        if pressure.ndim != 1 or pressure.size == 0:
            raise ParameterError("pressure_pa", pressure.shape, "one-dimensional with at least one sample")
        if not np.all(np.isfinite(pressure)):
            at = int(np.flatnonzero(~np.isfinite(pressure))[0])
            raise ParameterError(f"pressure_pa[{at}]", float(pressure[at]), "a finite number")
        check_range("sample_rate_hz", self.sample_rate_hz, SAMPLE_RATE_MIN_HZ, SAMPLE_RATE_MAX_HZ, unit="Hz")
        check_range("internal_rate_min_hz", self.internal_rate_min_hz, 44_100, 1.6e6, unit="Hz")
        object.__setattr__(self, "pressure_pa", pressure)
        object.__setattr__(self, "sample_rate_hz", float(self.sample_rate_hz))

    def __repr__(self) -> str:
        rate = f"{self.duration_s:g} s at {self.sample_rate_hz / 1e3:g} kHz"
        return f"<Recording {self.name!r}: {rate}>" if self.name else f"<Recording: {rate}>"

    @property
    def time_s(self) -> FloatArray:
        """When the samples stand, s: n/sample_rate_hz."""
        return np.arange(self.samples) / self.sample_rate_hz

    @property
    def samples(self) -> int:
        """How many samples it has."""
        return self.pressure_pa.size

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.samples / self.sample_rate_hz

    @property
    def largest_pa(self) -> float:
        """The largest magnitude of the pressure, Pa."""
        return float(np.abs(self.pressure_pa).max())

    @property
    def within_pa(self) -> float:
        """What no sample's magnitude exceeds, Pa."""
        return self.largest_pa

    @functools.cached_property
    def bends(self) -> Bends:
        """Which tones of its peak bend as sharply as it does at most, Hz (envlab.sound.internal_rate)."""
        return bends_of(self.pieces(), self.sample_rate_hz)

    @property
    def internal_rate_hz(self) -> float:
        """Rate at which the circuit is computed on it, Hz."""
        return internal_rate_hz(self.sample_rate_hz, self.internal_rate_min_hz)

    def pieces(self) -> Iterator[FloatArray]:
        """Yield pressure_pa from its first sample on, in pieces, Pa."""
        for start in range(0, self.samples, PIECE):
            yield self.pressure_pa[start : start + PIECE]

    def at_level(self, level_db_spl: float, weighting: str = "Z") -> Recording:
        """The same recording scaled so that its equivalent level over the whole clip is level_db_spl.

        weighting: "Z" (not weighted), "A" or "C" [IEC61672-1]. A constant offset is taken out, and does not
        count. A recording in which nothing sounds cannot be scaled: it comes back as zeros, with an
        EnvlabWarning.
        """
        check_level(level_db_spl, weighting)
        name = self.name or "recording"
        scale = scale_to(level_db_spl, loudness_of(weighting, self.pieces, self.sample_rate_hz), name)
        notes = (*self.notes, *scale.said)
        return replace(self, pressure_pa=scale.pascal(self.pressure_pa), notes=notes)


def read_recording(path: str | os.PathLike[str], level_db_spl: float, *, weighting: str = "Z") -> Recording:
    """Read a WAV, FLAC, OGG or MP3 file, and say how loud it is.

    Parameters
    ----------
    path : path
        The sound file, at 8 to 192 kHz. Channels are mixed to their mean, and the notes say so.
    level_db_spl : float
        Equivalent level of the whole clip as it sounds at the microphone, -40 to 191 dB SPL. It has no
        default: a file holds no pascals.
    weighting : str
        Of the level: "Z" (not weighted), "A", as most sound level meters read, or "C" [IEC61672-1].

    Returns
    -------
    Recording
        A constant offset of the file is taken out. A clip without samples is read as 0.1 s of silence, with
        an EnvlabWarning; one without sound as silence, with the same.

    Raises
    ------
    FileError
        One line, for a file that is missing, a folder, empty, cut off, not one of these formats, outside
        these rates, or that holds NaN or Inf.
    ParameterError
        For a level or a weighting that cannot be.

    References
    ----------
    [IEC61672-1] Sound level meters: weightings, equivalent level.

    Examples
    --------
    >>> from envlab import read_recording
    >>> from envlab.shipped import shipped_folder
    >>> read_recording(shipped_folder("audio_samples") / "walking.flac", 78.0)
    <Recording 'walking.flac': 13.6 s at 48 kHz>
    """
    check_level(level_db_spl, weighting)
    file = look_into(Path(path))
    parts = list(decoded(file))
    name, rate_hz = file.path.name, file.sample_rate_hz
    if not parts:
        text = f"{name}: no samples in the clip; it is read as {_EMPTY_CLIP_S:g} s of silence"
        warnings.warn(text, EnvlabWarning, stacklevel=2)
        return Recording(np.zeros(round(_EMPTY_CLIP_S * rate_hz)), rate_hz, name, (*file.notes, "no samples"))
    return Recording(np.concatenate(parts), rate_hz, name, file.notes).at_level(level_db_spl, weighting)

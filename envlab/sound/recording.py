"""A recording in pascal, and the way to it from a sound file."""

from __future__ import annotations

import os
import warnings
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from envlab.errors import EnvlabWarning, FileError, ParameterError, check_choice, check_range
from envlab.sound.complete import CONTAINERS, container_of, missing_bytes
from envlab.sound.interpolate import SAMPLE_RATE_MAX_HZ, SAMPLE_RATE_MIN_HZ
from envlab.sound.level import WEIGHTINGS, leq_db_spl
from envlab.sound.mpeg import mp3_length
from envlab.units import FloatArray, from_db

# A sine of 191 dB SPL swings down to vacuum at sea level; nothing in air is louder and still a sound.
LEVEL_MIN_DB_SPL = -40.0
LEVEL_MAX_DB_SPL = 191.0
# A constant offset that shifts the stated level by more than this is worth a word.
_OFFSET_WARNING_DB = 0.5
_EMPTY_CLIP_S = 0.1
_READ_FRAMES = 1 << 16


@dataclass(frozen=True, eq=False)
class Recording:
    """Sound pressure over time at the microphone.

    pressure_pa: shape (n,), Pa, finite, n ≥ 1. sample_rate_hz: 8 kHz to 192 kHz. name says where it came
    from; notes say what was done to it on the way (channels mixed, silence). Raises ParameterError.
    """

    pressure_pa: FloatArray
    sample_rate_hz: float
    name: str = ""
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        pressure = np.asarray(self.pressure_pa, dtype=np.float64)
        if pressure.ndim != 1 or pressure.size == 0:
            raise ParameterError("pressure_pa", pressure.shape, "one-dimensional with at least one sample")
        if not np.all(np.isfinite(pressure)):
            at = int(np.flatnonzero(~np.isfinite(pressure))[0])
            raise ParameterError(f"pressure_pa[{at}]", float(pressure[at]), "a finite number")
        check_range("sample_rate_hz", self.sample_rate_hz, SAMPLE_RATE_MIN_HZ, SAMPLE_RATE_MAX_HZ, unit="Hz")
        object.__setattr__(self, "pressure_pa", pressure)
        object.__setattr__(self, "sample_rate_hz", float(self.sample_rate_hz))

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.pressure_pa.size / self.sample_rate_hz

    def at_level(self, level_db_spl: float, weighting: str = "Z") -> Recording:
        """The same recording scaled so that its equivalent level over the whole clip is level_db_spl.

        weighting "Z" (unweighted) or "A" (IEC 61672-1:2013). A recording in which nothing sounds cannot be
        scaled: it comes back as zeros, with an EnvlabWarning.
        """
        check_range("level_db_spl", level_db_spl, LEVEL_MIN_DB_SPL, LEVEL_MAX_DB_SPL, unit="dB SPL")
        check_choice("weighting", weighting, WEIGHTINGS)
        pressure = self.pressure_pa
        low, high = float(pressure.min()), float(pressure.max())
        if low == high:
            return self._silent("no sample differs from the others")
        # Squares of very large or very small numbers leave the range of a float; those of a peak of 1 do not.
        unit_peak = pressure / max(abs(low), abs(high))
        level = leq_db_spl(unit_peak, self.sample_rate_hz, weighting)
        if not np.isfinite(level):
            return self._silent("nothing is left after weighting")
        offset_share = float(np.mean(unit_peak)) ** 2 / float(np.mean(np.square(unit_peak)))
        if weighting == "Z" and offset_share > 1.0 - from_db(-_OFFSET_WARNING_DB) ** 2:
            _warn(
                f"{self.name or 'recording'}: a constant offset is {100 * offset_share:.0f} % of the clip's "
                "power and counts in its level; remove it, or state an A-weighted level"
            )
        return replace(self, pressure_pa=unit_peak * from_db(level_db_spl - level))

    def _silent(self, why: str) -> Recording:
        _warn(f"{self.name or 'recording'}: silent clip ({why}); it stays silent at any level")
        return replace(self, pressure_pa=np.zeros_like(self.pressure_pa), notes=(*self.notes, "silent"))


def read_recording(
    path: str | os.PathLike[str], level_db_spl: float = 94.0, *, weighting: str = "Z"
) -> Recording:
    """Read a WAV, FLAC, OGG or MP3 file and scale it to a level in dB SPL.

    A file holds no pascals: level_db_spl (−40 to 191) is the equivalent level of the whole clip as it sounds
    at the microphone, unweighted ("Z") or A-weighted ("A"). Rates from 8 to 192 kHz. Channels are mixed to
    their mean, and the notes say so.

    Raises FileError, one line, for a file that is missing, a folder, empty, cut off, not one of these
    formats, outside these rates, or that holds NaN or Inf. A clip without samples or without sound gives an
    EnvlabWarning and silence (0.1 s of it for a clip without samples).
    """
    check_range("level_db_spl", level_db_spl, LEVEL_MIN_DB_SPL, LEVEL_MAX_DB_SPL, unit="dB SPL")
    check_choice("weighting", weighting, WEIGHTINGS)
    file = Path(path)
    _check_whole(file)
    samples, rate_hz, channels = _decode(file)
    notes = (f"{channels} channels mixed to their mean",) if channels > 1 else ()
    bad = np.flatnonzero(~np.isfinite(samples))
    if bad.size:
        raise FileError(f"{file}: sample {bad[0]} is {samples[bad[0]]}; every sample must be a finite number")
    if samples.size == 0:
        _warn(f"{file.name}: no samples in the clip; it is read as {_EMPTY_CLIP_S:g} s of silence")
        return Recording(np.zeros(round(_EMPTY_CLIP_S * rate_hz)), rate_hz, file.name, (*notes, "no samples"))
    return Recording(samples, rate_hz, file.name, notes).at_level(level_db_spl, weighting)


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
    except OSError as error:
        raise FileError(f"{file}: cannot be read ({error.strerror})") from error
    if missing:
        raise FileError(f"{file}: the {container} file is cut off; bytes missing: {missing} or more")


def _decode(file: Path) -> tuple[FloatArray, float, int]:
    """Return the mean of the channels (n,), the rate in Hz and the number of channels."""
    import soundfile

    parts: list[FloatArray] = []
    try:
        with soundfile.SoundFile(file) as sound:
            rate_hz, channels, stated = float(sound.samplerate), int(sound.channels), int(sound.frames)
            if not SAMPLE_RATE_MIN_HZ <= rate_hz <= SAMPLE_RATE_MAX_HZ:
                raise FileError(
                    f"{file}: sample rate is {rate_hz:g} Hz; it must be "
                    f"from {SAMPLE_RATE_MIN_HZ:g} to {SAMPLE_RATE_MAX_HZ:g} Hz"
                )
            container = str(sound.format)
            while (frames := sound.read(_READ_FRAMES, dtype="float64", always_2d=True)).size:
                # Infinities are reported below, by sample number.
                with np.errstate(invalid="ignore", over="ignore"):
                    parts.append(frames.mean(axis=1))
    except (soundfile.LibsndfileError, RuntimeError) as error:
        reason = str(getattr(error, "error_string", error)).strip().rstrip(".")
        raise FileError(f"{file}: cannot be decoded, cut off or damaged ({reason})") from error
    samples = np.concatenate(parts) if parts else np.zeros(0)
    if container == "MP3":
        # The decoder takes away what the encoder put before and after: never more than three frames.
        stated = mp3_length(file).samples - 3 * 1152
    if samples.size < stated:
        raise FileError(
            f"{file}: only {samples.size} of {stated} samples can be decoded; save it as WAV or FLAC"
        )
    return samples, rate_hz, channels


def _warn(text: str) -> None:
    warnings.warn(text, EnvlabWarning, stacklevel=4)

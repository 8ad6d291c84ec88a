"""What goes to the page as bytes: a header that says what it is, then the numbers.

Framing, the same for sound, light and traces: four bytes, little-endian, with the length of the header; the
header, JSON in UTF-8, filled up with spaces so that the numbers begin on a multiple of four bytes; then they.
"""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from envlab.errors import ParameterError
from envlab.light.lightness import check_unit_interval
from envlab.units import FloatArray

# More than any segment of a connection, also within one machine.
LEAST_BYTES = 70_000
FULL_LIGHT = 65_535
_ALIGNMENT = 4


def framed(header: Mapping[str, Any], body: bytes, *, least: int = 0) -> bytes:
    """Return header and body as one row of bytes, with zeros behind it up to at least so many bytes."""
    text = json.dumps(dict(header), ensure_ascii=False, allow_nan=False).encode()
    text += b" " * (-(4 + len(text)) % _ALIGNMENT)
    whole = len(text).to_bytes(4, "little") + text + body
    return whole + bytes(max(0, least - len(whole)))


def unframed(payload: bytes) -> tuple[dict[str, Any], bytes]:
    """Return (header, body with what may stand behind it); the way back, for tests and for other readers.

    Raises ParameterError where the bytes do not hold a header.
    """
    length = int.from_bytes(payload[:4], "little")
    if len(payload) < 4 or len(payload) < 4 + length:
        raise ParameterError("payload", len(payload), "at least as long as its header")
    header = json.loads(payload[4 : 4 + length].decode())
    return dict(header), payload[4 + length :]


def light_payload(
    header: Mapping[str, Any], relative_luminance: FloatArray, pixels: FloatArray | None = None
) -> bytes:
    """Return frames' relative_luminance, (frames,), 0 to 1, as unsigned 16 bit; the header tells how many.

    pixels (frames, pixels): where they are not all alike, the luminance of each, which follows in the same
    way, frame by frame; the header then tells how many pixels. It is linear light; the page codes it for the
    screen. Raises ParameterError for what no lamp can show.
    """
    told = {**header, "frames": int(relative_luminance.size)}
    body = _coded("relative_luminance", relative_luminance)
    if pixels is not None:
        told["pixels"] = int(pixels.shape[1])
        body += _coded("pixels", pixels)
    return framed(told, body)


def filler() -> bytes:
    """Return what goes behind a message that must not wait: nothing to read, longer than a segment.

    The notebook's server leaves Nagle's algorithm on: the end of what it writes, too short for a segment,
    waits until the other side has acknowledged the one before, up to 40 ms [RFC9293]. With this behind it
    the message is no end any more, and it is the filler's own end that waits.
    """
    return framed({}, b"", least=LEAST_BYTES)


def _coded(name: str, luminance: FloatArray) -> bytes:
    check_unit_interval(name, luminance)
    return np.rint(np.clip(luminance, 0.0, 1.0) * FULL_LIGHT).astype("<u2").tobytes()


def traces_payload(header: Mapping[str, Any], rows: NDArray[np.float32]) -> bytes:
    """Return traces, rows of shape (names, points), as 32 bit floats; the header has names and units."""
    numbers = np.ascontiguousarray(rows, dtype="<f4")
    return framed({**header, "points": int(numbers.shape[1])}, numbers.tobytes())


def sound_payload(header: Mapping[str, Any], pressure_pa: FloatArray, sample_rate_hz: float) -> bytes:
    """Return a clip, shape (n,), as FLAC of 16 bit, its own peak at 0.9 of full scale.

    How loud the loudspeaker plays is set at the loudspeaker: the level in dB SPL changes the board's
    lights, not the ear's volume.
    """
    import soundfile

    peak = float(np.abs(pressure_pa).max(initial=0.0))
    wave = pressure_pa * (0.9 / peak) if peak > 0 else pressure_pa
    file = io.BytesIO()
    rate = round(sample_rate_hz)
    soundfile.write(file, wave.astype(np.float32), rate, format="FLAC", subtype="PCM_16")
    told = {"sample_rate_hz": rate, "duration_s": pressure_pa.size / sample_rate_hz}
    return framed({**header, **told}, file.getvalue())

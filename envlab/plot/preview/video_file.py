"""Pictures and sound into a video file, by the general-purpose encoder of the package av."""

from __future__ import annotations

import os
from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from envlab.errors import FileError, ParameterError
from envlab.plot.preview.scene import HEIGHT, WIDTH, Picture
from envlab.units import FloatArray

SOUND_RATE_HZ = 48_000
_SOUND_BIT_S = 128_000
# Ending → container, encoders for picture and sound, best first. Which of them are there depends on how av
# was built. Constant quality, so that flat areas keep their colour.
_KINDS: dict[str, tuple[str, tuple[tuple[str, dict[str, str]], ...], tuple[str, ...]]] = {
    ".mp4": (
        "mp4",
        (
            ("libx264", {"crf": "17", "preset": "veryfast", "bf": "0"}),
            ("libopenh264", {}),
            ("mpeg4", {"qmin": "2", "qmax": "3", "bf": "0"}),
        ),
        ("aac", "libmp3lame"),
    ),
    ".webm": (
        "webm",
        (
            ("libvpx-vp9", {"crf": "20", "b": "0", "deadline": "realtime", "cpu-used": "8", "row-mt": "1"}),
            ("libvpx", {"crf": "8", "b": "4M", "deadline": "realtime", "cpu-used": "8"}),
        ),
        ("libopus", "libvorbis"),
    ),
}
ENDINGS = tuple(_KINDS)
# Codes of [H273]: [BT709-6] primaries and matrix, the curve of sRGB, studio range.
_PRIMARIES_709, _CURVE_SRGB, _MATRIX_709, _STUDIO_RANGE = 1, 13, 1, 1


def check_path(path: Path) -> None:
    """Raise ParameterError for an ending that is no video, FileError for a place where no file can be."""
    if path.suffix.lower() not in _KINDS:
        raise ParameterError("path", path.name, f"a name that ends in {' or '.join(ENDINGS)}")
    if path.is_dir():
        raise FileError(f"{path}: is a folder; a video needs a file's name")
    if not path.parent.is_dir():
        raise FileError(f"{path}: cannot be written: no such folder")
    if not os.access(path.parent, os.W_OK | os.X_OK):
        raise FileError(f"{path}: cannot be written: its folder is not yours to write in")


def write_video(
    path: Path,
    pictures: Iterable[Picture],
    frames_per_s: int,
    sound: FloatArray,
    *,
    title: str = "",
) -> None:
    """Write pictures, RGBA of shape (HEIGHT, WIDTH, 4), and sound, shape (n,), −1 to 1, as one file.

    Picture n stands from n/frames_per_s on, sound sample n at n/SOUND_RATE_HZ. The file appears whole or not
    at all, whatever goes wrong in the pictures too; one of that name is replaced. Raises FileError.
    """
    import av

    draft = path.with_name(f".{path.name}.{os.getpid()}.part")
    container, picture_encoders, sound_encoders = _KINDS[path.suffix.lower()]
    options = {"movflags": "+faststart"} if container == "mp4" else {}
    try:
        with av.open(str(draft), "w", format=container, options=options) as file:
            file.metadata["title"] = title
            _write(file, pictures, frames_per_s, sound, picture_encoders, sound_encoders)
        draft.replace(path)
    except (OSError, av.FFmpegError) as error:
        reason = error.strerror or str(error)
        raise FileError(f"{path}: cannot be written: {reason}") from error
    finally:
        draft.unlink(missing_ok=True)


def _write(
    file: Any,
    pictures: Iterable[Picture],
    frames_per_s: int,
    sound: FloatArray,
    picture_encoders: tuple[tuple[str, dict[str, str]], ...],
    sound_encoders: tuple[str, ...],
) -> None:
    name, quality = _first_there(picture_encoders, file)
    moving = file.add_stream(name, rate=frames_per_s, options=quality)
    moving.width, moving.height, moving.pix_fmt = WIDTH, HEIGHT, "yuv420p"
    context = moving.codec_context
    context.gop_size = 2 * frames_per_s
    context.color_primaries, context.color_trc = _PRIMARIES_709, _CURVE_SRGB
    context.colorspace, context.color_range = _MATRIX_709, _STUDIO_RANGE
    speaking = _sound_stream(file, _first_there(tuple((one, {}) for one in sound_encoders), file)[0])
    sent = 0
    for number, picture in enumerate(pictures):
        file.mux(moving.encode(_frame(picture, number, frames_per_s)))
        due = min(sound.size, (number + 1) * SOUND_RATE_HZ // frames_per_s)
        sent = _send(file, speaking, sound, sent, due)
    _send(file, speaking, sound, sent, sound.size)
    file.mux(moving.encode(None))
    file.mux(speaking.encode(None))


def _first_there(encoders: tuple[tuple[str, dict[str, str]], ...], file: Any) -> tuple[str, dict[str, str]]:
    from av.codec import Codec, codecs_available

    for name, options in encoders:
        if name in codecs_available and Codec(name, "w"):
            return name, options
    names = ", ".join(name for name, _ in encoders)
    raise FileError(f"{file.format.name}: this copy of av has none of the encoders {names}")


def _frame(picture: Picture, number: int, frames_per_s: int) -> Any:
    from av import VideoFrame

    # The same matrix that the file names, else players show other colours than were drawn.
    frame = VideoFrame.from_ndarray(picture, format="rgba").reformat(
        format="yuv420p", dst_colorspace=_MATRIX_709, dst_color_range=_STUDIO_RANGE
    )
    frame.pts, frame.time_base = number, Fraction(1, frames_per_s)
    return frame


def _sound_stream(file: Any, name: str) -> Any:
    stream = file.add_stream(name, rate=SOUND_RATE_HZ, layout="mono")
    stream.bit_rate = _SOUND_BIT_S
    return stream


def _send(file: Any, stream: Any, sound: FloatArray, start: int, stop: int) -> int:
    from av import AudioFrame, AudioResampler

    if stop > start:
        piece = np.ascontiguousarray(sound[None, start:stop], dtype=np.float32)
        frame = AudioFrame.from_ndarray(piece, format="fltp", layout="mono")
        frame.sample_rate, frame.pts, frame.time_base = SOUND_RATE_HZ, start, Fraction(1, SOUND_RATE_HZ)
        context = stream.codec_context
        for ready in AudioResampler(context.format, context.layout, SOUND_RATE_HZ).resample(frame):
            file.mux(stream.encode(ready))
    return stop

"""Whole files of every make must pass, cut ones must not; the bytes follow the formats' own papers."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from envlab.errors import FileError
from envlab.sound.complete import container_of, missing_bytes
from envlab.sound.mpeg import damaged_frame, mp3_length
from envlab.sound.recording import read_recording
from envlab.sound.signals import tone

WAVE = tone(440, 0.5, 0.5, 48_000)


CONSTANT = {"bitrate_mode": "CONSTANT", "compression_level": 0.0}


def encoded(container: str, subtype: str, how: dict[str, object] | None = None) -> bytes:
    buffer = io.BytesIO()
    soundfile.write(buffer, WAVE, 48_000, format=container, subtype=subtype, **(how or {}))
    return buffer.getvalue()


def saved(folder: Path, data: bytes) -> Path:
    path = folder / "clip.bin"  # the ending is not asked
    path.write_bytes(data)
    return path


def wav(data_length: int, samples: bytes, before: bytes = b"", after: bytes = b"") -> bytes:
    # RIFF/WAVE: PCM, one channel, 48 kHz, 16 bit
    fmt = b"fmt " + struct.pack("<IHHIIHH", 16, 1, 1, 48_000, 96_000, 2, 16)
    body = b"WAVE" + fmt + before + b"data" + struct.pack("<I", data_length) + samples + after
    return b"RIFF" + struct.pack("<I", len(body)) + body


PCM = (WAVE * 32_767).astype("<i2").tobytes()
ODD_CHUNK = b"LIST" + struct.pack("<I", 5) + b"abcde\0"
ID3V2 = b"ID3\x04\x00\x00" + bytes([0, 0, 1, 72]) + bytes(200)  # 200 = 1·128 + 72
ID3V1 = b"TAG" + bytes(125)


def without_length_header(mp3: bytes, kbit: int) -> bytes:
    """The same stream without the encoder's own first frame of 144·bitrate/48000 bytes (ISO/IEC 11172-3)."""
    first = 144 * kbit // 48
    assert {b"Info", b"Xing"} & {mp3[21:25], mp3[36:40]}
    assert mp3[first] == 0xFF
    return mp3[first:]


WHOLE = {
    "wav": wav(len(PCM), PCM),
    "wav with a chunk before and after": wav(len(PCM), PCM, ODD_CHUNK, ODD_CHUNK),
    "wav of open length": wav(0xFFFFFFFF, PCM),
    "rf64": encoded("RF64", "PCM_16"),
    "flac": encoded("FLAC", "PCM_24"),
    "vorbis": encoded("OGG", "VORBIS"),
    "opus": encoded("OGG", "OPUS"),
    "mp3": encoded("MP3", "MPEG_LAYER_III"),
    "mp3 with tags": ID3V2 + encoded("MP3", "MPEG_LAYER_III") + ID3V1,
    "mp3 without stated length": without_length_header(encoded("MP3", "MPEG_LAYER_III", CONSTANT), 320),
}
CUT = {
    "wav by one byte": WHOLE["wav"][:-1],
    "wav before its samples": wav(len(PCM), b"")[:36],
    "wav inside a chunk": wav(len(PCM), PCM, ODD_CHUNK)[:46],
    "rf64": WHOLE["rf64"][:-2],
    "vorbis by one byte": WHOLE["vorbis"][:-1],
    "vorbis by its last page": WHOLE["vorbis"][: WHOLE["vorbis"].rindex(b"OggS")],
    "opus by half": WHOLE["opus"][: len(WHOLE["opus"]) // 2],
    "mp3 by one byte": WHOLE["mp3"][:-1],
    "mp3 inside its tag": WHOLE["mp3 with tags"][:100],
}


@pytest.mark.parametrize("make", WHOLE)
def test_whole_files_pass_and_are_read(tmp_path: Path, make: str) -> None:
    path = saved(tmp_path, WHOLE[make])
    assert container_of(path) == {"rf6": "WAV", "vor": "OGG", "opu": "OGG"}.get(
        make[:3], make[:4].strip().upper()
    )
    assert missing_bytes(path, container_of(path)) == 0
    assert read_recording(path, 94.0).duration_s == pytest.approx(0.5, abs=0.03)


@pytest.mark.parametrize("make", CUT)
def test_cut_files_are_refused(tmp_path: Path, make: str) -> None:
    path = saved(tmp_path, CUT[make])
    assert missing_bytes(path, container_of(path)) > 0
    with pytest.raises(FileError, match="is cut off; bytes missing"):
        read_recording(path, 94.0)


def test_the_number_of_missing_bytes_is_exact_where_the_file_states_its_length(tmp_path: Path) -> None:
    for make in ("wav", "rf64", "mp3", "mp3 with tags"):
        cut = 300
        if make == "mp3 with tags":
            cut += len(ID3V1)  # the tag at the end is not part of the stated length
        path = saved(tmp_path, WHOLE[make][:-cut])
        assert missing_bytes(path, container_of(path)) == 300, make


def test_flac_that_states_no_length_is_read_to_its_end(tmp_path: Path) -> None:
    # RFC 9639, 8.2: the last 36 bits before the checksum of STREAMINFO are the number of samples, 0: unknown
    data = bytearray(WHOLE["flac"])
    data[4 + 4 + 13] &= 0xF0
    data[4 + 4 + 14 : 4 + 4 + 18] = bytes(4)
    try:
        recording = read_recording(saved(tmp_path, bytes(data)), 94.0)
    except FileError as error:
        assert "cannot be decoded" in str(error)
    else:
        assert recording.pressure_pa.size == WAVE.size


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 16_000, 22_050, 44_100, 48_000])
@pytest.mark.parametrize("channels", [1, 2])
def test_frames_of_an_mp3_add_up_to_its_samples(tmp_path: Path, rate_hz: int, channels: int) -> None:
    wave = np.random.default_rng(2).normal(0, 0.1, (2 * rate_hz, channels))
    path = tmp_path / "clip.mp3"
    soundfile.write(path, wave, rate_hz, subtype="MPEG_LAYER_III")
    length = mp3_length(path)
    # the encoder adds its header frame and its delay: more than the clip, by less than three frames
    assert 0 <= length.samples - len(wave) <= 3 * 1152
    assert length.missing_bytes == 0


def test_mp3_that_a_decoder_would_cut_short_in_silence_is_refused(tmp_path: Path) -> None:
    # Variable bit rate without a length header: the decoder guesses the length from the first frame.
    wave = np.r_[0.5 * np.random.default_rng(3).standard_normal(4_800), np.zeros(96_000)]
    buffer = io.BytesIO()
    soundfile.write(buffer, wave, 48_000, format="MP3", bitrate_mode="VARIABLE", subtype="MPEG_LAYER_III")
    path = saved(tmp_path, without_length_header(buffer.getvalue(), 128))
    assert soundfile.info(path).frames < 0.9 * wave.size
    with pytest.raises(FileError, match=r"only \d+ of \d+ samples can be decoded; save it as WAV or FLAC"):
        read_recording(path, 94.0)


@pytest.mark.parametrize("rate_hz", [8_000, 22_050, 44_100])
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("quality", [0.0, 0.5, 0.9])
@pytest.mark.parametrize("mode", ["CONSTANT", "AVERAGE", "VARIABLE"])
def test_every_frame_of_an_encoder_is_possible(tmp_path, rate_hz, channels, quality, mode) -> None:
    rng = np.random.default_rng(2)
    wave = rng.normal(0, 0.2, (rate_hz, channels)) * np.linspace(0, 1, rate_hz)[:, None] ** 4
    path = tmp_path / "clip.mp3"
    soundfile.write(
        path, wave, rate_hz, subtype="MPEG_LAYER_III", compression_level=quality, bitrate_mode=mode
    )
    assert damaged_frame(path) == 0


@pytest.mark.parametrize("rate_hz", [8_000, 44_100])
@pytest.mark.parametrize("channels", [1, 2])
def test_a_frame_that_claims_more_than_it_holds_is_refused(tmp_path, rate_hz, channels) -> None:
    # Side information of ones: 4095 bits and 511 pairs a granule. A decoder gave another sound each time.
    buffer = io.BytesIO()
    wave = np.random.default_rng(2).normal(0, 0.1, (rate_hz // 4, channels))
    soundfile.write(buffer, wave, rate_hz, format="MP3", subtype="MPEG_LAYER_III")
    data = bytearray(buffer.getvalue())
    # The second frame: behind the first, which begins the file and is repeated nowhere else.
    second = data.index(data[:2], 4)
    data[second + 5 : second + 14] = b"\xff" * 9
    path = saved(tmp_path, bytes(data))
    assert damaged_frame(path) == 2
    with pytest.raises(FileError, match=r"damaged \(frame 2 of the MP3 claims more than a frame can hold\)"):
        read_recording(path, 94.0)


@pytest.mark.parametrize(
    "data", [b"", b"RIFF", b"RIFF\0\0\0\0AVI ", b"\xff", b"\xff\xe1", bytes(100), b"FORM\0\0\0\0AIFF"]
)
def test_other_bytes_are_no_known_container(tmp_path: Path, data: bytes) -> None:
    assert container_of(saved(tmp_path, data)) == ""


def test_noise_that_begins_like_a_sound_file_is_refused(tmp_path: Path) -> None:
    junk = np.random.default_rng(1).integers(0, 256, 5000, dtype=np.uint8).tobytes()
    for head in (b"fLaC", b"OggS", b"RIFF\0\0\0\0WAVE", b"RIFF\0\0\0\0WAVEfmt \x10\0\0\0"):
        with pytest.raises(FileError, match="cut off"):
            read_recording(saved(tmp_path, head + junk), 94.0)

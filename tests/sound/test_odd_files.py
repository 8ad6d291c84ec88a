"""Files that are legal and odd are read; a header that promises too much takes no memory."""

from __future__ import annotations

import io
import struct
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import soundfile

from envlab.errors import FileError
from envlab.sound.decode import decoded, look_into
from envlab.sound.mpeg import damaged_frame, mp3_length
from envlab.sound.recording import read_recording
from envlab.sound.signals import tone
from envlab.sound.stream import SoundStream, open_sound

WAVE = tone(440, 0.5, 2.0, 48_000)
# Long and lively enough for an Ogg of several pages: of a single page the decoder looks at what is there.
NOISE = 0.1 * np.random.default_rng(1).standard_normal(192_000).clip(-4, 4)
# Bytes that reading may ask for beyond what the samples themselves take as float64, some pieces at a time.
ROOM_BYTES = 24e6


def encoded(container: str, subtype: str) -> bytearray:
    buffer = io.BytesIO()
    soundfile.write(buffer, NOISE if container == "OGG" else WAVE, 48_000, format=container, subtype=subtype)
    return bytearray(buffer.getvalue())


def with_total(flac: bytearray, samples: int) -> bytes:
    # RFC 9639 [RFC9639], section 8.2: the total is the last 36 bits before the 16 bytes of the check sum;
    # STREAMINFO starts at byte 8, and they end at its byte 18. 0 says that nobody knows.
    changed = bytearray(flac)
    changed[21] = (changed[21] & 0xF0) | (samples >> 32)
    changed[22:26] = struct.pack(">I", samples & 0xFFFFFFFF)
    return bytes(changed)


def ogg_sum(page: bytes) -> int:
    # RFC 3533 [RFC3533], section 6: CRC with polynomial 0x04c11db7, from 0, not mirrored.
    total = 0
    for byte in page:
        total ^= byte << 24
        for _ in range(8):
            total = (total << 1) ^ (0x04C11DB7 if total & 0x80000000 else 0)
            total &= 0xFFFFFFFF
    return total


def counting_more(ogg: bytearray, more: int) -> bytes:
    """The same stream whose last page claims more samples, with its check sum put right."""
    at = ogg.rfind(b"OggS")
    page = bytearray(ogg[at:])
    claimed = struct.unpack("<q", page[6:14])[0] + more
    page[6:14] = struct.pack("<q", claimed)
    page[22:26] = bytes(4)
    page[22:26] = struct.pack("<I", ogg_sum(bytes(page)))
    return bytes(ogg[:at]) + bytes(page)


def saved(folder: Path, data: bytes) -> Path:
    path = folder / "clip.bin"
    path.write_bytes(data)
    return path


def test_the_check_sum_of_the_test_is_that_of_the_format() -> None:
    ogg = encoded("OGG", "VORBIS")
    assert counting_more(ogg, 0) == bytes(ogg)


def test_a_flac_of_unknown_length_is_read_whole(tmp_path: Path) -> None:
    flac = encoded("FLAC", "PCM_16")
    whole = read_recording(saved(tmp_path, bytes(flac)), 90.0)
    assert whole.samples == WAVE.size
    path = saved(tmp_path, with_total(flac, 0))
    assert np.array_equal(read_recording(path, 90.0).pressure_pa, whole.pressure_pa)
    stream = open_sound(path, 90.0, held_s=1.0)
    assert isinstance(stream, SoundStream)
    assert stream.samples == WAVE.size
    assert np.array_equal(np.concatenate(list(stream.pieces())), whole.pressure_pa)


def test_a_flac_of_unknown_length_that_is_cut_off_is_still_refused(tmp_path: Path) -> None:
    cut = with_total(encoded("FLAC", "PCM_16"), 0)[:-1000]
    with pytest.raises(FileError, match="cut off or damaged"):
        read_recording(saved(tmp_path, cut), 90.0)


@pytest.mark.parametrize("more", [104, 4096])
def test_an_ogg_may_lack_samples_that_its_last_page_counts(tmp_path: Path, more: int) -> None:
    # 104 of 2.7 million were missing in a published recording.
    path = saved(tmp_path, counting_more(encoded("OGG", "VORBIS"), more))
    assert read_recording(path, 90.0).samples == NOISE.size


def test_an_ogg_that_lacks_more_than_a_block_is_refused(tmp_path: Path) -> None:
    path = saved(tmp_path, counting_more(encoded("OGG", "VORBIS"), 100_000))
    with pytest.raises(FileError, match=r"only \d+ of \d+ samples can be decoded"):
        read_recording(path, 90.0)


def memory_of(path: Path, held_s: float) -> tuple[int, object]:
    tracemalloc.start()
    try:
        found: object = open_sound(path, 90.0, held_s=held_s)
    except FileError as problem:
        found = problem
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak, found


def test_a_thousand_channels_take_little_memory(tmp_path: Path) -> None:
    channels, frames = 1024, 20_000
    path = tmp_path / "many.wav"
    wave = (8000 * np.sin(np.arange(frames) / 9)).astype("<i2")
    # RIFF/WAVE: PCM, 16 bit
    data = np.repeat(wave[:, np.newaxis], channels, axis=1).tobytes()
    fmt = struct.pack("<IHHIIHH", 16, 1, channels, 48_000, 96_000 * channels, 2 * channels, 16)
    body = b"WAVEfmt " + fmt + b"data" + struct.pack("<I", len(data)) + data
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    peak, found = memory_of(path, held_s=60.0)
    assert found.notes == ("1024 channels mixed to their mean",)  # type: ignore[attr-defined]
    assert found.samples == frames  # type: ignore[attr-defined]
    # All at once they would be 164 MB.
    assert peak < 8 * frames * 4 + ROOM_BYTES


@pytest.mark.parametrize("held_s", [0.1, 1e6])
def test_a_header_that_claims_2_31_frames_is_refused_before_memory_is_asked_for(
    tmp_path: Path, held_s: float
) -> None:
    fmt = struct.pack("<IHHIIHH", 16, 1, 1, 48_000, 96_000, 2, 16)
    claims = {
        "flac": with_total(encoded("FLAC", "PCM_16"), 1 << 31)[:1000],
        "wav": b"RIFF" + struct.pack("<I", 0xFFFFFFF0) + b"WAVEfmt " + fmt
        + b"data" + struct.pack("<I", 0xFFFFFFC0) + bytes(900),
        "ogg": counting_more(encoded("OGG", "VORBIS"), 1 << 31),
    }  # fmt: skip
    for container, data in claims.items():
        peak, found = memory_of(saved(tmp_path, data), held_s)
        assert isinstance(found, FileError), container
        assert peak < ROOM_BYTES, (container, peak)


# Frames of an MP3 of 320 kbit/s at 48 kHz: 144·320/48 bytes, 1152 samples ([ISO11172-3], 2.4.2.3, 2.4.3.1).
FRAME_BYTES, FRAME_SAMPLES = 960, 1152
ID3 = b"ID3\x04\0\0" + bytes([0, 0, 2, 0]) + bytes(256)


def mp3_of(seconds: float) -> bytearray:
    buffer = io.BytesIO()
    soundfile.write(
        buffer, NOISE[: round(seconds * 48_000)], 48_000,
        format="MP3", subtype="MPEG_LAYER_III", bitrate_mode="CONSTANT", compression_level=0.0,
    )  # fmt: skip
    assert len(buffer.getvalue()) % FRAME_BYTES == 0
    return bytearray(buffer.getvalue())


def test_an_mp3_joined_to_another_is_not_taken_for_the_first_alone(tmp_path: Path) -> None:
    # The first one's header tells its own length, at which the decoder ends without a word.
    path = saved(tmp_path, bytes(mp3_of(1.0) + ID3 + mp3_of(3.0)))
    frames = (len(mp3_of(1.0)) + len(mp3_of(3.0))) // FRAME_BYTES
    assert mp3_length(path) == (frames * FRAME_SAMPLES, 0, 1)
    with pytest.raises(FileError, match=r"only 48000 of \d+ samples can be decoded; save it as WAV or FLAC"):
        read_recording(path, 90.0)


def test_an_mp3_with_a_hole_is_counted_to_its_end_and_streamed(tmp_path: Path) -> None:
    mp3 = mp3_of(3.0)
    frames = len(mp3) // FRAME_BYTES
    mp3[10 * FRAME_BYTES : 10 * FRAME_BYTES + 300] = bytes(300)
    path = saved(tmp_path, bytes(mp3))
    assert mp3_length(path) == ((frames - 1) * FRAME_SAMPLES, 0, 1)
    stream = open_sound(path, 90.0, held_s=1.0)
    assert isinstance(stream, SoundStream)
    assert 3.0 * 48_000 - 2 * FRAME_SAMPLES <= stream.samples <= 3.0 * 48_000


def test_an_mp3_whose_decoder_gives_up_in_a_hole_is_refused(tmp_path: Path) -> None:
    mp3 = mp3_of(3.0)
    mp3[100 * FRAME_BYTES : 100 * FRAME_BYTES + 4096] = bytes(4096)
    path = saved(tmp_path, bytes(mp3))
    assert mp3_length(path).breaks == 1
    with pytest.raises(FileError, match=r"only \d+ of \d+ samples|cannot be decoded, cut off or damaged"):
        read_recording(path, 90.0)


def test_zeros_behind_an_mp3s_tag_are_passed_over(tmp_path: Path) -> None:
    mp3 = bytes(mp3_of(3.0))
    whole = mp3_length(saved(tmp_path, mp3))
    # By its first bytes alone libsndfile does not know it.
    path = tmp_path / "clip.mp3"
    path.write_bytes(ID3 + bytes(3000) + mp3)
    assert mp3_length(path) == (whole.samples, 0, 1)
    assert read_recording(path, 90.0).samples == 3 * 48_000


def test_a_frame_behind_a_tag_in_the_midst_is_checked_too(tmp_path: Path) -> None:
    first, second = mp3_of(1.0), mp3_of(3.0)
    # The second frame of the second stream: side information of ones.
    second[FRAME_BYTES + 4 : FRAME_BYTES + 36] = b"\xff" * 32
    assert damaged_frame(saved(tmp_path, bytes(first + ID3 + second))) == len(first) // FRAME_BYTES + 2


def test_what_only_looks_like_a_frame_is_none(tmp_path: Path) -> None:
    # As in the picture of a tag behind the sound: a header, and no second one where its frame would end.
    mp3 = bytes(mp3_of(1.0))
    whole = mp3_length(saved(tmp_path, mp3))
    path = saved(tmp_path, mp3 + b"APETAGEX" + mp3[FRAME_BYTES : FRAME_BYTES + 4] + bytes(3000))
    assert mp3_length(path) == whole


def test_frames_are_found_wherever_a_portion_of_the_file_ends(tmp_path: Path) -> None:
    # Portions of a mebibyte are searched; the first frame's header lies across their border.
    mp3 = bytes(mp3_of(1.0))
    for behind in (1, 2, 3):
        gap = (1 << 20) + 1 - behind
        assert (
            mp3_length(saved(tmp_path, mp3 + bytes(gap) + mp3)).samples
            == 2 * mp3_length(saved(tmp_path, mp3)).samples
        ), behind


def test_an_mp3_of_free_bit_rate_is_not_held_however_long(tmp_path: Path) -> None:
    # [ISO11172-3], 2.4.2.3: bit rate index 0, the length of the frames is not stated.
    mp3 = mp3_of(3.0)
    for start in range(0, len(mp3), FRAME_BYTES):
        mp3[start + 2] &= 0x0F
    path = saved(tmp_path, bytes(mp3))
    assert mp3_length(path).samples == 0
    assert look_into(path).most_samples >= 3 * 48_000
    stream = open_sound(path, 90.0, held_s=1.0)
    assert isinstance(stream, SoundStream)
    assert stream.samples == sum(piece.size for piece in decoded(stream.file)) == 3 * 48_000

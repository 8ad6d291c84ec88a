"""Bytes to the page: what goes in comes out, by way of another reader than the one that wrote it."""

from __future__ import annotations

import io
import json
import struct

import numpy as np
import pytest
import soundfile

from envlab.errors import ParameterError
from envlab.widget.audition.payload import (
    LEAST_BYTES,
    filler,
    framed,
    light_payload,
    sound_payload,
    traces_payload,
    unframed,
)


def read_plainly(payload: bytes) -> tuple[dict, bytes]:
    """The framing as its description says it, read with struct."""
    (length,) = struct.unpack_from("<I", payload)
    return json.loads(payload[4 : 4 + length]), payload[4 + length :]


@pytest.mark.parametrize("header", [{}, {"a": 1}, {"label": "Trommel, 92 dB, µPa"}, {"x": [1.5, None]}])
def test_header_and_body_come_back(header):
    payload = framed(header, b"numbers")
    assert unframed(payload) == read_plainly(payload) == (header, b"numbers")
    # Numbers of four bytes are read in place.
    assert (len(payload) - len(b"numbers")) % 4 == 0


def test_a_small_message_is_filled_up_with_zeros():
    payload = framed({"n": 1}, b"\1\2", least=100)
    assert len(payload) == 100
    assert unframed(payload)[1].rstrip(b"\0") == b"\1\2"


def test_light_is_sixteen_bit_and_linear():
    luminance = np.array([0.0, 1e-4, 0.18, 0.5, 1.0])
    header, body = read_plainly(light_payload({"number": 7, "exact": False}, luminance))
    assert header == {"number": 7, "exact": False, "frames": 5}
    codes = struct.unpack_from("<5H", body)
    # round(Y · 65535): 6.55, 11796.3, 32767.5 (to even) by hand
    assert codes == (0, 7, 11796, 32768, 65535)


def test_a_filler_is_longer_than_a_segment_and_says_nothing():
    # A packet of IPv4 states its length in 16 bit (RFC 791, from memory).
    assert len(filler()) == LEAST_BYTES
    assert len(filler()) > 65_535
    header, body = read_plainly(filler())
    assert header == {}
    assert not any(body)


def test_pixels_follow_the_whole_frame_by_frame():
    luminance, pixels = np.array([0.0, 0.5]), np.array([[0.0, 0.0, 0.0], [1.0, 0.5, 0.0]])
    header, body = read_plainly(light_payload({"number": 7}, luminance, pixels))
    assert header == {"number": 7, "frames": 2, "pixels": 3}
    assert struct.unpack_from("<8H", body) == (0, 32768, 0, 0, 0, 65535, 32768, 0)
    with pytest.raises(ParameterError, match="pixels"):
        light_payload({}, luminance, 2 * pixels)


@pytest.mark.parametrize("bad", [[1.1], [-0.1], [np.nan]])
def test_light_that_no_lamp_can_show_is_refused(bad):
    with pytest.raises(ParameterError, match="relative_luminance"):
        light_payload({}, np.array(bad))


def test_traces_are_rows_of_floats():
    rows = np.array([[1.0, 2.5], [3.0, -4.0]], dtype=np.float32)
    header, body = read_plainly(traces_payload({"rate_hz": 200.0}, rows))
    assert header == {"rate_hz": 200.0, "points": 2}
    assert struct.unpack("<4f", body) == (1.0, 2.5, 3.0, -4.0)


@pytest.mark.parametrize("peak", [1e-3, 0.7, 20.0])
def test_sound_is_flac_at_its_own_full_scale(peak):
    t = np.arange(4800) / 48_000
    header, body = read_plainly(sound_payload({"clip": 2}, peak * np.sin(2000 * t), 48_000.0))
    assert header == {"clip": 2, "sample_rate_hz": 48_000, "duration_s": 0.1}
    assert body[:4] == b"fLaC"  # RFC 9639, section 6
    samples, rate = soundfile.read(io.BytesIO(body))
    assert rate == 48_000
    np.testing.assert_allclose(samples, 0.9 * np.sin(2000 * t) / np.sin(2000 * t).max(), atol=2 / 32_768)


def test_silence_stays_silent():
    _, body = unframed(sound_payload({}, np.zeros(800), 8000.0))
    assert not soundfile.read(io.BytesIO(body))[0].any()


@pytest.mark.parametrize("cut", [b"", b"\1\0", b"\xff\0\0\0{}"])
def test_cut_bytes_are_refused(cut):
    with pytest.raises(ParameterError, match="payload"):
        unframed(cut)

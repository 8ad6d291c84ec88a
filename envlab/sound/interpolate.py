"""The wave between the samples: band-limited interpolation to the internal rate, 352.8 kHz or more in full.

A circuit sees the continuous wave that the samples stand for, not the samples. Raising the rate by an even
factor L with a linear-phase filter gives points of that wave: out[m] is the wave at time m/(L·rate), and
out[k·L] is sample k itself.

The work is split. A steep filter puts one point between each two samples; it is a sinc under a Kaiser window
([Kaiser1974]: beta = 0.1102·(A − 8.7), transition width (A − 7.95)/(2.285·taps) rad per sample) with its
transition centred on the file's Nyquist frequency. A short filter of the same kind does the rest, because by
then the images are far away. Pass band: up to 0.99 of the Nyquist frequency within ±0.0002 dB, images of it
at least 90 dB down. At the Nyquist frequency the wave has faded to half and its image is not removed.

The steep filter is long, 1024 samples to each side, because the wave of a hard start or stop rings at the
Nyquist frequency, before it as well as after, and a quick detector behind a clipping amplifier charges on
that. So long a filter is cheaper as a product of spectra.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from envlab.errors import ParameterError, check_range
from envlab.sound.feed import Feed, Pieces
from envlab.units import FloatArray

INTERNAL_RATE_MIN_HZ = 352_800
SAMPLE_RATE_MIN_HZ = 8_000.0
SAMPLE_RATE_MAX_HZ = 192_000.0

_STEEP_TAPS = 2048
_STEEP_ATTENUATION_DB = 100.0
_SHORT_TAPS = 16
_SHORT_ATTENUATION_DB = 118.0
# The short filter looks this many file samples past both ends of a tile.
_MARGIN = _SHORT_TAPS // 4
# Input samples worked on at a time, counted from the start of the clip, so that every output sample comes
# out of the same arithmetic whatever blocks are asked for.
_TILE = 14_000
_SPECTRUM = 1 << 14


def interpolation_factor(sample_rate_hz: float, least_hz: float = INTERNAL_RATE_MIN_HZ) -> int:
    """Smallest even L with L·rate ≥ least_hz, for file rates from 8 to 192 kHz: 8 at 44.1 and 48 kHz."""
    check_range("sample_rate_hz", sample_rate_hz, SAMPLE_RATE_MIN_HZ, SAMPLE_RATE_MAX_HZ, unit="Hz")
    return 2 * math.ceil(least_hz / (2.0 * sample_rate_hz))


def internal_rate_hz(sample_rate_hz: float, least_hz: float = INTERNAL_RATE_MIN_HZ) -> float:
    """Rate in Hz at which the circuit is simulated for a file of this rate: L·rate, at least least_hz."""
    return interpolation_factor(sample_rate_hz, least_hz) * sample_rate_hz


def interpolate(
    signal: FloatArray, sample_rate_hz: float, least_hz: float = INTERNAL_RATE_MIN_HZ
) -> FloatArray:
    """The wave at L times the rate, shape (n·L,), in the unit of the signal (n,).

    least_hz: as internal_rate_hz has it. Silence is assumed before and after the signal. Raises
    ParameterError for a rate outside 8 to 192 kHz.
    """
    clip = _row(signal)
    tiles = _Tiles([clip], interpolation_factor(sample_rate_hz, least_hz))
    out = np.empty(clip.size * tiles.factor)
    for start in range(0, out.size, tiles.size):
        place = out[start : start + tiles.size]
        if place.size == tiles.size:
            tiles.fill(place)
        else:
            place[:] = tiles.fill(np.empty(tiles.size))[: place.size]
    return out


def interpolated_blocks(
    signal: FloatArray, sample_rate_hz: float, block: int = 65_536
) -> Iterator[tuple[int, FloatArray]]:
    """Yield (start, samples) of the interpolated wave in blocks of ``block`` samples, the last one shorter.

    signal: shape (n,), any unit. block is a multiple of 64, at least 64. The blocks joined equal
    interpolate() bit for bit.
    """
    clip = _row(signal)
    return interpolated_pieces([clip], clip.size, sample_rate_hz, block)


def interpolated_pieces(
    pieces: Pieces,
    samples: int,
    sample_rate_hz: float,
    block: int = 65_536,
    least_hz: float = INTERNAL_RATE_MIN_HZ,
) -> Iterator[tuple[int, FloatArray]]:
    """Yield what interpolated_blocks yields, of a signal that comes in pieces of any length.

    samples: of the whole signal at its own rate. least_hz: internal_rate_hz has it. Only the surroundings of
    the present block are kept.
    """
    if block < 64 or block % 64:
        raise ParameterError("block", block, "a multiple of 64, at least 64")
    tiles = _Tiles(pieces, interpolation_factor(sample_rate_hz, least_hz))
    return _blocks(tiles, samples * tiles.factor, block)


def _row(signal: FloatArray) -> FloatArray:
    clip = np.asarray(signal, dtype=np.float64)
    if clip.ndim != 1:
        raise ParameterError("signal", clip.shape, "one-dimensional")
    return clip


def _blocks(tiles: _Tiles, whole: int, block: int) -> Iterator[tuple[int, FloatArray]]:
    tile_out = np.empty(tiles.size)
    held = -1
    for start in range(0, whole, block):
        stop = min(start + block, whole)
        samples = np.empty(stop - start)
        for tile in range(start // tiles.size, -(-stop // tiles.size)):
            if tile != held:
                tiles.fill(tile_out)
                held = tile
            base = tile * tiles.size
            first, last = max(start, base), min(stop, base + tiles.size)
            samples[first - start : last - start] = tile_out[first - base : last - base]
        yield start, samples


class _Tiles:
    """A signal cut into tiles of equal length, each interpolated on its own from its wider surroundings."""

    def __init__(self, pieces: Pieces, factor: int) -> None:
        self.factor, self.size = factor, _TILE * factor
        self._steep = _steep_spectrum()
        self._short = _phases(factor // 2, _SHORT_TAPS, _SHORT_ATTENUATION_DB)
        self._halfway = np.empty((_TILE + 2 * _MARGIN, 2))
        self._feed = Feed(pieces)
        self._surroundings = np.zeros(_SPECTRUM)
        # What the first tile shares with the one before it: silence, and what it looks ahead.
        before = _MARGIN + _STEEP_TAPS // 2 - 1
        self._surroundings[_TILE + before :] = self._feed.take_padded(_SPECTRUM - _TILE - before)

    def fill(self, out: FloatArray) -> FloatArray:
        """Write the samples of the next tile, _TILE·L of them, into out and return it."""
        from envlab.sound.kernels import upsample

        count = _TILE + 2 * _MARGIN
        around = self._surroundings
        around[:-_TILE] = around[_TILE:].copy()
        around[-_TILE:] = self._feed.take_padded(_TILE)
        between = np.fft.irfft(np.fft.rfft(around) * self._steep, _SPECTRUM)
        self._halfway[:, 0] = around[_STEEP_TAPS // 2 - 1 : _STEEP_TAPS // 2 - 1 + count]
        self._halfway[:, 1] = between[:count]
        skip = 2 * _MARGIN - (_SHORT_TAPS // 2 - 1)
        upsample(self._halfway.ravel()[skip : skip + 2 * _TILE + _SHORT_TAPS - 1], self._short, out)
        return out


@lru_cache(maxsize=1)
def _steep_spectrum() -> NDArray[np.complex128]:
    """Spectrum that correlates a stretch with the steep filter; its first samples are free of wrap-around."""
    taps = _phases(2, _STEEP_TAPS, _STEEP_ATTENUATION_DB)[0]
    return np.asarray(np.conj(np.fft.rfft(taps, _SPECTRUM)))


@lru_cache(maxsize=32)
def _phases(factor: int, taps: int, attenuation_db: float) -> FloatArray:
    """Weights (factor − 1, taps) of the neighbours for the points 1/L, 2/L … (L−1)/L after a sample."""
    after = np.arange(1, factor)[:, np.newaxis] / factor
    distance = after - (np.arange(taps) - (taps // 2 - 1))
    beta = 0.1102 * (attenuation_db - 8.7)
    window = np.i0(beta * np.sqrt(1.0 - np.square(distance / (taps / 2)))) / np.i0(beta)
    weights = np.sinc(distance) * window
    # Each phase passes a constant exactly, so that a constant has no image at all.
    return np.ascontiguousarray(weights / weights.sum(axis=1, keepdims=True))

"""What one clip needs computed once: the wave between its samples, what a front end makes of it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from envlab.chain import Chain
from envlab.engine.board import offered_to_detector
from envlab.engine.front_end import front_end
from envlab.sound.interpolate import internal_rate_hz, interpolate, interpolated_blocks
from envlab.sound.recording import Recording
from envlab.units import FloatArray

BLOCK = 65_536
# Samples of the file to either side of a piece, more than the filters between the samples look at.
_AROUND = 2048


class KeptWave:
    """The wave between the samples of a clip, at the internal rate, kept as far as somebody has asked for it.

    samples: how many there are. filled: how many of them, from the first on, are known. after: a wave as
    long that nobody else needs any more, whose memory is used again; None: new memory. Where that was the
    same clip at another loudness, louder is by how many times this one is: a piece then comes from it.
    """

    def __init__(
        self, recording: Recording, after: KeptWave | None = None, louder: float | None = None
    ) -> None:
        self.recording = recording
        self.rate_hz = internal_rate_hz(recording.sample_rate_hz)
        self.factor = round(self.rate_hz / recording.sample_rate_hz)
        self.samples = recording.pressure_pa.size * self.factor
        self.filled = 0
        self.place: FloatArray = np.empty(self.samples) if after is None else after.place
        # Up to which sample the place holds this clip's wave, but for so many times the pressure.
        self._alike: list[tuple[int, float]] = []
        if after is not None and louder is not None:
            before = [(stop, times) for stop, times in after._alike if stop > after.filled]
            self._alike = [(stop, times * louder) for stop, times in [(after.filled, 1.0), *before]]
        self._ahead: Iterator[tuple[int, FloatArray]] | None = None

    def blocks(self, start: int = 0) -> Iterator[tuple[int, FloatArray]]:
        """Yield (start, pressure in Pa) from a multiple of BLOCK on; what is not known yet is computed."""
        while start < self.samples:
            while self.filled <= start:
                at, fine_pa = next(self._interpolation())
                self.place[at : at + fine_pa.size] = fine_pa
                self.filled = at + fine_pa.size
            stop = min(start + BLOCK, self.samples)
            yield start, self.place[start:stop]
            start = stop

    def _interpolation(self) -> Iterator[tuple[int, FloatArray]]:
        # It copies the clip, which the first seconds round a playhead need not wait for.
        if self._ahead is None:
            self._ahead = interpolated_blocks(
                self.recording.pressure_pa, self.recording.sample_rate_hz, BLOCK
            )
        return self._ahead

    def piece(self, start: int, stop: int) -> FloatArray:
        """Return the pressure from one sample to another, Pa; kept or not the same wave, but for its last
        digits."""
        if stop <= self.filled:
            return self.place[start:stop]
        known = max([self.filled, *(end for end, _ in self._alike)])
        if stop <= known:
            return self._from_other_loudness(start, stop)
        low = max(0, start // self.factor - _AROUND)
        high = -(-stop // self.factor) + _AROUND
        some = interpolate(self.recording.pressure_pa[low:high], self.recording.sample_rate_hz)
        return some[start - low * self.factor : stop - low * self.factor]

    def _from_other_loudness(self, start: int, stop: int) -> FloatArray:
        some = self.place[start:stop].copy()
        done = max(start, self.filled)
        for end, times in self._alike:
            if end > done:
                some[done - start : end - start] *= times
                done = end
        return some


class KeptRectified:
    """What one front end makes of a clip's wave, V above the reference node, kept as far as it was asked for.

    place: room for all of it, shape (samples,). limited: samples so far at which microphone or preamp was at
    its limit.
    """

    def __init__(self, chain: Chain, wave: KeptWave, place: FloatArray) -> None:
        self.front = offered_to_detector(chain)
        self.filled = 0
        self.limited = 0
        self._wave, self._rectified_v = wave, place
        self._stages = front_end(chain, wave.rate_hz)

    def blocks(self) -> Iterator[tuple[int, FloatArray]]:
        """Yield (start, rectified voltage in V) from the beginning; what is not known yet is computed."""
        start = 0
        while start < self._wave.samples:
            stop = min(start + BLOCK, self._wave.samples)
            if stop > self.filled:
                self._compute(*next(self._wave.blocks(start)))
            yield start, self._rectified_v[start:stop]
            start = stop

    def piece(self, start: int, stop: int) -> FloatArray:
        """Return the rectified voltage from one sample to another, V; up to filled only."""
        return self._rectified_v[start:stop]

    def _compute(self, start: int, fine_pa: FloatArray) -> None:
        self.filled = start + fine_pa.size
        limited = self._stages.fill(fine_pa, None, self._rectified_v[start : self.filled])
        self.limited += 0 if limited is None else int(np.count_nonzero(limited))

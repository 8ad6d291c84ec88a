"""How far the light moves within a second, of many candidates, while the frames come by."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from envlab.light.lightness import lightness_cie1976
from envlab.metrics.percentiles import percentile
from envlab.units import FloatArray

Codes = NDArray[np.int32]
_MOST_CODE = np.iinfo(np.int32).max


def contrast_of_frames(lightness: FloatArray, frame_rate_hz: float) -> float:
    """Return contrast_lstar (clip_metrics.py) of one clip's frames.

    lightness: L*, 0 to 100, shape (frames,).
    """
    second = min(max(1, round(frame_rate_hz)), lightness.size)
    seconds = lightness[: lightness.size // second * second].reshape(-1, second)
    low, high = np.percentile(seconds, (5, 95), axis=1)
    return float(np.median(high - low))


class RunningContrast:
    """contrast_lstar (clip_metrics.py) of frames that come in blocks of any length.

    The percentiles of a second want only its few least and few most codes, as lightness never falls as the
    code rises; of the seconds gone by one number each is kept.
    """

    def __init__(self, rows: int, frames: int, brightest_code: int, frame_rate_hz: float) -> None:
        """rows: candidates. frames: of the whole clip. brightest_code: duty code of Y = 1."""
        self._window = min(max(1, round(frame_rate_hz)), frames)
        self._brightest = brightest_code
        self._low, self._high = percentile(5, self._window), percentile(95, self._window)
        self._least = np.empty((self._low.high + 1, rows), dtype=np.int32)
        self._most = np.empty((self._window - self._high.low, rows), dtype=np.int32)
        self._spreads = np.empty((frames // self._window, rows), dtype=np.float32)
        self._done, self._seconds = 0, 0
        self._start()

    def _start(self) -> None:
        self._done = 0
        self._least.fill(_MOST_CODE)
        self._most.fill(-1)

    def take(self, codes: Codes) -> None:
        """codes: shape (rows, frames), duty codes of the next frames."""
        from envlab.metrics import metric_kernels

        by_frame = np.ascontiguousarray(codes.T)
        first = 0
        while first < by_frame.shape[0]:
            last = min(first + self._window - self._done, by_frame.shape[0])
            metric_kernels.keep_extremes(by_frame, first, last, self._least, self._most)
            self._done += last - first
            first = last
            if self._done == self._window:
                self._end_second()

    def _end_second(self) -> None:
        if self._seconds < self._spreads.shape[0]:
            self._spreads[self._seconds] = self._highest() - self._lowest()
        self._seconds += 1
        self._start()

    def _lowest(self) -> FloatArray:
        return self._low.of(self._light(self._least[self._low.low]), self._light(self._least[self._low.high]))

    def _highest(self) -> FloatArray:
        # Ranks count from the least, rows of _most from the largest.
        top = self._window - 1
        at_low, at_high = self._most[top - self._high.low], self._most[top - self._high.high]
        return self._high.of(self._light(at_low), self._light(at_high))

    def _light(self, codes: Codes) -> FloatArray:
        return lightness_cie1976(codes / self._brightest)

    def contrast_lstar(self) -> FloatArray:
        """Return the median over the clip's whole seconds, shape (rows,)."""
        rows = self._spreads.shape[1]
        medians = np.empty(rows)
        # A few candidates at a time: the median copies what it works on.
        for first in range(0, rows, 64):
            medians[first : first + 64] = np.median(self._spreads[:, first : first + 64], axis=0)
        return medians

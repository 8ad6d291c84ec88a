"""One clip, many boards, one after the other: what a listener hears in the lights as he turns a part.

The seconds round the playhead come at once and are as good as exact; the whole clip comes in portions, so
that another move may come between them: its readings are what Chain.run gives without noise, bit for bit,
and its light is what the exported firmware makes of them. What a move does not change is kept: the wave
between the samples, what the last front offers to its detector, and the readings of boards that were heard
before.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Generator
from dataclasses import dataclass

import numpy as np

from envlab.analog.adc import instant_count, read_between
from envlab.analog.envelope import hold_rectified
from envlab.chain import Chain
from envlab.engine.board import offered_to_detector, read_by_adc
from envlab.engine.reading_schedule import Due, every_reading
from envlab.errors import ParameterError
from envlab.sound.interpolate import interpolation_factor
from envlab.sound.recording import Recording
from envlab.study.listening.light import BoardLight, light_from_readings
from envlab.study.listening.wave import KeptRectified, KeptWave
from envlab.study.listening.window import window_light
from envlab.units import FloatArray

LONGEST_S = 120.0
_BOARDS_KEPT = 64


@dataclass(frozen=True, eq=False)
class _Readings:
    """held_v: V above the reference node, shape (readings,). clipped_share: of microphone and preamp."""

    held_v: FloatArray
    clipped_share: float


class Listening:
    """One recording at its level, at most LONGEST_S long; it holds some 6 MB for each of its seconds.

    after: one that is not needed any more; if it is as long, its memory is used again. louder: where that was
    the same recording at another level, by how many times this one's pressure is larger.
    """

    def __init__(
        self, recording: Recording, after: Listening | None = None, louder: float | None = None
    ) -> None:
        if recording.duration_s > LONGEST_S:
            raise ParameterError("duration_s", recording.duration_s, f"at most {LONGEST_S:g} s")
        self.recording = recording
        samples = recording.pressure_pa.size * interpolation_factor(recording.sample_rate_hz)
        again = after if after is not None and after.wave.samples == samples else None
        self.wave: KeptWave = KeptWave(recording, None if again is None else again.wave, louder)
        self._place: FloatArray = np.empty(samples) if again is None else again._place
        self._rectified: KeptRectified | None = None
        self._readings: OrderedDict[object, _Readings] = OrderedDict()

    @property
    def duration_s(self) -> float:
        """Length of the clip in seconds."""
        return self.recording.duration_s

    def known(self, chain: Chain) -> BoardLight | None:
        """Return the exact light of a board whose circuit was heard before, else None."""
        read = self._readings.get(read_by_adc(chain))
        return None if read is None else self._whole_light(chain, read)

    def window(self, chain: Chain, playhead_s: float) -> BoardLight:
        """Return the light round a playhead, s from the start; the whole and exact where it is known."""
        rectified = (
            self._rectified
            if self._rectified is not None and self._rectified.front == offered_to_detector(chain)
            else None
        )
        return self.known(chain) or window_light(chain, self.wave, rectified, playhead_s)

    def whole(self, chain: Chain) -> BoardLight:
        """Return the exact light of the whole clip."""
        portions = self.in_portions(chain)
        while True:
            try:
                next(portions)
            except StopIteration as done:
                light: BoardLight = done.value
                return light

    def in_portions(self, chain: Chain) -> Generator[None, None, BoardLight]:
        """Compute the same in portions of a fifth of a second of sound, and return it at the end.

        Left in the middle, it loses no more than the detector's way so far.
        """
        key = read_by_adc(chain)
        if key not in self._readings:
            rectified = self._rectified_of(chain)
            read_v = np.empty(instant_count(self.duration_s, chain.adc.rate_hz))
            due = Due(every_reading(read_v.size), chain.adc, self.wave.samples, self.wave.rate_hz, None)
            rectifier, detector = chain.rectifier_as_built, chain.detector_as_built
            state, done = chain.quiescent_state, 0
            for start, rectified_v in rectified.blocks():
                before_v = state.held_v
                held_v, state = hold_rectified(
                    rectified_v,
                    rectifier,
                    detector,
                    sample_rate_hz=self.wave.rate_hz,
                    state=state,
                )
                at = due.before(start, start + rectified_v.size)
                read_v[done : done + at.upper.size] = read_between(before_v, held_v, at.upper, at.fraction)
                done += at.upper.size
                yield
                if rectified is not self._rectified:
                    raise RuntimeError("another board's whole was begun in the middle of this one")
            self._keep(key, _Readings(read_v, rectified.limited / self.wave.samples))
        return self._whole_light(chain, self._readings[key])

    def rectified_blocks(self, chain: Chain) -> KeptRectified:
        """Return what the chain's front offers to its detector, to be gone through in blocks."""
        return self._rectified_of(chain)

    def _rectified_of(self, chain: Chain) -> KeptRectified:
        if self._rectified is None or self._rectified.front != offered_to_detector(chain):
            self._rectified = KeptRectified(chain, self.wave, self._place)
        return self._rectified

    def _keep(self, key: object, read: _Readings) -> None:
        self._readings[key] = read
        while len(self._readings) > _BOARDS_KEPT:
            self._readings.popitem(last=False)

    def _whole_light(self, chain: Chain, read: _Readings) -> BoardLight:
        frames = instant_count(self.duration_s, chain.frame_rate_hz)
        return light_from_readings(
            chain,
            read.held_v,
            first_reading=0,
            frames=range(frames),
            total_frames=frames,
            exact=True,
            clipped_share=read.clipped_share,
        )

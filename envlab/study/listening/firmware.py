"""The same board without rectifier and detector: a fast ADC on the preamp and a follower in firmware.

The follower's two times and its gain are those with which it comes nearest to the board's detector on the
clip's loudest seconds; then it drives the same table. Nearest is not equal: behind a diode's dead zone it
cannot be, and the difference is stated.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, replace

import numpy as np

from envlab.analog.adc import Adc, convert, instants_s
from envlab.analog.stage import Surroundings
from envlab.chain import Chain
from envlab.digital.equivalence import follower_like_in_portions, naive_follower
from envlab.digital.fixed_frame import WORD_MOST
from envlab.digital.followers import AttackRelease, follow
from envlab.engine.board import before_rectifier, front_end_of
from envlab.engine.front_end import FrontEnd
from envlab.engine.light_path import light_of_counts
from envlab.errors import EnvlabError
from envlab.study.listening.light import BoardLight, table_of
from envlab.study.listening.wave import KeptWave
from envlab.units import FloatArray

FAST_RATE_HZ = 20_000.0
_FIT_S = 6.0
_SETTLING_S = 1.0


@dataclass(frozen=True, eq=False)
class FirmwareLight:
    """light: of the board read by the follower, by its brightness table alone: no runtime and no flash guard.
    follower, gain: what comes nearest to the detector. frame_counts: what each frame shows, counts above
    quiescent, shape (frames,).

    rms_db, worst_db: how far it is from the detector's reading: root mean square and 99 % of the magnitude,
    over the loudest seconds, silence left out.
    """

    light: BoardLight
    frame_counts: FloatArray
    follower: AttackRelease
    gain: float
    rms_db: float
    worst_db: float

    @property
    def words(self) -> str:
        """As in "Attack 1.7 ms, release 440 ms, gain 0.92 at 20 kHz: …"."""
        attack_ms, release_ms = 1e3 * self.follower.attack_s, 1e3 * self.follower.release_s
        return (
            f"Firmware in place of rectifier and detector: attack {attack_ms:.3g} ms, release "
            f"{release_ms:.3g} ms, gain {self.gain:.2f}, on {FAST_RATE_HZ / 1e3:g} thousand readings a "
            f"second. It reads {self.rms_db:.1f} dB (rms) from the detector, at most {self.worst_db:.1f} dB "
            "for 99 % of the time."
        )


class FirmwareListening:
    """What one clip gives to a fast ADC; kept for the front that was asked for last."""

    def __init__(self, wave: KeptWave) -> None:
        self._wave = wave
        self._key: object = None
        self._magnitude: FloatArray = np.empty(0)

    def in_portions(self, chain: Chain, analog: BoardLight) -> Generator[None, None, FirmwareLight]:
        """Compute the firmware's light of a board whose whole exact light is known, in portions.

        Raises EnvlabError for a clip on which the detector never leaves its rest.
        """
        adc = _fast(chain.adc)
        key = (*before_rectifier(chain), adc)
        if key != self._key:
            magnitude = yield from self._read(chain, adc)
            self._key, self._magnitude = key, magnitude
        fast_v = self._magnitude * adc.lsb_v
        quiescent_v = chain.rectifier.reference_node_v + chain.quiescent_state.held_v
        wanted_v = np.maximum(analog.detector_v - quiescent_v, 0.0) * chain.adc.settled_share
        if wanted_v.max() < chain.adc.lsb_v:
            raise EnvlabError("On this clip the detector stays below one count: nothing to match.")
        first, last, times_s = _loudest(wanted_v, chain.adc.rate_hz)
        start = round(first / chain.adc.rate_hz * FAST_RATE_HZ)
        stop = round(last / chain.adc.rate_hz * FAST_RATE_HZ)
        compared = times_s >= (_SETTLING_S if first else 0.0)
        match = yield from follower_like_in_portions(
            fast_v[start:stop],
            wanted_v[first:last][compared],
            times_s[compared],
            naive_follower(chain.detector_as_built),
            follower_rate_hz=FAST_RATE_HZ,
            floor_v=chain.adc.lsb_v,
        )
        yield
        light, frame_counts = self._light(chain, analog, match.follower, match.gain)
        return FirmwareLight(light, frame_counts, match.follower, match.gain, match.rms_db, match.worst_db)

    def _read(self, chain: Chain, adc: Adc) -> Generator[None, None, FloatArray]:
        """Distance of each fast reading from the bias, whole counts, shape (fast readings,)."""
        wave = self._wave
        before = dict(list(front_end_of(chain).items())[:-1])
        stages = FrontEnd(before, Surroundings(wave.rate_hz))
        times_s = instants_s(wave.samples / wave.rate_hz, FAST_RATE_HZ)
        at = np.minimum(np.rint(times_s * wave.rate_hz).astype(np.int64), wave.samples - 1)
        filtered_v = np.empty(times_s.size)
        for start, fine_pa in wave.blocks():
            signal_v = np.empty(fine_pa.size)
            stages.fill(fine_pa, None, signal_v)
            due = slice(*np.searchsorted(at, (start, start + signal_v.size)))
            filtered_v[due] = signal_v[at[due] - start]
            yield
        bias_v = chain.bias_at_rectifier_v
        rest = convert(np.array([bias_v]), adc)[0]
        magnitude: FloatArray = np.abs(convert(bias_v + filtered_v, adc) - rest).astype(np.float64)
        return magnitude

    def _light(
        self, chain: Chain, analog: BoardLight, follower: AttackRelease, gain: float
    ) -> tuple[BoardLight, FloatArray]:
        followed, _ = follow(self._magnitude, follower, rate_hz=FAST_RATE_HZ)
        times_s = np.arange(analog.detector_v.size) / chain.adc.rate_hz
        latest = np.floor(times_s * FAST_RATE_HZ + 1e-9).astype(np.int64)
        counts = gain * followed[np.minimum(latest, followed.size - 1)]
        table = table_of(chain)
        light = light_of_counts(chain, counts, table, range(analog.total_frames))
        shown = replace(
            analog,
            relative_luminance=light.codes / table.brightest_code,
            full_duty=light.full_duty,
            detector_v=chain.quiescent_v + counts * chain.adc.lsb_v,
            adc_counts=chain.quiescent_counts + np.floor(counts).astype(np.int64),
            guard="none",
            pixels=None
            if analog.pixels is None
            else replace(analog.pixels, duty=light.codes * WORD_MOST // table.full_code),
        )
        return shown, light.frame_counts


def _fast(adc: Adc) -> Adc:
    """The board's converter at the firmware's rate, straight at the preamp."""
    return replace(
        adc, rate_hz=FAST_RATE_HZ, source_ohm=0.0, sampling_farad=0.0, sampling_s=1e-6, buffered="yes"
    )


def _loudest(wanted_v: FloatArray, rate_hz: float) -> tuple[int, int, FloatArray]:
    """Return (first, last, times in s from the first) of the readings with the highest mean over _FIT_S."""
    length = min(wanted_v.size, round(_FIT_S * rate_hz))
    sums = np.concatenate(([0.0], np.cumsum(wanted_v)))
    step = max(1, round(rate_hz))
    starts = np.arange(0, wanted_v.size - length + 1, step)
    first = int(starts[np.argmax(sums[starts + length] - sums[starts])])
    return first, first + length, np.arange(length) / rate_hz

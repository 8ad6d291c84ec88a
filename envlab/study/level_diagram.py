"""Level diagram: how loud a quiet and a loud sound are at each node, over the noise and under the limit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from envlab.analog.preamps.preamp import noise_bandwidth_hz
from envlab.analog.stage import AnalogStage
from envlab.chain import CALIBRATION_HZ, Chain
from envlab.engine.board import response_before_rectifier
from envlab.errors import ParameterError, check_range
from envlab.sound.level import weighting_db
from envlab.units import FloatArray, db, pressure_rms_pa

if TYPE_CHECKING:
    import pandas as pd

    from envlab.sound.clip import Clip

_BAND_HZ = np.geomspace(20, 20e3, 400)
# An amplifier's own noise goes as far as the amplifier.
_WIDE_HZ = np.geomspace(20, 100e6, 800)


@dataclass(frozen=True)
class Level:
    """One node. Volts (pascal in the air): quiet, loud and noise, and the limit.

    Up to the band filter all are rms, the limit that of a sine which just fits; from the rectifier on they
    are volts above quiescent as the settled detector has them. noise: of the microphone 20 Hz to 20 kHz, of
    the preamp its whole band; at the detector, what a sine of the noise's rms would give. limit may be
    infinite.
    """

    node: str
    unit: str
    quiet: float
    loud: float
    noise: float
    limit: float

    @property
    def headroom_db(self) -> float:
        """Limit over loud; below 0 it clips; inf if nothing of it arrives."""
        return math.inf if math.isinf(self.limit) or self.loud <= 0 else db(self.limit / self.loud)

    @property
    def quiet_over_noise_db(self) -> float:
        """Quiet over noise; −inf if nothing of it arrives."""
        return -math.inf if self.quiet <= 0 else db(self.quiet / max(self.noise, 1e-15))


@dataclass(frozen=True)
class LevelDiagram:
    """quiet_db_spl, loud_db_spl: of a 1 kHz sine. dead_zone_db_spl: level under which the envelope does not
    reach one count. quiet_counts, loud_counts: the settled envelope above quiescent, the loud one within the
    limits. first_to_clip: the node that clips first as it gets louder, and at which level in dB SPL."""

    quiet_db_spl: float
    loud_db_spl: float
    levels: tuple[Level, ...]
    dead_zone_db_spl: float
    quiet_counts: float
    loud_counts: float
    first_to_clip: tuple[str, float]

    def table(self) -> pd.DataFrame:
        """One row a node: volts, dB re 1 V (re 1 Pa in the air), headroom and distance to the noise in dB."""
        import pandas as pd

        rows = [
            {
                "node": level.node,
                "unit": level.unit,
                "quiet": level.quiet,
                "quiet_db": db(max(level.quiet, 1e-15)),
                "loud": level.loud,
                "loud_db": db(max(level.loud, 1e-15)),
                "noise": level.noise,
                "noise_db": db(max(level.noise, 1e-15)),
                "limit": level.limit,
                "headroom_db": level.headroom_db,
                "quiet_over_noise_db": level.quiet_over_noise_db,
            }
            for level in self.levels
        ]
        return pd.DataFrame(rows)

    def lines(self) -> tuple[str, ...]:
        """Return the diagram as lines of text, 79 columns at most."""
        head = f"{'node':<12}{'quiet':>13}{'loud':>13}{'noise':>13}{'headroom':>12}{'over noise':>14}"
        rows = [
            f"{one.node:<12}{_short(one.quiet, one.unit):>13}{_short(one.loud, one.unit):>13}"
            f"{_short(one.noise, one.unit):>13}{_decibel(one.headroom_db):>12}"
            f"{_decibel(one.quiet_over_noise_db):>14}"
            for one in self.levels
        ]
        node, level = self.first_to_clip
        return (
            f"Levels of a 1 kHz sine at {self.quiet_db_spl:g} and {self.loud_db_spl:g} dB SPL:",
            head,
            *rows,
            f"ADC counts above quiescent: {self.quiet_counts:.1f} quiet, {self.loud_counts:.0f} loud;"
            f" under {self.dead_zone_db_spl:.0f} dB SPL not one.",
            f"First to clip: {node}, at {level:.1f} dB SPL.",
        )


def _short(value: float, unit: str) -> str:
    for factor, prefix in ((1.0, ""), (1e-3, "m"), (1e-6, "µ")):
        if abs(value) >= factor:
            return f"{value / factor:.3g} {prefix}{unit}"
    return f"{value / 1e-9:.3g} n{unit}"


def _decibel(value: float) -> str:
    if math.isinf(value):
        return "no limit" if value > 0 else "nothing"
    return f"{value:.1f} dB"


def stated_levels(clips: Sequence[Clip]) -> tuple[float, float]:
    """Return (quiet, loud) in dB SPL out of a design's clips: the softest and the loudest music.

    Clips tagged "room" or "walking" are no music. With one level only, quiet is 20 dB under it. Weighted
    levels count with what the clip has unweighted: that is what drives the circuit.

    Parameters
    ----------
    clips : sequence of Clip
        What is played to the board.

    Returns
    -------
    tuple
    """
    music = [clip for clip in clips if not {"room", "walking"} & set(clip.tags)] or list(clips)
    levels = [min(max(clip.unweighted_db_spl, 40.0), 140.0) for clip in music]
    quiet, loud = min(levels), max(levels)
    return (quiet, loud) if quiet < loud else (loud - 20.0, loud)


def level_diagram(chain: Chain, quiet_db_spl: float, loud_db_spl: float) -> LevelDiagram:
    """Return the level diagram of a chain; quiet under loud, both 20 to 140 dB SPL.

    Parameters
    ----------
    chain : Chain
        The board.
    quiet_db_spl, loud_db_spl : float
        Quiet under loud, 20 to 140 dB SPL.

    Returns
    -------
    LevelDiagram
    """
    check_range("quiet_db_spl", quiet_db_spl, 20, 140, unit="dB SPL")
    check_range("loud_db_spl", loud_db_spl, 20, 140, unit="dB SPL")
    if quiet_db_spl >= loud_db_spl:
        raise ParameterError("quiet_db_spl", quiet_db_spl, f"under loud_db_spl ({loud_db_spl:g} dB SPL)")
    levels = (
        *_wave_levels(chain, quiet_db_spl, loud_db_spl),
        *_held_levels(chain, quiet_db_spl, loud_db_spl),
    )
    over = {level.node: loud_db_spl + level.headroom_db for level in levels}
    first = min(over, key=lambda node: over[node])
    top = chain.adc.top_code - chain.quiescent_counts
    return LevelDiagram(
        quiet_db_spl,
        loud_db_spl,
        levels,
        level_of_counts(chain, 1.0),
        chain.counts_at(quiet_db_spl),
        min(chain.counts_at(min(loud_db_spl, over["preamp"])), float(top)),
        (first, over[first]),
    )


def _noise_v(chain: Chain) -> tuple[float, float, float]:
    """Noise at the microphone's output, at the preamp's, and at the rectifier, V rms."""
    microphone = chain.microphone
    covering = np.abs([microphone.covering_response(float(f)) for f in _BAND_HZ])
    shape = np.abs([microphone.response(float(f)) for f in _BAND_HZ]) / covering / microphone.sensitivity_v_pa
    weighted = np.trapezoid(10 ** (weighting_db(_BAND_HZ, "A") / 10) * shape**2, _BAND_HZ)
    density_pa = pressure_rms_pa(microphone.self_noise_db_spl) / math.sqrt(weighted)
    heard = density_pa * np.abs([chain.microphone_as_loaded.response(float(f)) for f in _BAND_HZ]) / covering
    of_preamp = chain.preamp.noise_density_v_per_rthz
    most = of_preamp * chain.preamp.gain * math.sqrt(noise_bandwidth_hz(chain.preamp))
    through, at_rectifier = (
        np.hypot(
            _rms(heard * _passed(stages, _BAND_HZ), _BAND_HZ),
            min(most, _rms(of_preamp * _passed(stages, _WIDE_HZ), _WIDE_HZ)),
        )
        for stages in ((chain.preamp,), (chain.preamp, chain.band_filter))
    )
    return _rms(heard, _BAND_HZ), float(through), float(at_rectifier)


def _passed(stages: tuple[AnalogStage, ...], frequency_hz: FloatArray) -> FloatArray:
    return np.asarray(
        np.prod([[abs(one.response(float(f))) for f in frequency_hz] for one in stages], axis=0)
    )


def _rms(density: FloatArray, frequency_hz: FloatArray) -> float:
    return float(math.sqrt(np.trapezoid(density**2, frequency_hz)))


def _wave_levels(chain: Chain, quiet_db_spl: float, loud_db_spl: float) -> list[Level]:
    quiet_pa, loud_pa = pressure_rms_pa(quiet_db_spl), pressure_rms_pa(loud_db_spl)
    heard = abs(chain.microphone_as_loaded.response(CALIBRATION_HZ))
    at_port = abs(chain.microphone.covering_response(CALIBRATION_HZ))
    amplified = heard * abs(chain.preamp.response(CALIBRATION_HZ))
    passed = heard * abs(response_before_rectifier(chain, CALIBRATION_HZ))
    swing_v = min(chain.preamp.swing_up_v, chain.preamp.swing_down_v) / math.sqrt(2)
    most_pa = min(-chain.microphone.loudest_pa[0], chain.microphone.loudest_pa[1]) / math.sqrt(2) / at_port
    at_microphone, at_preamp, at_rectifier = _noise_v(chain)
    self_pa = pressure_rms_pa(chain.microphone.self_noise_db_spl)
    levels = [
        Level("air", "Pa", quiet_pa, loud_pa, self_pa, math.inf),
        Level("microphone", "V", heard * quiet_pa, heard * loud_pa, at_microphone, heard * most_pa),
        Level("preamp", "V", amplified * quiet_pa, amplified * loud_pa, at_preamp, swing_v),
    ]
    if chain.band_filter.sections:
        levels.append(Level("band filter", "V", passed * quiet_pa, passed * loud_pa, at_rectifier, swing_v))
    return levels


def _held_levels(chain: Chain, quiet_db_spl: float, loud_db_spl: float) -> list[Level]:
    lsb_v = chain.adc.lsb_v / chain.adc.settled_share
    _, _, noise_v = _noise_v(chain)
    one_pa_v = chain.peak_at_rectifier_v(94.0) / math.sqrt(2)
    noise_db_spl = 94.0 + db(max(noise_v, 1e-12) / one_pa_v)
    counted = [max(chain.counts_at(level), 0.0) for level in (quiet_db_spl, loud_db_spl, noise_db_spl)]
    quiet, loud, noise = (counts * lsb_v for counts in counted)
    # What a converter's dead zone or its buffer swallows of every sound is there at the detector.
    lost_v = chain.adc.lsb_v * chain.adc_as_built.swallowed_lsb(chain.quiescent_v)
    held_quiet, held_loud = (volts + lost_v if volts else 0.0 for volts in (quiet, loud))
    pin_v = chain.adc.pin_bears_v - chain.quiescent_v
    full_v = (chain.adc.top_code + 1) * lsb_v - chain.quiescent_v
    reading = math.hypot(noise, chain.adc.noise_lsb * lsb_v)
    return [
        Level("detector", "V", held_quiet, held_loud, noise, pin_v),
        Level("ADC", "V", quiet, loud, reading, full_v),
    ]


def level_of_counts(chain: Chain, counts: float) -> float:
    """Level in dB SPL whose settled envelope is so many counts."""
    if chain.counts_scale_with_level:
        return chain.level_scale().level_db_spl(counts)
    low, high = -20.0, 180.0
    while high - low > 0.01:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if chain.counts_at(middle) < counts else (low, middle)
    return 0.5 * (low + high)

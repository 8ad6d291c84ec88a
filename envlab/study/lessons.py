"""Small experiments that show how circuit and metrics work; each holds what its picture draws.

Voltages are per volt of the drive's peak: rectifier and detector scale with it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from envlab.analog.adc import instants_s, read_at
from envlab.analog.detector import Detector, PeakDetector, detect
from envlab.analog.rectifiers.ideal import Rectifier, rectify
from envlab.analog.tones.steady_state import ToneResponse, tone_response
from envlab.chain import Chain
from envlab.digital.followers import Follower, MovingMaximum, MovingMean, PassThrough
from envlab.errors import check_range
from envlab.light.curve import counts_of_luminance
from envlab.light.lightness import luminance_cie1976
from envlab.metrics.clip_metrics import table_steps
from envlab.metrics.metrics_of_clip import idle_lightness
from envlab.metrics.onset_latency import SILENCE_S, latency_of_envelope, onset_instants, onset_latency
from envlab.metrics.ripple_aliasing import frame_ripple_aliasing
from envlab.sound.interpolate import internal_rate_hz, interpolate
from envlab.units import FloatArray

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "alternating_light",
    "burst_lesson",
    "formula_attack_s",
    "frame_followers",
    "readings_lesson",
    "samples_lesson",
    "sampling_errors",
    "step_latency_ms",
]

_STEPS_PER_CYCLE = 256


@dataclass(frozen=True, eq=False)
class BurstLesson:
    """A detector on a tone burst of peak 1 V out of silence; arrays of shape (n,), sample n at n/rate_hz.

    drive_v: rectified. held_v: on the capacitor. on_battery_v: the same detector on a steady 1 V instead of
    the tone, which is what formulas speak of. response: the metrics of the definition.
    """

    frequency_hz: float
    rate_hz: float
    burst_s: float
    drive_v: FloatArray
    held_v: FloatArray
    on_battery_v: FloatArray
    response: ToneResponse

    @property
    def time_s(self) -> FloatArray:
        """Stamps of held_v, s: half a step after each sample of the drive."""
        return np.asarray((np.arange(self.held_v.size) + 0.5) / self.rate_hz, dtype=np.float64)

    @property
    def conducting_share(self) -> float:
        """Share of the burst's last cycle in which the drive stands above the capacitor and charges it."""
        last = round(self.burst_s * self.rate_hz)
        cycle = slice(last - _STEPS_PER_CYCLE, last)
        return float(np.mean(self.drive_v[cycle] > self.held_v[cycle]))


def burst_lesson(
    detector: Detector, rectifier: Rectifier, frequency_hz: float, burst_s: float, after_s: float = 0.0
) -> BurstLesson:
    """Return a detector on a burst of whole cycles, at least burst_s long, then silence for after_s.

    Parameters
    ----------
    detector : Detector
        What holds the envelope.
    rectifier : Rectifier
        What feeds it.
    frequency_hz : float
        1 Hz to 20 kHz. At most 10 million samples.
    burst_s : float
        Length of the burst, s.
    after_s : float
        Silence behind the burst, s.

    Returns
    -------
    BurstLesson
    """
    check_range("frequency_hz", frequency_hz, 1, 20e3, unit="Hz")
    rate_hz = _STEPS_PER_CYCLE * frequency_hz
    cycles = max(1, math.ceil(burst_s * frequency_hz - 1e-9))
    check_range("burst_s", burst_s, 0, 1e7 / rate_hz, unit="s")
    check_range("after_s", after_s, 0, 1e7 / rate_hz, unit="s")
    samples = cycles * _STEPS_PER_CYCLE
    tone_v = np.zeros(samples + round(after_s * rate_hz))
    tone_v[:samples] = np.sin(2 * np.pi * np.arange(samples) / _STEPS_PER_CYCLE)
    battery_v = (np.arange(tone_v.size) < samples).astype(np.float64)
    drive_v = rectify(tone_v, rectifier)
    held_v, _ = detect(drive_v, detector, sample_rate_hz=rate_hz)
    on_battery_v, _ = detect(battery_v, detector, sample_rate_hz=rate_hz)
    response = tone_response(detector, rectifier, frequency_hz)
    return BurstLesson(frequency_hz, rate_hz, cycles / frequency_hz, drive_v, held_v, on_battery_v, response)


def formula_attack_s(detector: PeakDetector) -> float:
    """Return 2.2·R·C of the attack resistor, s: from 10 % to 90 % on a steady voltage, no release.

    Parameters
    ----------
    detector : PeakDetector
        What holds the envelope.

    Returns
    -------
    float
    """
    return math.log(9) * detector.attack_ohm * detector.hold_farad


@dataclass(frozen=True, eq=False)
class SamplesLesson:
    """The same sound for a detector as samples and as the wave between them, V.

    samples_v, held_samples_v: shape (n,) at sample_rate_hz; wave_v, held_wave_v: at fine_rate_hz. A held
    voltage is stamped half a step after its sample.
    """

    sample_rate_hz: float
    fine_rate_hz: float
    samples_v: FloatArray
    wave_v: FloatArray
    held_samples_v: FloatArray
    held_wave_v: FloatArray


def samples_lesson(
    samples_v: FloatArray, sample_rate_hz: float, detector: Detector, rectifier: Rectifier
) -> SamplesLesson:
    """Return what a detector makes of samples (n,), V, taken as steps, and of the wave they stand for.

    Parameters
    ----------
    samples_v : ndarray of float
        Shape (n,), V.
    sample_rate_hz : float
        Samples a second, Hz, above 0.
    detector : Detector
        What holds the envelope.
    rectifier : Rectifier
        What feeds it.

    Returns
    -------
    SamplesLesson
    """
    wave_v, fine_hz = interpolate(samples_v, sample_rate_hz), internal_rate_hz(sample_rate_hz)
    held_samples_v, _ = detect(rectify(samples_v, rectifier), detector, sample_rate_hz=sample_rate_hz)
    held_wave_v, _ = detect(rectify(wave_v, rectifier), detector, sample_rate_hz=fine_hz)
    return SamplesLesson(sample_rate_hz, fine_hz, samples_v, wave_v, held_samples_v, held_wave_v)


def sampling_errors(
    lesson: SamplesLesson, detector: Detector, rectifier: Rectifier, *, reading_hz: float = 1000.0
) -> dict[float, float]:
    """Return the worst error of the held voltage by the rate at which the circuit is computed.

    Keys: rates in Hz, from the file's own, doubled while under the fine rate. Values: the largest difference
    from the fine rate's voltage at the ADC's instants, a share of the largest voltage.

    Parameters
    ----------
    lesson : SamplesLesson
        What envlab.study.lessons computed.
    detector : Detector
        What holds the envelope.
    rectifier : Rectifier
        What feeds it.
    reading_hz : float
        Rate of the ADC, Hz.

    Returns
    -------
    dict
    """
    factor = round(lesson.fine_rate_hz / lesson.sample_rate_hz)
    times_s = instants_s(lesson.samples_v.size / lesson.sample_rate_hz, reading_hz)
    true_v = read_at(lesson.held_wave_v, times_s, sample_rate_hz=lesson.fine_rate_hz)
    errors: dict[float, float] = {}
    for finer in (1, 2, 4, 8, 16, 32):
        if finer < factor and factor % finer == 0:
            rate_hz = finer * lesson.sample_rate_hz
            coarse_v = rectify(lesson.wave_v[:: factor // finer], rectifier)
            held_v, _ = detect(coarse_v, detector, sample_rate_hz=rate_hz)
            missed_v = read_at(held_v, times_s, sample_rate_hz=rate_hz) - true_v
            errors[rate_hz] = float(np.max(np.abs(missed_v)) / np.max(np.abs(true_v)))
    return errors


@dataclass(frozen=True, eq=False)
class KnownLight:
    """Light whose metrics are known beforehand; frames of shape (frames,), frame n at n/frame_rate_hz.

    envelope_counts: counts above quiescent that make it on the chain it was made for. lightness: L* asked
    for.
    """

    envelope_counts: FloatArray
    lightness: FloatArray
    frame_rate_hz: float

    @property
    def relative_luminance(self) -> FloatArray:
        """Luminance over the brightest state, 0 to 1."""
        return luminance_cie1976(self.lightness)


def alternating_light(
    chain: Chain, low_lstar: float, high_lstar: float, *, low_s: float, high_s: float, duration_s: float
) -> KnownLight:
    """Return light that is low for low_s, then high for high_s, s, and so on; L* from 0 to 100.

    Parameters
    ----------
    chain : Chain
        The board.
    low_lstar, high_lstar : float
        0 to 100 L*.
    low_s, high_s : float
        How long each lasts, s.
    duration_s : float
        Length, s, 0 or more.

    Returns
    -------
    KnownLight
    """
    check_range("low_lstar", low_lstar, 0, 100)
    check_range("high_lstar", high_lstar, 0, 100)
    time_s = np.arange(round(duration_s * chain.frame_rate_hz)) / chain.frame_rate_hz
    is_low = (time_s + 1e-9) % (low_s + high_s) < low_s
    lightness = np.where(is_low, low_lstar, high_lstar)
    counts = counts_of_luminance(luminance_cie1976(lightness), chain.count_map())
    return KnownLight(np.asarray(np.where(lightness > 0, counts, 0.0)), lightness, chain.frame_rate_hz)


def step_latency_ms(chain: Chain) -> FloatArray:
    """Return the onset latency of each frame phase, ms.

    Of a board whose envelope jumps with the sound itself.

    What is left is the wait for the next frame, without transmission; 32 phases spread over a frame.

    Parameters
    ----------
    chain : Chain
        The board.

    Returns
    -------
    ndarray of float
    """
    instants = onset_instants(chain)
    sounding = instants.index >= round(SILENCE_S * chain.adc.rate_hz)
    full = chain.count_map().ceiling_counts
    return latency_of_envelope(np.where(sounding, full, 0.0), chain.brightness_table(), instants)


def frame_followers(chain: Chain) -> dict[str, Follower]:
    """Return what a frame can show of its readings, by name: the latest, their mean, their maximum.

    Parameters
    ----------
    chain : Chain
        The board, whose frame rate says how long a frame is.

    Returns
    -------
    dict of str to Follower
    """
    frame_s = 1 / chain.frame_rate_hz
    return {"latest": PassThrough(), "mean": MovingMean(frame_s), "maximum": MovingMaximum(frame_s)}


def readings_lesson(chain: Chain, street_db_spl: float = 92.0) -> pd.DataFrame:
    """Return what a board gains and loses if its frames show all their readings and not the latest alone.

    Parameters
    ----------
    chain : Chain
        The board; its own follower is left aside.
    street_db_spl : float
        Level of the burst that measures the latency, dB SPL.

    Returns
    -------
    pandas DataFrame
        One row for the latest reading, the mean and the maximum of a frame: table_step_lstar, idle_lstar,
        frame_shimmer_lstar (L*), onset_lag_mean_ms and onset_lag_worst_ms (ms), as the sweep defines them.

    Examples
    --------
    >>> import envlab
    >>> from envlab.study.lessons import readings_lesson
    >>> found = readings_lesson(envlab.Chain())
    >>> bool(found.loc["mean", "frame_shimmer_lstar"] < found.loc["latest", "frame_shimmer_lstar"])
    True
    """
    import pandas as pd

    shown = frame_followers(chain)
    chains = [replace(chain, follower=follower) for follower in shown.values()]
    tables = [one.brightness_table() for one in chains]
    latency = onset_latency(chains, street_db_spl, tables)
    columns = {
        "table_step_lstar": table_steps(chains, tables),
        "idle_lstar": idle_lightness(chains, tables, 1, 1),
        "frame_shimmer_lstar": frame_ripple_aliasing(chains, tables).worst_lstar,
        "onset_lag_mean_ms": latency.mean_ms,
        "onset_lag_worst_ms": latency.worst_ms,
    }
    return pd.DataFrame(columns, index=pd.Index(list(shown), name="a frame shows"))

"""How late one board's light is, part by part: what the detector takes, and what waits behind it."""

from __future__ import annotations

from dataclasses import replace

from envlab.chain import Chain
from envlab.digital.followers import PassThrough
from envlab.light.timing import LatencyBudget, latency_budget
from envlab.metrics.onset_latency import onset_latency

# Read and shown so often that hardly any of the latency is waiting; the rest is taken off.
_FINE_ADC_HZ = 32_000.0
_FINE_FRAME_HZ = 1000.0


def board_latency(chain: Chain, street_db_spl: float, *, watcher_m: float = 0.0) -> LatencyBudget:
    """Return the whole latency of a board from drum to light, for a burst at street level (see onset.py).

    Parameters
    ----------
    chain : Chain
        The board.
    street_db_spl : float
        Level of the burst, dB SPL.
    watcher_m : float
        Distance from which it is watched, 0 to 1000 m.

    Returns
    -------
    LatencyBudget

    Raises
    ------
    ParameterError
        Where one line cannot carry so many pixels at the frame rate.
    """
    detector = _without_waits(replace(chain, follower=PassThrough()), street_db_spl)
    both = detector if isinstance(chain.follower, PassThrough) else _without_waits(chain, street_db_spl)
    return latency_budget(
        detector_mean_s=detector,
        detector_worst_s=detector,
        follower_s=max(0.0, both - detector),
        adc_rate_hz=chain.adc.rate_hz,
        frame_rate_hz=chain.frame_rate_hz,
        pixels=chain.pixels.count,
        watcher_m=watcher_m,
    )


def _without_waits(chain: Chain, street_db_spl: float) -> float:
    """From the onset to half of the lightness that comes, s."""
    adc = replace(chain.adc, rate_hz=_FINE_ADC_HZ, sampling_s=min(chain.adc.sampling_s, 1 / _FINE_ADC_HZ))
    fine = replace(chain, adc=adc, frame_rate_hz=_FINE_FRAME_HZ)
    seen_s = 1e-3 * float(onset_latency([fine], street_db_spl).mean_ms[0])
    return max(0.0, seen_s - chain.transmission_s - 0.5 / _FINE_FRAME_HZ)

"""Every node of one chain on one recording, at the ADC's rate: what a scope and a log would show."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from envlab.analog.adc import instants_s, stamps_of
from envlab.analog.noise import noise_streams
from envlab.chain import Chain
from envlab.light.lightness import lightness_cie1976
from envlab.sound.interpolate import internal_rate_hz
from envlab.sound.recording import Recording
from envlab.units import FloatArray

if TYPE_CHECKING:
    import pandas as pd


def nodes_at_readings(
    chain: Chain,
    recording: Recording,
    rng: np.random.Generator | None = None,
    progress: Callable[[float], None] | None = None,
) -> pd.DataFrame:
    """Return one row per ADC reading: time_s, every analog node in volts, counts, duty, L*.

    Analog nodes but the detector's are those of the internal sample nearest to the reading; duty and L* are
    those of the frame shown at that moment. Runs in blocks, so that a whole evening fits in memory.
    """
    import pandas as pd

    rate_hz = internal_rate_hz(recording.sample_rate_hz)
    pressure_pa = recording.pressure_pa
    noise = None if rng is None else noise_streams(rng)
    if noise is not None:
        pressure_pa = pressure_pa + chain.noise_pa(pressure_pa.size, recording.sample_rate_hz, noise)
    samples = round(recording.duration_s * rate_hz)
    times_s = instants_s(recording.duration_s, chain.adc.rate_hz)
    upper, fraction = stamps_of(times_s, samples, rate_hz)
    nearest = np.minimum(np.round(times_s * rate_hz).astype(np.int64), samples - 1)
    names = ("pressure_pa", "microphone_v", "preamp_v", "drive_v")
    columns: dict[str, FloatArray] = {name: np.empty(times_s.size) for name in (*names, "held_v")}
    before = chain.quiescent_state.held_v
    for block in chain.node_blocks(pressure_pa, recording.sample_rate_hz):
        end = block.start + block.held_v.size
        at = slice(*np.searchsorted(nearest, (block.start, end)))
        for name in names:
            columns[name][at] = getattr(block, name)[nearest[at] - block.start]
        due = slice(*np.searchsorted(upper, (block.start, end)))
        known_v = np.concatenate(([before], block.held_v))
        low = known_v[upper[due] - block.start]
        columns["held_v"][due] = low + fraction[due] * (known_v[upper[due] - block.start + 1] - low)
        before = float(block.held_v[-1])
        if progress is not None:
            progress(end / samples)
    digital = chain.digital(columns["held_v"], recording.duration_s, None if noise is None else noise.adc)
    shown = np.floor(np.arange(times_s.size) * chain.frame_rate_hz / chain.adc.rate_hz + 1e-9).astype(int)
    duty = digital.duty[np.minimum(shown, digital.duty.size - 1)]
    quiescent_v = chain.rectifier.reference_node_v
    return pd.DataFrame(
        {
            "time_s": times_s,
            "pressure_pa": columns["pressure_pa"],
            "microphone_v": columns["microphone_v"],
            "preamp_v": columns["preamp_v"],
            "rectified_v": quiescent_v + columns["drive_v"],
            "detector_v": quiescent_v + columns["held_v"],
            "adc_counts": digital.adc_counts,
            "envelope_counts": digital.envelope_counts,
            "duty": duty,
            "lightness_lstar": lightness_cie1976(
                duty * digital.table.full_code / digital.table.brightest_code
            ),
        }
    )

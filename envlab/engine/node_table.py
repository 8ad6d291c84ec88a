"""Every node of one chain on one recording, at the ADC's rate: what a scope and a log would show."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from envlab.analog.noise import noise_streams
from envlab.engine.board import Board
from envlab.engine.nodes import Player
from envlab.light.lightness import lightness_cie1976
from envlab.sound.recording import Recording
from envlab.units import FloatArray

if TYPE_CHECKING:
    import pandas as pd


def nodes_at_readings(
    chain: Board,
    recording: Recording,
    rng: np.random.Generator | None = None,
    progress: Callable[[float], None] | None = None,
) -> pd.DataFrame:
    """Return one row per ADC reading: time_s, every analog node in volts, counts, duty, L*.

    Analog nodes but the detector's are those of the internal sample nearest to the reading; duty and L* are
    those of the frame shown at that moment. Runs in blocks, so that a whole evening fits in memory.
    """
    import pandas as pd

    player = Player(chain, recording, None if rng is None else noise_streams(rng))
    rate_hz, samples = player.rate_hz, player.samples
    times_s = np.arange(player.readings) / chain.adc.rate_hz
    nearest = np.minimum(np.round(times_s * rate_hz).astype(np.int64), samples - 1)
    names = ("pressure_pa", "microphone_v", "preamp_v", "drive_v")
    columns: dict[str, FloatArray] = {name: np.empty(times_s.size) for name in names}
    for block in player.blocks():
        end = block.start + block.held_v.size
        at = slice(*np.searchsorted(nearest, (block.start, end)))
        for name in names:
            columns[name][at] = getattr(block, name)[nearest[at] - block.start]
        if progress is not None:
            progress(end / samples)
    played = player.played()
    light = played.light
    shown = np.floor(np.arange(times_s.size) * chain.frame_rate_hz / chain.adc.rate_hz + 1e-9).astype(int)
    shown = np.minimum(shown, light.codes.size - 1)
    quiescent_v = chain.rectifier.reference_node_v
    return pd.DataFrame(
        {
            "time_s": times_s,
            "pressure_pa": columns["pressure_pa"],
            "microphone_v": columns["microphone_v"],
            "preamp_v": columns["preamp_v"],
            "rectified_v": quiescent_v + columns["drive_v"],
            "detector_v": quiescent_v + played.held_v,
            "adc_counts": played.adc_counts,
            "envelope_counts": light.envelope_counts,
            "duty": light.duty[shown],
            "lightness_lstar": lightness_cie1976(
                light.duty[shown] * light.table.full_code / light.table.brightest_code
            ),
        }
    )

"""Every node of one board on one recording, at the ADC's rate: what a scope and a log would show."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from envlab.analog.noise import noise_streams
from envlab.engine.board import Board, front_end_of
from envlab.engine.nodes import Player
from envlab.light.lightness import lightness_cie1976
from envlab.seeds import Seed
from envlab.sound.recording import Recording
from envlab.units import FloatArray

if TYPE_CHECKING:
    import pandas as pd


def nodes_at_readings(
    board: Board,
    recording: Recording,
    rng: Seed | None = None,
    progress: Callable[[float], None] | None = None,
) -> pd.DataFrame:
    """Return one row per ADC reading: time_s, every analog node in volts, counts, duty, L*.

    Analog nodes but the detector's are those of the internal sample nearest to the reading; duty and L* are
    those of the frame shown at that moment. Runs in blocks, so that a whole evening fits in memory.

    Parameters
    ----------
    board
        The board, at rest.
    recording
        What sounds at its microphone.
    rng
        Of the noise of microphone, preamp and ADC; None: no noise.
    progress
        Called with the share that is done, 0 to 1.

    Returns
    -------
    pandas.DataFrame
        time_s; pressure_pa; microphone_v; the stages between microphone and rectifier that do something, each
        as its field with _v (preamp_v), V round the bias; rectified_v and detector_v, V at the ADC's ground;
        adc_counts; envelope_counts; duty, 0 to 1; lightness_lstar.

    Examples
    --------
    >>> import numpy as np
    >>> import envlab
    >>> from envlab.engine.node_table import nodes_at_readings
    >>> silence = envlab.Recording(np.zeros(480), 48_000.0)
    >>> table = nodes_at_readings(envlab.Chain(), silence)
    >>> len(table), list(table)[:4]
    (10, ['time_s', 'pressure_pa', 'microphone_v', 'preamp_v'])
    """
    import pandas as pd

    player = Player(board, recording, None if rng is None else noise_streams(rng))
    stages = front_end_of(board)
    *between, last = (name for name, stage in stages.items() if not stage.is_wire)
    times_s = np.arange(player.readings) / board.adc.rate_hz
    nearest = np.minimum(np.round(times_s * player.rate_hz).astype(np.int64), player.samples - 1)
    columns: dict[str, FloatArray] = {name: np.empty(times_s.size) for name in ("", *between, last)}
    for block in player.blocks():
        end = block.start + block.held_v.size
        at = slice(*np.searchsorted(nearest, (block.start, end)))
        for name, column in columns.items():
            node = block.nodes[name] if name else block.pressure_pa
            column[at] = node[nearest[at] - block.start]
        if progress is not None:
            progress(end / player.samples)
    played = player.played()
    light = played.light
    shown = np.floor(np.arange(times_s.size) * board.frame_rate_hz / board.adc.rate_hz + 1e-9).astype(int)
    shown = np.minimum(shown, light.codes.size - 1)
    reference_node_v = board.rectifier.reference_node_v
    return pd.DataFrame(
        {
            "time_s": times_s,
            "pressure_pa": columns[""],
            **{f"{name}_v": columns[name] for name in between},
            "rectified_v": reference_node_v + columns[last],
            "detector_v": reference_node_v + played.held_v,
            "adc_counts": played.adc_counts,
            "envelope_counts": light.envelope_counts,
            "duty": light.duty[shown],
            "lightness_lstar": lightness_cie1976(
                light.duty[shown] * light.table.full_code / light.table.brightest_code
            ),
        }
    )

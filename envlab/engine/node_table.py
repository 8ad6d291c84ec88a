"""Every node of one board on one recording, at the ADC's rate: what a scope and a log would show."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import numpy as np

from envlab.analog.noise import noise_streams
from envlab.engine.board import Board, front_end_of
from envlab.engine.nodes import Played, Player
from envlab.light.lightness import lightness_cie1976
from envlab.seeds import Seed
from envlab.sound.stream import Sound
from envlab.units import FloatArray, IntArray

if TYPE_CHECKING:
    import pandas as pd

# Readings that make one piece of the table.
ROWS = 100_000
# Counts of the ADC (readings,) → duty and lightness L* of the frames, (frames,) each.
LightOf = Callable[[IntArray], tuple[FloatArray, FloatArray]]


def nodes_at_readings(
    board: Board,
    sound: Sound,
    rng: Seed | None = None,
    progress: Callable[[float], None] | None = None,
) -> pd.DataFrame:
    """Return one row per ADC reading: time_s, every analog node in volts, counts, duty, L*.

    Analog nodes but the detector's are those of the internal sample nearest to the reading; duty and L* are
    those of the frame shown at that moment. The sound runs through the board in blocks; node_pieces gives the
    table in pieces too.

    Parameters
    ----------
    board
        The board, at rest.
    sound
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

    return pd.concat(list(node_pieces(board, sound, rng, progress)), ignore_index=True)


def node_pieces(
    board: Board,
    sound: Sound,
    rng: Seed | None = None,
    progress: Callable[[float], None] | None = None,
    light_of: LightOf | None = None,
) -> Iterator[pd.DataFrame]:
    """Yield the table of nodes_at_readings in pieces of ROWS rows, so that a whole evening fits in memory.

    The light needs all readings, so analog nodes wait in a file that nobody sees until the sound has ended.

    Parameters
    ----------
    board, sound, rng, progress
        As of nodes_at_readings; sound may be streamed from its file.
    light_of
        What the frames show of the ADC's counts; None: what the brightness table does.
    """
    player = Player(board, sound, None if rng is None else noise_streams(rng))
    between, last = _named_nodes(board)
    nearest = _nearest_samples(player, board)
    with tempfile.TemporaryFile() as kept:
        for block in player.blocks():
            end = block.start + block.held_v.size
            at = nearest[slice(*np.searchsorted(nearest, (block.start, end)))] - block.start
            rows = [block.pressure_pa[at], *(block.nodes[name][at] for name in (*between, last))]
            kept.write(np.stack(rows, axis=1).tobytes())
            if progress is not None:
                progress(end / player.samples)
        del nearest
        kept.seek(0)
        played = player.played()
        duty, lightness = _plain_light(played) if light_of is None else light_of(played.adc_counts)
        names = ["pressure_pa", *(f"{name}_v" for name in between), "rectified_v"]
        for first in range(0, player.readings, ROWS):
            rows_here = range(first, min(first + ROWS, player.readings))
            analog = np.frombuffer(kept.read(8 * len(names) * len(rows_here))).reshape(-1, len(names))
            yield _piece(board, rows_here, dict(zip(names, analog.T, strict=True)), played, duty, lightness)


def _named_nodes(board: Board) -> tuple[list[str], str]:
    """Name the stages behind which something is to be seen, and the last of them, the rectifier."""
    *between, last = (name for name, stage in front_end_of(board).items() if not stage.is_wire)
    return between, last


def _nearest_samples(player: Player, board: Board) -> IntArray:
    times_s = np.arange(player.readings) / board.adc.rate_hz
    return np.minimum(np.round(times_s * player.rate_hz).astype(np.int64), player.samples - 1)


def _plain_light(played: Played) -> tuple[FloatArray, FloatArray]:
    light = played.light
    luminance = light.duty * light.table.full_code / light.table.brightest_code
    return light.duty, lightness_cie1976(luminance)


def _piece(
    board: Board,
    rows: range,
    analog: dict[str, FloatArray],
    played: Played,
    duty: FloatArray,
    lightness: FloatArray,
) -> pd.DataFrame:
    """Return some rows of the table; analog: as kept, the rectifier's V above its node."""
    import pandas as pd

    number, here = np.arange(rows.start, rows.stop), slice(rows.start, rows.stop)
    shown = np.floor(number * board.frame_rate_hz / board.adc.rate_hz + 1e-9).astype(int)
    shown = np.minimum(shown, duty.size - 1)
    reference_node_v = board.rectifier.reference_node_v
    return pd.DataFrame(
        {
            "time_s": number / board.adc.rate_hz,
            **analog,
            "rectified_v": reference_node_v + analog["rectified_v"],
            "detector_v": reference_node_v + played.held_v[here],
            "adc_counts": played.adc_counts[here],
            "envelope_counts": played.light.envelope_counts[here],
            "duty": duty[shown],
            "lightness_lstar": lightness[shown],
        }
    )

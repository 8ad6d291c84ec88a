"""Every node of one board on one recording, at the ADC's rate: what a scope and a log would show."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from envlab.analog.adc import instant_count
from envlab.analog.noise import noise_streams
from envlab.digital.followers import follow
from envlab.engine.board import Board, front_end_of
from envlab.engine.nodes import read_blocks
from envlab.engine.reading_schedule import Named, frame_readings
from envlab.light.lightness import lightness_cie1976
from envlab.seeds import Seed
from envlab.sound.stream import Sound
from envlab.units import FloatArray, IntArray

if TYPE_CHECKING:
    import pandas as pd

# Readings that make one piece of the table.
ROWS = 100_000
# Counts of the finest converter have 16 bit.
Counts = NDArray[np.uint16]
# Counts of the ADC (readings,) → duty and lightness L* of the frames, (frames,) each.
LightOf = Callable[[Counts], tuple[FloatArray, FloatArray]]


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

    The light needs all readings, so the rest waits in a file that nobody sees until the sound has ended; what
    is held of each reading are two bytes.

    Parameters
    ----------
    board, sound, rng, progress
        As of nodes_at_readings; sound may be streamed from its file.
    light_of
        What the frames show of the ADC's counts; None: what the brightness table does.
    """
    between, last = _named_nodes(board)
    names = ("pressure_pa", *(f"{name}_v" for name in between), "rectified_v")
    readings = instant_count(sound.duration_s, board.adc.rate_hz)
    nearest, counts, done = _Nearest(board, sound, readings), np.empty(readings, dtype=np.uint16), 0
    with tempfile.TemporaryFile() as nodes, tempfile.TemporaryFile() as held:
        for read in read_blocks(board, sound, None if rng is None else noise_streams(rng)):
            block = read.nodes
            end = block.start + block.held_v.size
            at = nearest.before(end) - block.start
            rows = [block.pressure_pa[at], *(block.nodes[name][at] for name in (*between, last))]
            nodes.write(np.stack(rows, axis=1).tobytes())
            held.write(read.held_v.tobytes())
            counts[done : done + read.adc_counts.size] = read.adc_counts
            done += read.adc_counts.size
            if progress is not None:
                progress(end / nearest.samples)
        nodes.seek(0)
        held.seek(0)
        if light_of is None:
            duty, lightness = _plain_light(
                board, counts, instant_count(sound.duration_s, board.frame_rate_hz)
            )
        else:
            duty, lightness = light_of(counts)
        for rows_here, envelope_counts in _envelopes(board, counts):
            analog = np.frombuffer(nodes.read(8 * len(names) * len(rows_here))).reshape(-1, len(names))
            held_v = np.frombuffer(held.read(8 * len(rows_here)))
            shown = _shown(board, rows_here, duty.size)
            here = slice(rows_here.start, rows_here.stop)
            yield _piece(
                board,
                rows_here,
                dict(zip(names, analog.T, strict=True)) | {"detector_v": held_v},
                {
                    "adc_counts": counts[here].astype(np.int64),
                    "envelope_counts": envelope_counts,
                    "duty": duty[shown],
                    "lightness_lstar": lightness[shown],
                },
            )


class _Nearest:
    """Hands out the internal sample that is nearest to each reading; samples: how many the sound has."""

    def __init__(self, board: Board, sound: Sound, readings: int) -> None:
        self._adc_hz, self._rate_hz = board.adc.rate_hz, sound.internal_rate_hz
        self.samples = round(sound.duration_s * self._rate_hz)
        self._readings, self._done = readings, 0

    def before(self, end: int) -> IntArray:
        """Return those of the next readings whose sample is one before end."""
        upto = min(self._readings, math.ceil((end + 1) / self._rate_hz * self._adc_hz) + 1)
        times_s = np.arange(self._done, max(self._done, upto)) / self._adc_hz
        nearest = np.minimum(np.round(times_s * self._rate_hz).astype(np.int64), self.samples - 1)
        due = nearest[: int(np.searchsorted(nearest, end))]
        self._done += due.size
        return due


def _named_nodes(board: Board) -> tuple[list[str], str]:
    """Name the stages behind which something is to be seen, and the last of them, the rectifier."""
    *between, last = (name for name, stage in front_end_of(board).items() if not stage.is_wire)
    return between, last


def _envelopes(board: Board, counts: Counts) -> Iterator[tuple[range, FloatArray]]:
    """Yield rows of the table, ROWS at a time, with the envelope that their readings make."""
    state: FloatArray | None = None
    for first in range(0, counts.size, ROWS):
        rows = range(first, min(first + ROWS, counts.size))
        above_zero = counts[rows.start : rows.stop].astype(np.float64) - board.quiescent_counts
        envelope_counts, state = follow(
            np.maximum(above_zero, 0.0), board.follower, rate_hz=board.adc.rate_hz, state=state
        )
        yield rows, envelope_counts


def _plain_light(board: Board, counts: Counts, frames: int) -> tuple[FloatArray, FloatArray]:
    """Duty and lightness L* of the frames, by the brightness table."""
    table = board.brightness_table()
    named, codes = Named(frame_readings(board, frames)), list[IntArray]()
    for rows, envelope_counts in _envelopes(board, counts):
        codes.append(table.look_up(envelope_counts[named.before(rows.stop) - rows.start]))
    duty = np.concatenate(codes) / table.full_code
    return duty, lightness_cie1976(duty * table.full_code / table.brightest_code)


def _shown(board: Board, rows: range, frames: int) -> IntArray:
    """Return the frame that is shown at each reading."""
    number = np.arange(rows.start, rows.stop)
    shown: IntArray = np.floor(number * board.frame_rate_hz / board.adc.rate_hz + 1e-9).astype(np.int64)
    return shown.clip(max=frames - 1)


def _piece(
    board: Board,
    rows: range,
    analog: dict[str, FloatArray],
    read: dict[str, FloatArray | IntArray],
) -> pd.DataFrame:
    """Return some rows of the table; analog: as kept, the last two V above their node."""
    import pandas as pd

    reference_node_v = board.rectifier.reference_node_v
    lifted = {name: reference_node_v + analog[name] for name in ("rectified_v", "detector_v")}
    time_s = np.arange(rows.start, rows.stop) / board.adc.rate_hz
    return pd.DataFrame({"time_s": time_s, **analog, **lifted, **read})

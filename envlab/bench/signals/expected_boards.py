"""Boards within their tolerances, as the numbers by which a capture could tell them from their design."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from envlab.bench.fit.values import BoardValues, designed_values, time_constants
from envlab.bench.signals.board_wave import response_at
from envlab.bench.signals.program import HIGH_HZ, LOW_HZ, MAIN_HZ
from envlab.chain import Chain
from envlab.seeds import generator_of
from envlab.study.tolerance.drawn_boards import board_of, draw
from envlab.study.tolerance.tolerances import Tolerances, varied_parameters

# The bench stands in a room, not in the night.
_BENCH_C = (18.0, 30.0)
# What a plain converter's own offset and a precision rectifier's own dead zone may be; common practice, no
# source.
OFFSET_V = 6e-3
DROP_V = 10e-3
# By wire the level is set with a multimeter, through two resistors of 1 % (common practice, no source).
LEVEL_SHARE = 0.04
BOARDS = 300
SEED = 15


def boards_within(
    chain: Chain, way: str, tolerances: Tolerances | None = None, boards: int = BOARDS, seed: int = SEED
) -> list[BoardValues]:
    """Return boards drawn within the tolerances of their parts.

    Parameters
    ----------
    chain : Chain
        The design.
    way : str
        How the signal is put in, "wire" or "acoustic".
    tolerances : Tolerances or None
        None: usual ones.
    boards : int
        How many, 1 or more.
    seed : int
        Where the chance comes from.
    """
    asked = replace(tolerances or Tolerances(), temperature_c=_BENCH_C)
    parameters = varied_parameters(chain, asked)
    values = draw(parameters, boards, seed)
    rng = generator_of(seed)
    own = rng.uniform(-1, 1, (boards, 3))
    drawn = []
    for row, (offset, drop, level) in zip(values, own, strict=True):
        board = values_of(chain, board_of(chain, parameters, row), way)
        played = 1 + (LEVEL_SHARE * level if way == "wire" else 0.0)
        drawn.append(
            replace(
                board,
                gain=played * board.gain,
                low_gain=played * board.low_gain,
                high_gain=played * board.high_gain,
                offset_lsb=board.offset_lsb + offset * OFFSET_V / chain.adc.lsb_v,
                drop_v=board.drop_v + drop * DROP_V,
            )
        )
    return drawn


def values_of(design: Chain, board: Chain, way: str) -> BoardValues:
    """Return a board's numbers beside its design; way as boards_within."""
    attack_s, release_s = time_constants(board.detector_as_built)

    def ratio(frequency_hz: float) -> float:
        return response_at(board, way, frequency_hz) / response_at(design, way, frequency_hz)

    # A reference that is off counts every volt differently.
    scale = design.adc.reference_v / board.adc.reference_v
    swing = min(board.preamp.swing_up_v, board.preamp.swing_down_v)
    designed = min(design.preamp.swing_up_v, design.preamp.swing_down_v)
    return replace(
        designed_values(board),
        gain=scale * ratio(MAIN_HZ),
        low_gain=scale * ratio(LOW_HZ[way]),
        high_gain=scale * ratio(HIGH_HZ),
        attack_s=attack_s,
        release_s=release_s,
        limit=scale * swing / designed,
    )


def spread_of(values: list[BoardValues], names: tuple[str, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Return (mean, covariance) of boards' numbers, logarithms of those that are ratios or times."""
    rows = np.array([vector_of(one, names) for one in values])
    return rows.mean(axis=0), np.atleast_2d(np.cov(rows.T))


def vector_of(values: BoardValues, names: tuple[str, ...]) -> np.ndarray:
    """Return numbers of a board by name, logarithms of those that cannot be negative."""
    plain = ("offset_lsb", "drop_v", "lean_v")
    return np.array([v if n in plain else np.log(v) for n, v in ((n, getattr(values, n)) for n in names)])

"""The sheet that goes with a bench signal: what every node should show, as rows; no layout."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from envlab.bench.fit.model import BenchModel
from envlab.bench.fit.values import designed_values
from envlab.bench.signals.attenuator import Attenuator, attenuator_for
from envlab.bench.signals.board_wave import input_level_db_spl, top_v
from envlab.bench.signals.expected import expected_readings, readings_of
from envlab.bench.signals.expected_boards import boards_within
from envlab.bench.signals.program import BenchProgram, bench_program
from envlab.chain import Chain
from envlab.design_file import digest
from envlab.study.tolerance.tolerances import Tolerances
from envlab.units import from_db


@dataclass(frozen=True)
class SheetRow:
    """What one stretch should show.

    name: of the reading. start_s: when in the file, s. preamp_peak_v: peak at the preamp's output round its
    bias, V; None where no steady tone sounds. pin_v, low_v, high_v: mean at the converter's pin as designed
    and its limits, V. counts, low, high: the same as the converter's mean reading.
    """

    name: str
    start_s: float
    preamp_peak_v: float | None
    pin_v: float
    low_v: float
    high_v: float
    counts: float
    low: float
    high: float


@dataclass(frozen=True, eq=False)
class BenchSheet:
    """A bench signal and what it should show. attenuator: by wire. level_db_spl: by air, of the loudest tone
    at the microphone. boards: that the limits are made of."""

    chain: Chain
    program: BenchProgram
    rows: tuple[SheetRow, ...]
    attenuator: Attenuator | None
    level_db_spl: float | None
    boards: int
    design_mark: str


def bench_sheet(chain: Chain, way: str = "wire", tolerances: Tolerances | None = None) -> BenchSheet:
    """Return the sheet of a design's bench signal.

    Parameters
    ----------
    chain : Chain
        The design.
    way : str
        "wire" or "acoustic".
    tolerances : Tolerances or None
        Of the parts; None: usual ones.
    """
    program = bench_program(chain, way)
    model = BenchModel(chain, program)
    within = boards_within(chain, way, tolerances)
    boards = [designed_values(chain), *within]
    volts = expected_readings(model, boards, in_counts=False)
    counts = expected_readings(model, boards)
    rows = []
    for place, one in enumerate(readings_of(program)):
        rows.append(
            SheetRow(
                one.name,
                one.first_s,
                _preamp_peak_v(chain, program, one.first_s),
                *_limits(volts[:, place]),
                *_limits(counts[:, place]),
            )
        )
    wire = way == "wire"
    return BenchSheet(
        chain,
        program,
        tuple(rows),
        attenuator_for(chain) if wire else None,
        None if wire else input_level_db_spl(chain),
        len(within),
        digest(chain),
    )


def _limits(column: np.ndarray) -> tuple[float, float, float]:
    return float(column[0]), float(column.min()), float(column.max())


def _preamp_peak_v(chain: Chain, program: BenchProgram, at_s: float) -> float | None:
    """Of the step that sounds at a moment."""
    for one in program.of_kind("step"):
        if one.start_s <= at_s < one.end_s:
            return top_v(chain) * from_db(one.level_db)
    return None

"""Boards drawn from tolerances: how far off each parameter is on each board, and the board that it makes.

A board's deviation of each parameter is drawn on its own, all parameters independent of each other. A
parameter's draws come from a generator of their own, so that they stay what they are when another parameter
is made exact, and the first hundred boards of a thousand are the hundred.
"""

from __future__ import annotations

import operator
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from envlab.analog.rectifiers.active import ActiveRectifier
from envlab.chain import Chain
from envlab.study.specification.ranges import with_values
from envlab.study.tolerance.operating_conditions import under_conditions
from envlab.study.tolerance.tolerances import LEVEL, SIGMAS, VariedParameter
from envlab.units import FloatArray


def draw(parameters: list[VariedParameter], boards: int, seed: int) -> FloatArray:
    """Return the parameters' values on each board, shape (boards, parameters).

    In the units of their names.
    """
    columns = []
    for parameter in parameters:
        rng = np.random.default_rng([seed, zlib.crc32(parameter.name.encode())])
        even = rng.random(boards)
        columns.append(parameter.value(2 * even - 1 if parameter.shape == "uniform" else _normal_share(even)))
    return np.stack(columns, axis=1) if columns else np.empty((boards, 0))


def _normal_share(even: FloatArray) -> FloatArray:
    """From even numbers 0 to 1 to a normal deviation in tolerances, cut off at SIGMAS of its sigmas."""
    from scipy.special import ndtr, ndtri

    below = ndtr(-SIGMAS)
    return np.asarray(ndtri(below + even * (1 - 2 * below)) / SIGMAS)


def board_of(chain: Chain, parameters: list[VariedParameter], values: FloatArray) -> Chain:
    """Return the chain that one board really is; values: shape (parameters,), as draw gives them.

    Raises ParameterError where a part cannot be what the deviation makes of it, as a drain that starves.
    """
    of = {parameter.name: float(value) for parameter, value in zip(parameters, values, strict=True)}
    keys = [parameter.key for parameter in parameters if parameter.key]
    parts = [
        _deviated(operator.attrgetter(parameter.key)(chain), parameter, of[parameter.name])
        for parameter in parameters
        if parameter.key
    ]
    board = with_values(chain, keys, parts) if keys else chain
    if "microphone_db" in of:
        heard = board.microphone
        louder = replace(heard, sensitivity_dbv_pa=heard.sensitivity_dbv_pa + of["microphone_db"])
        board = replace(board, microphone=louder)
    if "input_offset_v" in of:
        offset_v = board.preamp.input_offset_v + of["input_offset_v"]
        board = replace(board, preamp=replace(board.preamp, input_offset_v=offset_v))
    board = _other_amplifiers(board, of)
    if "buffer_low_percent" in of:
        lowest_v = board.adc_as_built.lowest_pin_v * (1 + 0.01 * of["buffer_low_percent"])
        board = replace(board, adc=replace(board.adc, buffer_low_v=min(lowest_v, 1.0)))
    if "reference_percent" in of:
        reference_v = board.adc.reference_v * (1 + 0.01 * of["reference_percent"])
        board = replace(board, adc=replace(board.adc, reference_v=reference_v))
    return under_conditions(board, temperature_c=of.get("temperature_c"), supply_v=of.get("supply_v"))


def levels_off_db(parameters: Sequence[VariedParameter], values: FloatArray) -> FloatArray:
    """Return by how much the clip of the largest uncertainty is louder than stated, dB, shape (boards,).

    values: shape (boards, parameters), as draw gives them; NaN stands for "as designed".
    """
    for place, parameter in enumerate(parameters):
        if parameter.name == LEVEL:
            return np.asarray(np.nan_to_num(values[:, place]))
    return np.zeros(len(values))


def hearing(board: Chain, louder_db: float) -> Chain:
    """Return the board as it meets a sound that is louder by so many dB than the recording that is played.

    A microphone more sensitive by as much, which is overloaded so much earlier, within 90 to 160 dB SPL. Its
    self-noise grows along, which a real one's does not.
    """
    if louder_db == 0:
        return board
    heard = board.microphone
    overload_db_spl = min(max(heard.overload_db_spl - louder_db, 90.0), 160.0)
    sensitivity_dbv_pa = heard.sensitivity_dbv_pa + louder_db
    louder = replace(heard, sensitivity_dbv_pa=sensitivity_dbv_pa, overload_db_spl=overload_db_spl)
    return replace(board, microphone=louder)


def _deviated(designed: float, parameter: VariedParameter, deviation: float) -> float:
    return designed * (1 + 0.01 * deviation) if parameter.is_part else designed + deviation


def _other_amplifiers(board: Chain, of: Mapping[str, float]) -> Chain:
    """Return the board with its rectifier's amplifiers as drawn."""
    rectifier = board.rectifier
    if not isinstance(rectifier, ActiveRectifier):
        return board
    values = {
        f"offset_{name[:3]}_v": getattr(rectifier, f"offset_{name[:3]}_v") + value
        for name, value in of.items()
        if name.startswith("u2") and name.endswith("_offset_v")
    }
    if "output_low_percent" in of:
        lowest_v = rectifier.amplifier_part.output_low_v
        values["output_low_v"] = lowest_v * (1 + 0.01 * of["output_low_percent"])
    return replace(board, rectifier=replace(rectifier, **values)) if values else board

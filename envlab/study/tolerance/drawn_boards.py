"""Boards drawn from tolerances: how far off each parameter is on each board, and the board that it makes.

A board's deviation of each parameter is drawn on its own, all parameters independent of each other. A
parameter's draws come from a generator of their own, so that they stay what they are when another parameter
is made exact, and the first hundred boards of a thousand are the hundred.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from envlab.analog.adc import Adc
from envlab.analog.rectifiers.active import ActiveRectifier
from envlab.chain import Chain
from envlab.engine.board import field_names
from envlab.errors import ParameterError
from envlab.study.tolerance.operating_conditions import stages_under_conditions
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
    stages = {name: getattr(chain, name) for name in field_names(chain)}
    for stage, parts in _parts_by_stage(parameters, of).items():
        designed = stages[stage]
        fields = {
            parameter.key.partition(".")[2]: _deviated(designed, parameter, of[parameter.name])
            for parameter in parts
        }
        stages[stage] = replace(designed, **fields)
    if "microphone_db" in of:
        heard = stages["microphone"]
        sensitivity_dbv_pa = heard.sensitivity_dbv_pa + of["microphone_db"]
        stages["microphone"] = replace(heard, sensitivity_dbv_pa=sensitivity_dbv_pa)
    if "input_offset_v" in of:
        preamp = stages["preamp"]
        stages["preamp"] = replace(preamp, input_offset_v=preamp.input_offset_v + of["input_offset_v"])
    stages["rectifier"] = _other_amplifiers(stages["rectifier"], of)
    stages["adc"] = _other_converter(stages["adc"], stages["rectifier"].topology, of)
    temperature_c, supply_v = of.get("temperature_c"), of.get("supply_v")
    changed = stages_under_conditions(stages, temperature_c=temperature_c, supply_v=supply_v)
    # Made once: each Chain works out what rests where, to see that its stages go together.
    return replace(chain, **(stages | changed))


def moved_one_at_a_time(parameters: Sequence[VariedParameter]) -> FloatArray:
    """Return the board as designed, then two for each parameter: one at either end, all else as designed.

    Shape (1 + 2·parameters, parameters), as draw gives values; NaN stands for "as designed".
    """
    count = len(parameters)
    values = np.full((1 + 2 * count, count), np.nan)
    for place, parameter in enumerate(parameters):
        values[1 + 2 * place, place], values[2 + 2 * place, place] = parameter.low, parameter.high
    return values


def working_board(chain: Chain, parameters: Sequence[VariedParameter], values: FloatArray) -> Chain | None:
    """Return the board that some values make; None if such a board does not work at all.

    values: shape (parameters,), as draw gives them; NaN stands for "as designed".
    """
    known = ~np.isnan(values)
    some = [parameter for parameter, is_known in zip(parameters, known, strict=True) if is_known]
    try:
        return board_of(chain, some, values[known])
    except ParameterError:
        return None


def _parts_by_stage(
    parameters: Sequence[VariedParameter], of: Mapping[str, float]
) -> dict[str, list[VariedParameter]]:
    stages: dict[str, list[VariedParameter]] = {}
    for parameter in parameters:
        if parameter.key and parameter.name in of:
            stages.setdefault(parameter.key.partition(".")[0], []).append(parameter)
    return stages


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


def _deviated(stage: Any, parameter: VariedParameter, deviation: float) -> float:
    designed = float(getattr(stage, parameter.key.partition(".")[2]))
    return designed * (1 + 0.01 * deviation) if parameter.is_part else designed + deviation


def _other_amplifiers(rectifier: Any, of: Mapping[str, float]) -> Any:
    """Return the rectifier with its amplifiers as drawn."""
    if not isinstance(rectifier, ActiveRectifier):
        return rectifier
    values = {
        f"offset_{name[:3]}_v": getattr(rectifier, f"offset_{name[:3]}_v") + value
        for name, value in of.items()
        if name.startswith("u2") and name.endswith("_offset_v")
    }
    if "output_low_percent" in of:
        lowest_v = rectifier.amplifier_part.output_low_v
        values["output_low_v"] = lowest_v * (1 + 0.01 * of["output_low_percent"])
    return replace(rectifier, **values) if values else rectifier


def _other_converter(adc: Adc, topology: str, of: Mapping[str, float]) -> Adc:
    """Return the converter with buffer and reference as drawn."""
    if "buffer_low_percent" in of:
        lowest_v = adc.behind(topology).lowest_pin_v * (1 + 0.01 * of["buffer_low_percent"])
        adc = replace(adc, buffer_low_v=min(lowest_v, 1.0))
    if "reference_percent" in of:
        adc = replace(adc, reference_v=adc.reference_v * (1 + 0.01 * of["reference_percent"]))
    return adc

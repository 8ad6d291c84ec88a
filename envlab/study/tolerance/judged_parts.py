"""The parts list as boards were judged: what a buyer asks for is what boards were drawn with.

Both come from the same varied parameters (tolerances.py). A part that scatters more than its row says was not
judged, and the yield says nothing of its board.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from envlab.chain import Chain
from envlab.light.power.battery import Pack
from envlab.study.specification.parts_list import BoardPart, parts_list
from envlab.study.specification.specification import Specification
from envlab.study.tolerance.tolerances import VariedParameter, varied_parameters


def judged_parts(
    specification: Specification, chain: Chain | None = None, *, pack: Pack | None = None
) -> list[BoardPart]:
    """Return parts_list with the tolerances that the boards of a specification are drawn with.

    Resistors and capacitors have the tolerance that is drawn; a part that is judged as exact, which none
    is, keeps the usual one. The microphone has its ±, the preamp's amplifier the largest offset that is
    judged whichever its sign (asked_offset_v), the controller what its converter may be off by.

    Parameters
    ----------
    specification : Specification
        What was asked.
    chain : Chain or None
        The board; None: the specification's own.
    pack : Pack or None
        As in parts_list.

    Returns
    -------
    list of BoardPart

    Raises
    ------
    ParameterError
        For tolerances of a part that the board does not have.

    Examples
    --------
    >>> import envlab
    >>> parts = judged_parts(envlab.Specification(envlab.Chain()))
    >>> next(part.specification for part in parts if part.kind == "microphone").rpartition(", ")[2]
    '±3 dB or less'
    """
    board = specification.chain if chain is None else chain
    parameters = varied_parameters(board, specification.tolerance, specification.ranges, specification.clips)
    by_name = {one.name: one for one in parameters}
    drawn = {one.key: one.high for one in parameters if one.is_part}
    own_v = board.preamp.input_offset_v
    offset_v = asked_offset_v(own_v, by_name["input_offset_v"].high if "input_offset_v" in by_name else 0.0)
    more = {"microphone": _of_microphone(by_name), "controller": _of_converter(parameters)}
    return [
        replace(
            part,
            tolerance_percent=drawn.get(part.key, part.tolerance_percent),
            specification=part.specification + more.get(part.kind, ""),
        )
        for part in parts_list(board, specification.ranges, pack=pack, offset_v=offset_v)
    ]


def asked_offset_v(own_v: float, drawn_v: float) -> float:
    """Return the largest offset, V, whose both signs lie within what is drawn, ± drawn_v about own_v.

    Where there is none but 0, no board but one of own_v's sign was judged, and own_v is asked for.

    Examples
    --------
    >>> asked_offset_v(0.0005, 0.002), asked_offset_v(0.0005, 0.0)
    (0.0015, 0.0005)
    """
    both_signs_v = drawn_v - abs(own_v)
    return both_signs_v if both_signs_v > 0 else abs(own_v)


def _of_microphone(by_name: Mapping[str, VariedParameter]) -> str:
    scatter = by_name.get("microphone_db")
    return f", {scatter.range_text} or less" if scatter is not None else ""


def _of_converter(parameters: Sequence[VariedParameter]) -> str:
    """What the converter may be off by, its reference and its supply, none of which is a part by itself."""
    off = [one for one in parameters if one.key.startswith("adc.") and not one.is_part]
    off += [one for one in parameters if one.name == "reference_percent"]
    told = [f"{one.label} {one.range_text}" for one in off]
    supply = next((one for one in parameters if one.name == "supply_v"), None)
    told += [f"supply of the analog part {supply.range_text}"] if supply is not None else []
    words = ", ".join(told)
    return f"; boards were judged with {words}" if told else ""

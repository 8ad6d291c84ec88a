"""A vector of numbers, one a detector, that a compiled loop keeps in the processor's registers.

An array would be read from memory and written back at every step; the compiler turns a value of this type
into as many vector registers as it takes (four of 512 bits, eight of 256) and leaves it there. In compiled
code +, −, * and max work on two vectors lane by lane.

Of LANES, 16 leave the arithmetic units waiting for the step before (1.5 times slower, measured), and 64 no
longer fit into sixteen registers of 256 bits (1.5 times slower there).
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Sequence
from typing import Any

import numba.extending
from llvmlite import ir  # type: ignore[import-untyped]
from numba import types
from numba.extending import models

LANES = 32

_DOUBLES = ir.VectorType(ir.DoubleType(), LANES)
_HALVES = [LANES >> i for i in range(1, LANES.bit_length())]
# A multiply and an add may become one fused step, as in every compiled loop here.
_FUSED = ("contract",)

intrinsic: Callable[..., Any] = numba.extending.intrinsic
_register_model: Callable[..., Any] = numba.extending.register_model
_has_type: Callable[..., Any] = numba.extending.type_callable
_has_code: Callable[..., Any] = numba.extending.lower_builtin


class LaneVector(types.Type):
    """LANES doubles."""

    def __init__(self) -> None:
        super().__init__(name=f"LaneVector({LANES})")


lane_vector = LaneVector()


@_register_model(LaneVector)
class _LaneVectorModel(models.PrimitiveModel):
    def __init__(self, manager: Any, numba_type: Any) -> None:
        super().__init__(manager, numba_type, _DOUBLES)  # type: ignore[no-untyped-call]


def _integers(values: Sequence[int]) -> Any:
    return ir.Constant(ir.VectorType(ir.IntType(32), len(values)), list(values))


def _place(context: Any, builder: Any, array_type: Any, array: Any, index: Any) -> Any:
    """Address of LANES elements of a contiguous array; no more than 8-byte alignment is taken for granted."""
    data = context.make_array(array_type)(context, builder, array).data
    return builder.bitcast(builder.gep(data, [index]), _DOUBLES.as_pointer())


@intrinsic
def load(_typing: Any, array: Any, index: Any) -> Any:
    """Return array[index : index + LANES]."""

    def emit(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return builder.load(_place(context, builder, signature.args[0], *arguments), align=8)

    return lane_vector(array, index), emit


@intrinsic
def store(_typing: Any, array: Any, index: Any, vector: Any) -> Any:
    """Set array[index : index + LANES]."""

    def emit(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        place = _place(context, builder, signature.args[0], *arguments[:2])
        builder.store(arguments[2], place, align=8)
        return context.get_dummy_value()

    return types.void(array, index, vector), emit


@intrinsic
def everywhere(_typing: Any, number: Any) -> Any:
    """Return the vector that has this number in every lane."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        empty = ir.Constant(_DOUBLES, ir.Undefined)
        first = builder.insert_element(empty, arguments[0], ir.Constant(ir.IntType(32), 0))
        return builder.shuffle_vector(first, empty, _integers([0] * LANES))

    return lane_vector(number), emit


@intrinsic
def smallest(_typing: Any, vector: Any) -> Any:
    """Return the smallest number of a vector."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        (rest,) = arguments
        for count in _HALVES:
            low = builder.shuffle_vector(rest, rest, _integers(range(count)))
            high = builder.shuffle_vector(rest, rest, _integers(range(count, 2 * count)))
            rest = builder.select(builder.fcmp_ordered("<", low, high), low, high)
        return builder.extract_element(rest, ir.Constant(ir.IntType(32), 0))

    return types.float64(vector), emit


def _lane_by_lane(symbol: Any, emit: Callable[[Any, Any, Any], Any]) -> None:
    """Teach the compiler what symbol means between two vectors."""

    def type_of(_context: Any) -> Any:
        return lambda one, other: lane_vector if one == other == lane_vector else None

    def emit_one(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return emit(builder, *arguments)

    _has_type(symbol)(type_of)
    _has_code(symbol, LaneVector, LaneVector)(emit_one)


_lane_by_lane(operator.add, lambda builder, one, other: builder.fadd(one, other, flags=_FUSED))
_lane_by_lane(operator.sub, lambda builder, one, other: builder.fsub(one, other, flags=_FUSED))
_lane_by_lane(operator.mul, lambda builder, one, other: builder.fmul(one, other, flags=_FUSED))
_lane_by_lane(
    max, lambda builder, one, other: builder.select(builder.fcmp_ordered(">", one, other), one, other)
)

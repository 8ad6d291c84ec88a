"""A vector of detector voltages that a compiled loop keeps in the processor's registers.

An array of voltages would be read from memory and written back at every step; the compiler turns a value of
this type into as many vector registers as it takes (four of 512 bits, eight of 256) and leaves it there.
LANES detectors a vector: fewer leave the arithmetic units waiting for the step before.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from llvmlite import ir  # type: ignore[import-untyped]
from numba import types
from numba.extending import intrinsic as numba_intrinsic
from numba.extending import models, register_model

LANES = 32

_DOUBLES = ir.VectorType(ir.DoubleType(), LANES)
_MASK = ir.IntType(LANES)
_BROADCAST = ir.Constant(ir.VectorType(ir.IntType(32), LANES), [0] * LANES)
_FUSED = ("contract",)

intrinsic: Callable[..., Any] = numba_intrinsic
_model_of: Callable[..., Any] = register_model


class LaneVector(types.Type):
    """LANES doubles."""

    def __init__(self) -> None:
        super().__init__(name=f"LaneVector({LANES})")


lane_vector = LaneVector()


@_model_of(LaneVector)
class _LaneVectorModel(models.PrimitiveModel):
    def __init__(self, manager: Any, numba_type: Any) -> None:
        super().__init__(manager, numba_type, _DOUBLES)  # type: ignore[no-untyped-call]


def _place(context: Any, builder: Any, array_type: Any, array: Any, index: Any) -> Any:
    """Address of LANES elements of a contiguous array; no more than 8-byte alignment is taken for granted."""
    data = context.make_array(array_type)(context, builder, array).data
    return builder.bitcast(builder.gep(data, [index]), _DOUBLES.as_pointer())


def _everywhere(builder: Any, number: Any) -> Any:
    empty = ir.Constant(_DOUBLES, ir.Undefined)
    first = builder.insert_element(empty, number, ir.Constant(ir.IntType(32), 0))
    return builder.shuffle_vector(first, empty, _BROADCAST)


@intrinsic
def load(typing: Any, array: Any, index: Any) -> Any:
    """Return array[index : index + LANES]."""
    del typing

    def emit(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        place = _place(context, builder, signature.args[0], *arguments)
        return builder.load(place, align=8)

    return lane_vector(array, index), emit


@intrinsic
def store(typing: Any, array: Any, index: Any, lanes: Any) -> Any:
    """Set array[index : index + LANES]."""
    del typing

    def emit(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        place = _place(context, builder, signature.args[0], *arguments[:2])
        builder.store(arguments[2], place, align=8)
        return context.get_dummy_value()

    return types.void(array, index, lanes), emit


@intrinsic
def hold_step(typing: Any, w: Any, charge: Any, bleed: Any, u: Any) -> Any:
    """Return max(bleed·w, charge·w + u), lane by lane."""
    del typing

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        w, charge, bleed, u = arguments
        let_go = builder.fmul(bleed, w)
        product = builder.fmul(charge, w, flags=_FUSED)
        charged = builder.fadd(product, _everywhere(builder, u), flags=_FUSED)
        return builder.select(builder.fcmp_ordered(">", let_go, charged), let_go, charged)

    return lane_vector(w, charge, bleed, u), emit


@intrinsic
def less_share(typing: Any, w: Any, share: Any) -> Any:
    """Return w − share·w, lane by lane."""
    del typing

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        w, share = arguments
        return builder.fsub(w, builder.fmul(share, w, flags=_FUSED), flags=_FUSED)

    return lane_vector(w, share), emit


@intrinsic
def between(typing: Any, before: Any, after: Any, fraction: Any) -> Any:
    """Return before + fraction·(after − before), lane by lane."""
    del typing

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        before, after, fraction = arguments
        way = builder.fsub(after, before)
        part = builder.fmul(_everywhere(builder, fraction), way, flags=_FUSED)
        return builder.fadd(before, part, flags=_FUSED)

    return lane_vector(before, after, fraction), emit


@intrinsic
def any_above(typing: Any, number: Any, scale: Any, w: Any) -> Any:
    """Return whether number > scale·w in at least one lane."""
    del typing

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        number, scale, w = arguments
        above = builder.fcmp_ordered(">", _everywhere(builder, number), builder.fmul(scale, w))
        return builder.icmp_unsigned("!=", builder.bitcast(above, _MASK), ir.Constant(_MASK, 0))

    return types.boolean(number, scale, w), emit

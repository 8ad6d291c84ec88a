"""A vector of numbers, one a detector, that a compiled loop keeps in the processor's registers.

An array would be read from memory and written back at every step; the compiler turns a value of this type
into as many vector registers as it takes (four of 512 bits, eight of 256) and leaves it there. In compiled
code +, −, *, max and min work on two vectors lane by lane.

Of LANES, 16 leave the arithmetic units waiting for the step before (1.5 times slower, measured), and 64 no
longer fit into sixteen registers of 256 bits (1.5 times slower there).

This file alone writes LLVM by hand, through numba's extension interface (a type, its model, and what each
operation emits). It is the part of the package that a new compiler is most likely to break: PROVEN says with
which versions it was run, pyproject.toml allows no others, and a test holds the two together.

With a version beyond PROVEN: run tests/analog and tests/metrics; if they pass, widen PROVEN and
pyproject.toml. If numba's interface has changed, replace this file, nothing else:

- LaneVector becomes an array of shape (LANES,), load and store a copy of LANES elements, and everywhere(x) a
  filled array; +, −, *, / and the other functions loop over the lanes. tests/analog/kernels/test_vectors.py
  says in plain numbers what each of them returns.
- A step written as a loop over LANES elements of an array takes 2.6 times as long and gives the same digits
  (measured on one processor with 512-bit vectors; the compiler then reads and writes the array each step).
- Or the loops of lane_kernels.py, tolerance_kernels.py, diode_lane_kernels.py and tone_kernels.py go to C,
  whose compilers know such vectors, behind the same signatures.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Sequence
from typing import Any

import numba.extending
from llvmlite import ir  # type: ignore[import-untyped]
from numba import types
from numba.extending import models

# From the first to before the second version.
PROVEN = {"numba": ("0.60", "0.69"), "llvmlite": ("0.43", "0.51")}
LANES = 32

_DOUBLES = ir.VectorType(ir.DoubleType(), LANES)
_WORDS = ir.VectorType(ir.IntType(64), LANES)
# A double (IEC 60559, binary64): 52 bits of fraction, above them the exponent, 1023 for numbers from 1 to 2.
_FRACTION_BITS = 52
_ONE = 1023 << _FRACTION_BITS
# Set above a whole number below 2^52, this exponent makes a double of it that is larger by 2^52.
_WHOLE = (1023 + 52) << _FRACTION_BITS
# As many lanes as are compared at once where only "any" is asked.
_FEW = 8
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


def _filled(builder: Any, vector_type: Any, number: Any) -> Any:
    empty = ir.Constant(vector_type, ir.Undefined)
    first = builder.insert_element(empty, number, ir.Constant(ir.IntType(32), 0))
    return builder.shuffle_vector(first, empty, _integers([0] * vector_type.count))


def _folded(builder: Any, vector: Any, better: str, down_to: int) -> Any:
    """The upper half against the lower, lane by lane, until down_to lanes are left."""
    count = LANES
    while count > down_to:
        count //= 2
        low = builder.shuffle_vector(vector, vector, _integers(range(count)))
        high = builder.shuffle_vector(vector, vector, _integers(range(count, 2 * count)))
        vector = builder.select(builder.fcmp_ordered(better, low, high), low, high)
    return vector


def _bits(number: int) -> Any:
    return ir.Constant(_WORDS, [number] * LANES)


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
        return _filled(builder, _DOUBLES, arguments[0])

    return lane_vector(number), emit


@intrinsic
def smallest(_typing: Any, vector: Any) -> Any:
    """Return the smallest number of a vector."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        rest = _folded(builder, arguments[0], "<", down_to=1)
        return builder.extract_element(rest, ir.Constant(ir.IntType(32), 0))

    return types.float64(vector), emit


@intrinsic
def any_above(_typing: Any, vector: Any, limit: Any) -> Any:
    """Return whether any lane is above a number."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        largest = _folded(builder, arguments[0], ">", down_to=_FEW)
        above = builder.fcmp_ordered(">", largest, _filled(builder, largest.type, arguments[1]))
        mask = ir.IntType(_FEW)
        return builder.icmp_unsigned("!=", builder.bitcast(above, mask), ir.Constant(mask, 0))

    return types.boolean(vector, limit), emit


@intrinsic
def either(_typing: Any, vector: Any, limit: Any, below: Any, otherwise: Any) -> Any:
    """Return in each lane what stands in below where vector is below limit, else what stands in otherwise."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        vector, limit, below, otherwise = arguments
        return builder.select(builder.fcmp_ordered("<", vector, limit), below, otherwise)

    return lane_vector(vector, limit, below, otherwise), emit


@intrinsic
def times_two_to(_typing: Any, vector: Any, power: Any) -> Any:
    """Return vector·2^k, both normal numbers; k, negative too, is what the last bits of power hold."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        bits, power = (builder.bitcast(one, _WORDS) for one in arguments)
        return builder.bitcast(builder.add(bits, builder.shl(power, _bits(_FRACTION_BITS))), _DOUBLES)

    return lane_vector(vector, power), emit


@intrinsic
def exponent(_typing: Any, vector: Any) -> Any:
    """Return k where a positive vector is m·2^k, 1 ≤ m < 2."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        above = builder.lshr(builder.bitcast(arguments[0], _WORDS), _bits(_FRACTION_BITS))
        shifted = builder.bitcast(builder.or_(above, _bits(_WHOLE)), _DOUBLES)
        return builder.fsub(shifted, ir.Constant(_DOUBLES, [2.0**52 + 1023] * LANES))

    return lane_vector(vector), emit


@intrinsic
def mantissa(_typing: Any, vector: Any) -> Any:
    """Return m where a positive vector is m·2^k, 1 ≤ m < 2."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        fraction = builder.and_(builder.bitcast(arguments[0], _WORDS), _bits((1 << _FRACTION_BITS) - 1))
        return builder.bitcast(builder.or_(fraction, _bits(_ONE)), _DOUBLES)

    return lane_vector(vector), emit


@intrinsic
def lesser(_typing: Any, one: Any, other: Any) -> Any:
    """Return in each lane the smaller of two numbers."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.select(builder.fcmp_ordered("<", *arguments), *arguments)

    return lane_vector(one, other), emit


@intrinsic
def above(_typing: Any, one: Any, other: Any) -> Any:
    """Return 1 in each lane in which one is above other, else 0."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.uitofp(builder.fcmp_ordered(">", *arguments), arguments[0].type)

    return lane_vector(one, other), emit


@intrinsic
def size_of(_typing: Any, vector: Any) -> Any:
    """Return each lane without its sign."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        kept = builder.and_(builder.bitcast(arguments[0], _WORDS), _bits((1 << 63) - 1))
        return builder.bitcast(kept, _DOUBLES)

    return lane_vector(vector), emit


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
_lane_by_lane(operator.truediv, lambda builder, one, other: builder.fdiv(one, other, flags=_FUSED))
_lane_by_lane(
    min, lambda builder, one, other: builder.select(builder.fcmp_ordered("<", one, other), one, other)
)
_lane_by_lane(
    max, lambda builder, one, other: builder.select(builder.fcmp_ordered(">", one, other), one, other)
)

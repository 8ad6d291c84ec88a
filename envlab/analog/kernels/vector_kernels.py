"""A vector of numbers, one a detector, that a compiled loop keeps in the processor's registers.

An array would be read from memory and written back at every step; the compiler turns a value of this type
into as many vector registers as it takes (four of 512 bits, eight of 256) and leaves it there. In compiled
code +, −, *, max and min work on two vectors lane by lane.

Of LANES, 16 leave the arithmetic units waiting for the step before (1.5 times slower, measured), and 64 no
longer fit into sixteen registers of 256 bits (1.5 times slower there). Two units of 512 bits wait with 32,
too: where two_groups_fit, a bank of detectors steps two groups together (lane_kernels.py).

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

import functools
import operator
from collections.abc import Callable, Sequence
from typing import Any, TypeAlias

import llvmlite.binding as llvm  # type: ignore[import-untyped]
import numba.extending
from llvmlite import ir
from numba import types
from numba.extending import models

# From the first to before the second version.
PROVEN = {"numba": ("0.60", "0.69"), "llvmlite": ("0.43", "0.51")}
LANES = 32

# Bits of fraction of a double and of a single (IEC 60559, binary64 and binary32), above them the exponent,
# and the exponent of numbers from 1 to 2.
_FORMATS = {64: (52, 1023), 32: (23, 127)}
# As many lanes as are compared at once where only "any" is asked.
_FEW = 8
# A multiply and an add may become one fused step, as in every compiled loop here.
_FUSED = ("contract",)

# What address gives, of doubles, singles and whole numbers.
Doubles: TypeAlias = Any
Singles: TypeAlias = Any
Integers: TypeAlias = Any

intrinsic: Callable[..., Any] = numba.extending.intrinsic
_register_model: Callable[..., Any] = numba.extending.register_model
_has_type: Callable[..., Any] = numba.extending.type_callable
_has_code: Callable[..., Any] = numba.extending.lower_builtin


@functools.lru_cache(maxsize=1)
def two_groups_fit() -> bool:
    """Whether registers hold the numbers of twice LANES detectors, and units wait for those of LANES alone.

    32 registers of 512 bits do. Zen cores that have them take two turns for each, and so wait for none.
    """
    wide = bool(llvm.get_host_cpu_features().get("avx512f", False))
    return wide and not llvm.get_host_cpu_name().startswith("znver")


class LaneVector(types.Type):
    """LANES doubles, or LANES singles, which take half as many registers; or those of two groups in one."""

    def __init__(self, number: types.Float, count: int = LANES) -> None:
        self.number, self.count = number, count
        super().__init__(name=f"LaneVector({count}, {number})")

    @property
    def of_numbers(self) -> Any:
        """LLVM's name for it."""
        return ir.VectorType(ir.DoubleType() if self.number.bitwidth == 64 else ir.FloatType(), self.count)


doubles, singles = LaneVector(types.float64), LaneVector(types.float32)


@_register_model(LaneVector)
class _LaneVectorModel(models.PrimitiveModel):
    def __init__(self, manager: Any, numba_type: LaneVector) -> None:
        super().__init__(manager, numba_type, numba_type.of_numbers)  # type: ignore[no-untyped-call]


def _vector_of(array_type: Any) -> LaneVector:
    return singles if array_type.dtype == types.float32 else doubles


def _integers(values: Sequence[int]) -> Any:
    return ir.Constant(ir.VectorType(ir.IntType(32), len(values)), list(values))


def _filled(builder: Any, vector_type: Any, number: Any) -> Any:
    empty = ir.Constant(vector_type, ir.Undefined)
    first = builder.insert_element(empty, number, ir.Constant(ir.IntType(32), 0))
    return builder.shuffle_vector(first, empty, _integers([0] * vector_type.count))


def _folded(builder: Any, vector: Any, better: str, down_to: int) -> Any:
    """The upper half against the lower, lane by lane, until down_to lanes are left."""
    count = vector.type.count
    while count > down_to:
        count //= 2
        low = builder.shuffle_vector(vector, vector, _integers(range(count)))
        high = builder.shuffle_vector(vector, vector, _integers(range(count, 2 * count)))
        vector = builder.select(builder.fcmp_ordered(better, low, high), low, high)
    return vector


def _bits_of(vector_type: Any) -> tuple[int, int, Any]:
    """Bits of fraction, exponent of 1, and the integers that the numbers of a vector can be seen as."""
    size = 64 if isinstance(vector_type.element, ir.DoubleType) else 32
    return (*_FORMATS[size], ir.VectorType(ir.IntType(size), LANES))


def _bits(words: Any, number: int) -> Any:
    return ir.Constant(words, [number] * LANES)


def _place(context: Any, builder: Any, vector: Any, array_type: Any, array: Any, index: Any) -> Any:
    """Where a vector stands in an array; no more than an element's alignment is taken for granted."""
    data = _data(context, builder, array_type, array)
    return builder.bitcast(builder.gep(data, [index]), vector.of_numbers.as_pointer())


def _data(context: Any, builder: Any, array_type: Any, array: Any) -> Any:
    """Address of the first element of a contiguous array, or the address that was given."""
    if isinstance(array_type, types.CPointer):
        return array
    return context.make_array(array_type)(context, builder, array).data


def _alignment(array_type: Any) -> int:
    return int(array_type.dtype.bitwidth) // 8


@intrinsic
def address(_typing: Any, array: Any) -> Any:
    """Return where a contiguous array's elements begin, to be read and written like an array.

    Each time a loop hands an array on, it is counted who has it, which takes longer than a step of the loop.
    An address is a number. Who takes it keeps the array meanwhile, and stays within it.
    """

    def emit(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return _data(context, builder, signature.args[0], arguments[0])

    return types.CPointer(array.dtype)(array), emit  # type: ignore[no-untyped-call]


@intrinsic
def load(_typing: Any, array: Any, index: Any) -> Any:
    """Return array[index : index + LANES]."""

    def emit(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        place = _place(context, builder, signature.return_type, signature.args[0], *arguments)
        return builder.load(place, align=_alignment(signature.args[0]))

    return _vector_of(array)(array, index), emit


@intrinsic
def store(_typing: Any, array: Any, index: Any, vector: Any) -> Any:
    """Set array[index : index + LANES], or as many elements as the vector has."""

    def emit(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        place = _place(context, builder, signature.args[2], signature.args[0], *arguments[:2])
        builder.store(arguments[2], place, align=_alignment(signature.args[0]))
        return context.get_dummy_value()

    return types.void(array, index, vector), emit


@intrinsic
def everywhere(_typing: Any, _number: Any) -> Any:
    """Return the vector of doubles that has this number in every lane."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return _filled(builder, doubles.of_numbers, arguments[0])

    return doubles(types.float64), emit


@intrinsic
def everywhere_in(_typing: Any, vector: Any, _number: Any) -> Any:
    """Return the vector of a vector's kind and width that has this number in every lane."""

    def emit(_context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return _filled(builder, signature.return_type.of_numbers, arguments[1])

    return vector(vector, vector.number), emit


@intrinsic
def lanes_of(_typing: Any, vector: Any) -> Any:
    """Return how many lanes a vector has."""

    def emit(context: Any, _builder: Any, signature: Any, _arguments: Any) -> Any:
        return context.get_constant(types.intp, signature.args[0].count)

    return types.intp(vector), emit


@intrinsic
def both(_typing: Any, one: Any, _other: Any) -> Any:
    """Return the lanes of one vector and, behind them, those of another, as one vector."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.shuffle_vector(*arguments, _integers(range(2 * one.count)))

    return LaneVector(one.number, 2 * one.count)(one, one), emit


@intrinsic
def single(_typing: Any, _number: Any) -> Any:
    """Return the vector of singles that has this number in every lane."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return _filled(builder, singles.of_numbers, arguments[0])

    return singles(types.float32), emit


@intrinsic
def narrow(_typing: Any, _vector: Any) -> Any:
    """Return the singles nearest to a vector of doubles."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.fptrunc(arguments[0], singles.of_numbers)

    return singles(doubles), emit


@intrinsic
def wide(_typing: Any, _vector: Any) -> Any:
    """Return the doubles that a vector of singles stands for."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.fpext(arguments[0], doubles.of_numbers)

    return doubles(singles), emit


@intrinsic
def smallest(_typing: Any, vector: Any) -> Any:
    """Return the smallest number of a vector."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        rest = _folded(builder, arguments[0], "<", down_to=1)
        return builder.extract_element(rest, ir.Constant(ir.IntType(32), 0))

    return vector.number(vector), emit


@intrinsic
def any_above(_typing: Any, vector: Any, _limit: Any) -> Any:
    """Return whether any lane is above a number."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        largest = _folded(builder, arguments[0], ">", down_to=_FEW)
        limit = _filled(builder, largest.type, arguments[1])
        above = builder.fcmp_ordered(">", largest, limit)
        mask = ir.IntType(_FEW)
        return builder.icmp_unsigned("!=", builder.bitcast(above, mask), ir.Constant(mask, 0))

    return types.boolean(vector, vector.number), emit


@intrinsic
def either(_typing: Any, vector: Any, limit: Any, below: Any, otherwise: Any) -> Any:
    """Return in each lane what stands in below where vector is below limit, else what stands in otherwise."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        vector, limit, below, otherwise = arguments
        return builder.select(builder.fcmp_ordered("<", vector, limit), below, otherwise)

    return below(vector, limit, below, otherwise), emit


@intrinsic
def times_two_to(_typing: Any, vector: Any, power: Any) -> Any:
    """Return vector·2^k, both normal numbers; k, negative too, is what the last bits of power hold."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        fraction, _, words = _bits_of(arguments[0].type)
        bits, power = (builder.bitcast(one, words) for one in arguments)
        moved = builder.add(bits, builder.shl(power, _bits(words, fraction)))
        return builder.bitcast(moved, arguments[0].type)

    return vector(vector, power), emit


@intrinsic
def exponent(_typing: Any, vector: Any) -> Any:
    """Return k where a positive vector is m·2^k, 1 ≤ m < 2."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        fraction, one, words = _bits_of(arguments[0].type)
        above = builder.lshr(builder.bitcast(arguments[0], words), _bits(words, fraction))
        # Set above a whole number this exponent makes a float of it that is larger by 2^fraction.
        whole = _bits(words, (one + fraction) << fraction)
        shifted = builder.bitcast(builder.or_(above, whole), arguments[0].type)
        return builder.fsub(shifted, ir.Constant(arguments[0].type, [2.0**fraction + one] * LANES))

    return vector(vector), emit


@intrinsic
def mantissa(_typing: Any, vector: Any) -> Any:
    """Return m where a positive vector is m·2^k, 1 ≤ m < 2."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        fraction, one, words = _bits_of(arguments[0].type)
        kept = builder.and_(builder.bitcast(arguments[0], words), _bits(words, (1 << fraction) - 1))
        return builder.bitcast(builder.or_(kept, _bits(words, one << fraction)), arguments[0].type)

    return vector(vector), emit


@intrinsic
def lesser(_typing: Any, one: Any, other: Any) -> Any:
    """Return in each lane the smaller of two numbers."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.select(builder.fcmp_ordered("<", *arguments), *arguments)

    return one(one, other), emit


@intrinsic
def above(_typing: Any, one: Any, other: Any) -> Any:
    """Return 1 in each lane in which one is above other, else 0."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.uitofp(builder.fcmp_ordered(">", *arguments), arguments[0].type)

    return one(one, other), emit


@intrinsic
def size_of(_typing: Any, vector: Any) -> Any:
    """Return each lane without its sign."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        *_, words = _bits_of(arguments[0].type)
        kept = builder.and_(
            builder.bitcast(arguments[0], words), _bits(words, (1 << words.element.width - 1) - 1)
        )
        return builder.bitcast(kept, arguments[0].type)

    return vector(vector), emit


def _lane_by_lane(symbol: Any, emit: Callable[[Any, Any, Any], Any]) -> None:
    """Teach the compiler what symbol means between two vectors."""

    def type_of(_context: Any) -> Any:
        return lambda one, other: one if one == other and isinstance(one, LaneVector) else None

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

"""What every analog stage before the detector has in common, and what a field says of the part that it is.

A stage is a frozen dataclass of part values that knows one thing: how it turns a block of its input into a
block of its output, and the state that it begins with into the state that it ends with. What stands before
it and what it needs of the board round it comes in one record, which the stages hand on in signal order: no
stage can know what stands behind it. Where that draws a current, whoever joins the stages says so
(loaded_by).
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from envlab.units import BoolArray, FloatArray


@dataclass(frozen=True)
class Surroundings:
    """What a stage knows of the board up to its input.

    sample_rate_hz: of the signal, Hz, above 0. bias_v: the voltage that the signal is meant to rest at, V
    against ground. low_v, high_v: how far an amplifier's output goes below and above it, V. resting_v: where
    the signal rests in truth, V round bias_v: what offsets make of it. supply_v: of the analog part, V;
    infinite where nobody has said it yet.
    """

    sample_rate_hz: float
    bias_v: float = 0.0
    low_v: float = -math.inf
    high_v: float = math.inf
    resting_v: float = 0.0
    supply_v: float = math.inf


class InputLoad(NamedTuple):
    """A resistor of ohm behind a capacitor of farad, as seen from the output before it."""

    ohm: float
    farad: float


class Advanced(NamedTuple):
    """One block behind a stage.

    signal: shape (n,), V (into the microphone: Pa). state: what the next block begins with. limited: shape
    (n,), samples at which the stage was at its limit; None: at none.
    """

    signal: FloatArray
    state: Any
    limited: BoolArray | None = None


class AnalogStage:
    """Base of every stage before the detector: a wire, until a stage says otherwise.

    Examples
    --------
    >>> import numpy as np
    >>> from envlab.analog.stage import AnalogStage, Surroundings
    >>> AnalogStage().advance(np.array([0.5]), Surroundings(384e3), None).signal
    array([0.5])
    """

    @property
    def is_wire(self) -> bool:
        """Whether the output is the input, bit for bit; a wire costs nothing."""
        return type(self) is AnalogStage

    @property
    def input_load(self) -> InputLoad | None:
        """What this stage's input hangs on the stage before it; None: nothing worth counting."""
        return None

    def loaded_by(self, load: InputLoad) -> AnalogStage:
        """Return this stage as the input behind it loads it; most outputs do not feel that.

        Parameters
        ----------
        load
            Of the stage behind.
        """
        del load
        return self

    def surroundings_behind(self, around: Surroundings) -> Surroundings:
        """Return what the next stage knows of the board.

        Parameters
        ----------
        around
            What this stage knows.
        """
        return around

    def advance(self, signal: FloatArray, around: Surroundings, state: Any) -> Advanced:
        """Return one block of the output; two blocks equal one, bit for bit.

        Parameters
        ----------
        signal
            Shape (n,), V round ``around.bias_v`` (into the microphone: Pa).
        around
            The board up to this stage.
        state
            What the block before ended with; None: long at rest.
        """
        del around
        return Advanced(signal, state)

    def with_noise(self, signal: FloatArray, white: FloatArray, sample_rate_hz: float) -> FloatArray:
        """Return the input with the noise that the stage itself adds there; most add none worth counting.

        Parameters
        ----------
        signal
            Shape (n,), V.
        white
            Shape (n + 1,), normal numbers of variance 1; the first is the last of the block before.
        sample_rate_hz
            Of the circuit, Hz.
        """
        del white, sample_rate_hz
        return signal

    def response(self, frequency_hz: float) -> complex:
        """Return output over input at a frequency in Hz, H(jω), without limits."""
        del frequency_hz
        return 1.0

    def roughly(self, sample_rate_hz: float) -> tuple[AnalogStage, ...]:
        """Return stages that behave alike up to the middle of the audio band at a rate of some 48 kHz.

        The audition runs the past of a playhead so. Most stages are right at any rate.
        """
        del sample_rate_hz
        return (self,)


@dataclass(frozen=True)
class Part:
    """What a field of a stage is on the board.

    reference: as in the schematic; one role keeps its reference on every board. usual_percent: tolerance if
    nobody states one, % (common practice, no source). role: what it is for, in a word or three; how: how it
    does that, "" where nothing need be said. bought: whether a design file must name a value that can be
    bought. place: order within its stage, along the signal; fields of equal place stand as in the class.
    between: the two nodes that it joins: "in" and "out" of the stage, "bias", "ground", "supply", or a name
    of the stage's own; () if the circuit knows the stage (envlab.circuit).
    """

    reference: str
    usual_percent: float
    role: str
    how: str = ""
    bought: bool = True
    place: int = 0
    between: tuple[str, str] | tuple[()] = ()

    @property
    def purpose(self) -> str:
        """Role and how, as in "attack: the hold capacitor charges through it"."""
        return f"{self.role}: {self.how}" if self.how else self.role


def part(
    reference: str,
    usual_percent: float,
    role: str,
    how: str = "",
    *,
    bought: bool = True,
    place: int = 0,
    between: tuple[str, str] | tuple[()] = (),
) -> Mapping[str, Any]:
    """Return the metadata of a dataclass field that is a part; see Part.

    Examples
    --------
    >>> from dataclasses import dataclass, field
    >>> from envlab.analog.stage import fitted_parts, part
    >>> @dataclass(frozen=True)
    ... class Pad:
    ...     shunt_ohm: float = field(default=1e3, metadata=part("R1", 5, "takes half"))
    >>> [(name, one.reference) for name, one, value in fitted_parts(Pad())]
    [('shunt_ohm', 'R1')]
    """
    return {"part": Part(reference, usual_percent, role, how, bought, place, between)}


@dataclass(frozen=True)
class Varies:
    """How a number of a stage that is no part differs from board to board.

    label: as sentences call it. usual: ± in the field's unit if nobody states another, which the place where
    it stands gives a source for.
    """

    label: str
    usual: float


def varies(label: str, usual: float) -> Mapping[str, Any]:
    """Return the metadata of a dataclass field that differs from board to board by ± usual; see Varies.

    Parts differ by their tolerance and need nothing more.

    Examples
    --------
    >>> from dataclasses import dataclass, field
    >>> from envlab.analog.stage import varied_fields, varies
    >>> @dataclass(frozen=True)
    ... class Buffer:
    ...     offset_v: float = field(default=0.0, metadata=varies("buffer offset", 0.002))
    >>> varied_fields(Buffer)["offset_v"].usual
    0.002
    """
    return {"varies": Varies(label, usual)}


def varied_fields(kind: type) -> dict[str, Varies]:
    """Return field name → how it varies, of a stage's class, in its order."""
    return {one.name: one.metadata["varies"] for one in dataclasses.fields(kind) if "varies" in one.metadata}


def parts_of(kind: type) -> dict[str, Part]:
    """Return field name → part of a stage's class, in the order of the signal."""
    known = {one.name: one.metadata["part"] for one in dataclasses.fields(kind) if "part" in one.metadata}
    return dict(sorted(known.items(), key=lambda item: item[1].place))


def fitted_parts(stage: Any) -> Iterator[tuple[str, Part, float]]:
    """Yield (field name, part, value in SI) of the parts that are on the board.

    A stage that leaves out parts of itself names their fields in ``absent_parts``.
    """
    absent = getattr(stage, "absent_parts", ())
    for name, one in parts_of(type(stage)).items():
        value = getattr(stage, name)
        if value and name not in absent:
            yield name, one, value


def either_of(one: BoolArray | None, other: BoolArray | None) -> BoolArray | None:
    """Return where one or the other is true, shape (n,); None stands for nowhere."""
    if one is None or other is None:
        return other if one is None else one
    return one | other

"""What the engine asks of a board, and what of a board lies upstream of what.

A board is a frozen dataclass whose fields stand in signal order. That order is written down once, in the
board's class; who keeps a result, and has to know what it depends on, asks here.
"""

from __future__ import annotations

import dataclasses
import functools
import itertools
from collections.abc import Mapping
from typing import Any, ClassVar, Protocol

from envlab.analog.adc import Adc
from envlab.analog.detector import Detector
from envlab.analog.envelope import BuiltRectifier, HoldState
from envlab.analog.microphone import Microphone
from envlab.analog.preamps.preamp import Preamp
from envlab.analog.rectifiers.active import ActiveRectifier
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.rectifiers.pumps import PumpRectifier
from envlab.analog.stage import AnalogStage, Surroundings
from envlab.digital.followers import Follower
from envlab.errors import ParameterError
from envlab.light.table import LookupTable
from envlab.units import IntArray


class Board(Protocol):
    """A board and its firmware, as the engine sees it; envlab.Chain is one."""

    __dataclass_fields__: ClassVar[dict[str, Any]]

    @property
    def microphone(self) -> Microphone:
        """What hears; its self-noise is part of what is heard."""

    @property
    def preamp(self) -> Preamp:
        """What amplifies; it sets the bias, and adds noise."""

    @property
    def rectifier(self) -> Rectifier | ActiveRectifier | PumpRectifier:
        """The last stage before the detector."""

    @property
    def rectifier_as_built(self) -> BuiltRectifier:
        """The same on this board's bias and supply."""

    @property
    def adc(self) -> Adc:
        """What reads the detector."""

    @property
    def adc_as_built(self) -> Adc:
        """The same with the buffer that it has on this board."""

    @property
    def follower(self) -> Follower:
        """What the firmware does with the readings."""

    @property
    def frame_rate_hz(self) -> float:
        """Frames a second, Hz."""

    @property
    def detector_as_built(self) -> Detector:
        """The detector with its real capacitance and all that loads it."""

    @property
    def quiescent_v(self) -> float:
        """Detector's voltage at silence, V against the ADC's ground."""

    @property
    def quiescent_state(self) -> HoldState:
        """What the capacitors hold when nothing sounds."""

    @property
    def quiescent_counts(self) -> int:
        """Reading at silence, which the firmware takes off."""

    def brightness_table(self) -> LookupTable:
        """Return the table from envelope to duty."""

    def reading_of_frame(self, frames: int, first: int = 0) -> IntArray:
        """Return which reading each frame shows."""


def field_names(board: Board) -> tuple[str, ...]:
    """Return the names of a board's fields, in the order of the signal."""
    return _names_of(type(board))


@functools.cache
def _names_of(kind: type[Board]) -> tuple[str, ...]:
    return tuple(one.name for one in dataclasses.fields(kind))


def upstream(board: Board, stage: str) -> tuple[object, ...]:
    """Return all that the output of a stage depends on: the values of the fields up to it, itself included.

    Two boards of which this is equal have the same signal behind that stage, bit for bit; it is hashable, and
    so the key for whatever is kept of that signal.

    Parameters
    ----------
    board
        A board.
    stage
        Name of one of its fields.

    Raises
    ------
    ParameterError
        If the board has no field of that name.

    Examples
    --------
    >>> import envlab
    >>> from envlab.engine.board import upstream
    >>> board = envlab.Chain()
    >>> upstream(board, "preamp") == (board.microphone, board.preamp)
    True
    """
    names = field_names(board)
    if stage not in names:
        raise ParameterError("stage", stage, f"one of {', '.join(names)}")
    return tuple(getattr(board, name) for name in names[: names.index(stage) + 1])


def front_end_of(board: Board) -> dict[str, AnalogStage]:
    """Return name → stage of everything from the microphone to the rectifier, in the order of the signal.

    Each as what stands behind it loads it.
    """
    stages: dict[str, AnalogStage] = {}
    for name in field_names(board):
        stage = getattr(board, name)
        if not isinstance(stage, AnalogStage):
            break
        stages[name] = stage
    for name, behind in itertools.pairwise(stages):
        load = stages[behind].input_load
        if load is not None:
            stages[name] = stages[name].loaded_by(load)
    return stages


def last_of_front_end(board: Board) -> str:
    """Return the name of the stage whose output the detector is offered."""
    return list(front_end_of(board))[-1]


def before_rectifier(board: Board) -> tuple[object, ...]:
    """Return all that the signal at the rectifier's input depends on."""
    return upstream(board, last_of_front_end(board))[:-1]


def offered_to_detector(board: Board) -> tuple[object, ...]:
    """Return all that the rectified voltage depends on."""
    return upstream(board, last_of_front_end(board))


def read_by_adc(board: Board) -> tuple[object, ...]:
    """Return all that the readings depend on; what stands behind the ADC is the firmware's."""
    return upstream(board, "adc")


def surroundings_at_rectifier(stages: Mapping[str, AnalogStage], sample_rate_hz: float) -> Surroundings:
    """Return what the last of some stages knows of the board."""
    around = Surroundings(sample_rate_hz)
    for stage in list(stages.values())[:-1]:
        around = stage.surroundings_behind(around)
    return around


def rectifier_on(stages: Mapping[str, AnalogStage]) -> BuiltRectifier:
    """Return the last of some stages, a rectifier, on what those before it make of the board."""
    # The same at any rate; a record of surroundings needs one.
    around = surroundings_at_rectifier(stages, 1.0)
    rectifier = list(stages.values())[-1]
    assert isinstance(rectifier, Rectifier | ActiveRectifier | PumpRectifier)
    return rectifier.as_built(around.bias_v, around.supply_v)


def response_before_rectifier(board: Board, frequency_hz: float) -> complex:
    """Return volts at the rectifier's input over volts of the microphone, H(jω), without limits.

    Parameters
    ----------
    board
        A board.
    frequency_hz
        Above 0, Hz.

    Examples
    --------
    >>> import envlab
    >>> from envlab.engine.board import response_before_rectifier
    >>> round(abs(response_before_rectifier(envlab.Chain(), 1000.0)), 1)
    48.0
    """
    product: complex = 1.0
    for stage in list(front_end_of(board).values())[1:-1]:
        product *= stage.response(frequency_hz)
    return product

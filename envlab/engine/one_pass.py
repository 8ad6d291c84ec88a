"""Stages that stand behind each other and run in one compiled pass, digit for digit what each gives alone.

Microphone, plain preamp and a rectifier that is at once are the commonest front end; where the rectifier
comes later or feels its load, the first two. In one loop their recurrences wait for each other's arithmetic
no longer: half the time, measured. Who adds a stage between them loses the pass, not a digit.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol, TypeGuard

import numpy as np

from envlab.analog.detector import Detector, hold_step, readings_of
from envlab.analog.microphone import Microphone, corners_of, overloaded_if_any
from envlab.analog.preamps.preamp import Preamp, input_noise_v, output_limits, sections_of
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.stage import AnalogStage, either_of
from envlab.units import BoolArray, FloatArray

Nodes = tuple[FloatArray, ...]


class OnePass(Protocol):
    """Several stages at once; carries their state from block to block, and begins at rest."""

    stages: int

    def advance(self, signal: FloatArray, white: FloatArray) -> tuple[Nodes, BoolArray | None]:
        """Return (the signal behind each stage, samples at which any of them was at its limit).

        white: of the preamp's noise, shape (n + 1,), as input_noise_v takes it; no numbers for no noise.
        """


def one_pass(stages: Sequence[AnalogStage], sample_rate_hz: float) -> OnePass | None:
    """Return the pass for the first of some stages, or None if there is none.

    stages: in the order of the signal, no wires among them.
    """
    if len(stages) > 2 and is_bare(stages[0]) and _plain(stages[1]) and _at_once(stages[2]):
        return HearAmplifyRectify(*stages[:3], sample_rate_hz)  # type: ignore[call-arg,arg-type]
    if len(stages) > 1 and _plain(stages[0]) and _at_once(stages[1]):
        return AmplifyRectify(*stages[:2], sample_rate_hz)  # type: ignore[call-arg,arg-type]
    if len(stages) > 1 and is_bare(stages[0]) and _plain(stages[1]):
        return HearAmplify(*stages[:2], sample_rate_hz)  # type: ignore[call-arg,arg-type]
    return None


def pass_to_hold(
    stages: Sequence[AnalogStage], detector: Detector, sample_rate_hz: float, held_v: float = 0.0
) -> HearToHold | None:
    """Return the pass that takes all of some stages and the detector behind them, or None.

    held_v: on the hold capacitor at first, V above the reference node.
    """
    if readings_of(detector) is not None:
        return None
    if len(stages) == 3 and is_bare(stages[0]) and _plain(stages[1]) and _at_once(stages[2]):
        return HearToHold(*stages, detector, sample_rate_hz, held_v)  # type: ignore[call-arg,arg-type]
    return None


def is_bare(stage: AnalogStage) -> TypeGuard[Microphone]:
    """Whether a stage is a microphone and nothing else: a capsule that clips, without covering and drain."""
    if type(stage) is not Microphone or stage.overload != "clip":
        return False
    return stage.covering_loss_db == 0 and stage.covering_corner_hz is None


def _plain(stage: AnalogStage) -> bool:
    return type(stage) is Preamp


def _at_once(stage: AnalogStage) -> bool:
    return isinstance(stage, Rectifier) and stage.scales_with_level


class AmplifyRectify:
    """A plain preamp and a rectifier that is at once."""

    stages = 2

    def __init__(self, preamp: Preamp, rectifier: Rectifier, sample_rate_hz: float) -> None:
        self._preamp, self._full, self._rate_hz = preamp, rectifier.kind == "full", sample_rate_hz
        self._numbers = output_limits(preamp, sample_rate_hz), sections_of(preamp, sample_rate_hz)
        self._state: FloatArray = np.zeros(3)

    def advance(self, signal: FloatArray, white: FloatArray) -> tuple[Nodes, BoolArray | None]:
        """Return ((amplified, rectified), limited); signal: shape (n,), V of the microphone.

        white: normal numbers of variance 1, shape (n + 1,), or none.
        """
        from envlab.analog.kernels import front_kernels

        amplified, rectified, self._state, clipped = front_kernels.amplify_rectify(
            signal, _noise_v(self._preamp, white, self._rate_hz), *self._numbers, self._full, self._state
        )
        return (amplified, rectified), self._preamp.where_limited(amplified, clipped)


class HearAmplify:
    """A bare microphone and a plain preamp."""

    stages = 2

    def __init__(self, microphone: Microphone, preamp: Preamp, sample_rate_hz: float) -> None:
        self._microphone, self._preamp, self._rate_hz = microphone, preamp, sample_rate_hz
        self._numbers = _of_both(microphone, preamp, sample_rate_hz)
        self._state: FloatArray = np.zeros(5)

    def advance(self, signal: FloatArray, white: FloatArray) -> tuple[Nodes, BoolArray | None]:
        """Return ((heard, amplified), limited); signal: shape (n,), Pa.

        white: normal numbers of variance 1, shape (n + 1,), or none.
        """
        from envlab.analog.kernels import front_kernels

        heard, amplified, self._state, clipped = front_kernels.hear_amplify(
            signal, _noise_v(self._preamp, white, self._rate_hz), *self._numbers, self._state
        )
        limited = _either_limited(self._microphone, self._preamp, signal, amplified, clipped)
        return (heard, amplified), limited


class HearAmplifyRectify:
    """A bare microphone, a plain preamp and a rectifier that is at once."""

    stages = 3

    def __init__(
        self, microphone: Microphone, preamp: Preamp, rectifier: Rectifier, sample_rate_hz: float
    ) -> None:
        self._microphone, self._preamp, self._rate_hz = microphone, preamp, sample_rate_hz
        self._numbers = _numbers(microphone, preamp, rectifier, sample_rate_hz)
        self._state: FloatArray = np.zeros(5)

    def advance(self, signal: FloatArray, white: FloatArray) -> tuple[Nodes, BoolArray | None]:
        """Return ((heard, amplified, rectified), limited); signal: shape (n,), Pa.

        white: normal numbers of variance 1, shape (n + 1,), or none.
        """
        from envlab.analog.kernels import front_kernels

        heard, amplified, rectified, self._state, clipped = front_kernels.hear_amplify_rectify(
            signal, _noise_v(self._preamp, white, self._rate_hz), *self._numbers, self._state
        )
        limited = _either_limited(self._microphone, self._preamp, signal, amplified, clipped)
        return (heard, amplified, rectified), limited


class HearToHold:
    """The same with one detector behind it, of which every sample is wanted."""

    def __init__(
        self,
        microphone: Microphone,
        preamp: Preamp,
        rectifier: Rectifier,
        detector: Detector,
        sample_rate_hz: float,
        held_v: float = 0.0,
    ) -> None:
        self._microphone, self._preamp, self._rate_hz = microphone, preamp, sample_rate_hz
        self._numbers = _numbers(microphone, preamp, rectifier, sample_rate_hz)
        self._hold = tuple(hold_step(detector, sample_rate_hz))
        self._state: FloatArray = np.array([0.0] * 5 + [held_v])

    def advance(self, signal: FloatArray, white: FloatArray) -> tuple[Nodes, BoolArray | None]:
        """Return ((heard, amplified, rectified, held), limited); signal: shape (n,), Pa.

        white: normal numbers of variance 1, shape (n + 1,), or none.
        """
        from envlab.analog.kernels import front_kernels

        heard, amplified, rectified, held, self._state, clipped = front_kernels.hear_to_hold(
            signal, _noise_v(self._preamp, white, self._rate_hz), *self._numbers, self._hold, self._state
        )
        limited = _either_limited(self._microphone, self._preamp, signal, amplified, clipped)
        return (heard, amplified, rectified, held), limited


def _noise_v(preamp: Preamp, white: FloatArray, sample_rate_hz: float) -> FloatArray:
    return input_noise_v(preamp, white, sample_rate_hz) if white.size else white


def _numbers(
    microphone: Microphone, preamp: Preamp, rectifier: Rectifier, sample_rate_hz: float
) -> tuple[object, ...]:
    return (*_of_both(microphone, preamp, sample_rate_hz), rectifier.kind == "full")


def _of_both(microphone: Microphone, preamp: Preamp, sample_rate_hz: float) -> tuple[object, ...]:
    return (
        (*microphone.limits_pa, microphone.sensitivity_v_pa),
        corners_of(microphone, sample_rate_hz),
        output_limits(preamp, sample_rate_hz),
        sections_of(preamp, sample_rate_hz),
    )


def _either_limited(
    microphone: Microphone, preamp: Preamp, pressure_pa: FloatArray, amplified: FloatArray, clipped: int
) -> BoolArray | None:
    overloaded = overloaded_if_any(pressure_pa, microphone)
    return either_of(overloaded, preamp.where_limited(amplified, clipped))

"""Band filter between preamp and rectifier, from its parts: for lights that follow the bass drum only.

First order: one resistor and one capacitor, buffered. Second order: the unity-gain circuit of Sallen and Key
([SallenKey1955], cited, not read; the transfer functions below follow from the two node equations).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields, replace
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np

from envlab.analog.sections import second_order
from envlab.analog.stage import Advanced, AnalogStage, Surroundings, part
from envlab.errors import check_range
from envlab.units import FloatArray


class Section(NamedTuple):
    """(n2·s² + n1·s + n0)/(d2·s² + d1·s + 1)."""

    n2: float
    n1: float
    n0: float
    d2: float
    d1: float

    def response(self, frequency_hz: float) -> complex:
        """H(jω)."""
        s = 2j * math.pi * frequency_hz
        return (self.n2 * s**2 + self.n1 * s + self.n0) / (self.d2 * s**2 + self.d1 * s + 1)


# One role keeps its part on every filter that has it.
_HIGH_FARAD = part("C6", 5, "high pass", "takes off what lies under 1/(2π·R11·C6)", place=1)
_HIGH_OHM = part("R11", 1, "high pass", "with C6", place=2)
_HIGH_IN_FARAD = part("C6", 5, "high pass", "with C7, R11 and R12", place=1)
_HIGH_OUT_FARAD = part("C7", 5, "high pass", place=2)
_HIGH_FEEDBACK_OHM = part("R11", 1, "high pass", "back from the output", place=3)
_HIGH_SHUNT_OHM = part("R12", 1, "high pass", "to the bias voltage", place=4)
_LOW_OHM = part("R13", 1, "low pass", "takes off what lies over 1/(2π·R13·C8)", place=5)
_LOW_FARAD = part("C8", 5, "low pass", "with R13", place=6)
_LOW_IN_OHM = part("R13", 1, "low pass", "with R14, C8 and C9", place=5)
_LOW_OUT_OHM = part("R14", 1, "low pass", place=6)
_LOW_FEEDBACK_FARAD = part("C8", 5, "low pass", "back from the output", place=7)
_LOW_SHUNT_FARAD = part("C9", 5, "low pass", "to the bias voltage", place=8)


class _FromParts(AnalogStage):
    """Every field is one part: _ohm 1 Ω to 100 MΩ, _farad 1 pF to 1 F."""

    def __post_init__(self) -> None:
        for one in fields(self):  # type: ignore[arg-type]
            if one.name.endswith("_ohm"):
                check_range(one.name, getattr(self, one.name), 1, 100e6, unit="ohm")
            else:
                check_range(one.name, getattr(self, one.name), 1e-12, 1, unit="F")

    @property
    def sections(self) -> tuple[Section, ...]:
        """The filter's sections in the order of the signal; empty: a wire."""
        return ()

    def response(self, frequency_hz: float) -> complex:
        """Output over input at a frequency, H(jω)."""
        product: complex = 1.0
        for section in self.sections:
            product *= section.response(frequency_hz)
        return product

    @property
    def is_wire(self) -> bool:
        """Whether there is no section."""
        return not self.sections

    def advance(self, signal: FloatArray, around: Surroundings, state: Any) -> Advanced:
        """Return one block of the output, V round the bias."""
        filtered_v, end = filter_band(
            signal,
            self,
            sample_rate_hz=around.sample_rate_hz,
            low_v=around.low_v,
            high_v=around.high_v,
            resting_v=around.resting_v,
            state=state,
        )
        return Advanced(filtered_v, end)

    def surroundings_behind(self, around: Surroundings) -> Surroundings:
        """What follows rests where a high pass leaves it: at the bias; behind a low pass nothing changes."""
        return replace(around, resting_v=around.resting_v * math.prod(one.n0 for one in self.sections))


@dataclass(frozen=True)
class NoBandFilter(_FromParts):
    """The preamp drives the rectifier directly."""


@dataclass(frozen=True)
class FirstLowPass(_FromParts):
    """A first-order low pass.

    Parameters
    ----------
    low_ohm : float
        Resistor of the low pass, in the way, ohm.
    low_farad : float
        Capacitor of the low pass, to the reference, farad.
    """

    low_ohm: float = field(metadata=_LOW_OHM)
    low_farad: float = field(metadata=_LOW_FARAD)

    @property
    def sections(self) -> tuple[Section, ...]:
        """1/(1 + s·R·C)."""
        return (_first_low(self.low_ohm, self.low_farad),)


@dataclass(frozen=True)
class FirstHighPass(_FromParts):
    """A first-order high pass.

    Parameters
    ----------
    high_ohm : float
        Resistor of the high pass, to the reference, ohm.
    high_farad : float
        Capacitor of the high pass, in the way, farad.
    """

    high_ohm: float = field(metadata=_HIGH_OHM)
    high_farad: float = field(metadata=_HIGH_FARAD)

    @property
    def sections(self) -> tuple[Section, ...]:
        """s·R·C/(1 + s·R·C)."""
        return (_first_high(self.high_ohm, self.high_farad),)


@dataclass(frozen=True)
class FirstBandPass(_FromParts):
    """A first-order high pass, a buffer, a first-order low pass.

    Parameters
    ----------
    high_ohm : float
        Resistor of the high pass, to the reference, ohm.
    high_farad : float
        Capacitor of the high pass, in the way, farad.
    low_ohm : float
        Resistor of the low pass, in the way, ohm.
    low_farad : float
        Capacitor of the low pass, to the reference, farad.
    """

    high_ohm: float = field(metadata=_HIGH_OHM)
    high_farad: float = field(metadata=_HIGH_FARAD)
    low_ohm: float = field(metadata=_LOW_OHM)
    low_farad: float = field(metadata=_LOW_FARAD)

    @property
    def sections(self) -> tuple[Section, ...]:
        """High, then low."""
        return _first_high(self.high_ohm, self.high_farad), _first_low(self.low_ohm, self.low_farad)


@dataclass(frozen=True)
class SecondLowPass(_FromParts):
    """A second-order low pass of unity gain, with an amplifier.

    Parameters
    ----------
    low_in_ohm, low_out_ohm : float
        In the way, one after the other, ohm.
    low_feedback_farad : float
        From between them to the output, farad.
    low_shunt_farad : float
        Behind both to the reference, farad.
    """

    low_in_ohm: float = field(metadata=_LOW_IN_OHM)
    low_out_ohm: float = field(metadata=_LOW_OUT_OHM)
    low_feedback_farad: float = field(metadata=_LOW_FEEDBACK_FARAD)
    low_shunt_farad: float = field(metadata=_LOW_SHUNT_FARAD)

    @property
    def sections(self) -> tuple[Section, ...]:
        """1/(1 + s·C_shunt·(R_in + R_out) + s²·R_in·R_out·C_feedback·C_shunt)."""
        return (
            _second_low(self.low_in_ohm, self.low_out_ohm, self.low_feedback_farad, self.low_shunt_farad),
        )


@dataclass(frozen=True)
class SecondHighPass(_FromParts):
    """A second-order high pass of unity gain, with an amplifier.

    Parameters
    ----------
    high_in_farad, high_out_farad : float
        In the way, one after the other, farad.
    high_feedback_ohm : float
        From between them to the output, ohm.
    high_shunt_ohm : float
        Behind both to the reference, ohm.
    """

    high_in_farad: float = field(metadata=_HIGH_IN_FARAD)
    high_out_farad: float = field(metadata=_HIGH_OUT_FARAD)
    high_feedback_ohm: float = field(metadata=_HIGH_FEEDBACK_OHM)
    high_shunt_ohm: float = field(metadata=_HIGH_SHUNT_OHM)

    @property
    def sections(self) -> tuple[Section, ...]:
        """s²·P/(1 + s·R_feedback·(C_in + C_out) + s²·P), P = R_feedback·R_shunt·C_in·C_out."""
        return (
            _second_high(
                self.high_in_farad, self.high_out_farad, self.high_feedback_ohm, self.high_shunt_ohm
            ),
        )


@dataclass(frozen=True)
class SecondBandPass(_FromParts):
    """A second-order high pass, then a second-order low pass, both of unity gain.

    Parameters
    ----------
    high_in_farad, high_out_farad : float
        In the way, one after the other, farad.
    high_feedback_ohm : float
        From between them to the output, ohm.
    high_shunt_ohm : float
        Behind both to the reference, ohm.
    low_in_ohm, low_out_ohm : float
        In the way, one after the other, ohm.
    low_feedback_farad : float
        From between them to the output, farad.
    low_shunt_farad : float
        Behind both to the reference, farad.
    """

    high_in_farad: float = field(metadata=_HIGH_IN_FARAD)
    high_out_farad: float = field(metadata=_HIGH_OUT_FARAD)
    high_feedback_ohm: float = field(metadata=_HIGH_FEEDBACK_OHM)
    high_shunt_ohm: float = field(metadata=_HIGH_SHUNT_OHM)
    low_in_ohm: float = field(metadata=_LOW_IN_OHM)
    low_out_ohm: float = field(metadata=_LOW_OUT_OHM)
    low_feedback_farad: float = field(metadata=_LOW_FEEDBACK_FARAD)
    low_shunt_farad: float = field(metadata=_LOW_SHUNT_FARAD)

    @property
    def sections(self) -> tuple[Section, ...]:
        """High, then low."""
        return (
            _second_high(
                self.high_in_farad, self.high_out_farad, self.high_feedback_ohm, self.high_shunt_ohm
            ),
            _second_low(self.low_in_ohm, self.low_out_ohm, self.low_feedback_farad, self.low_shunt_farad),
        )


BandFilter = (
    NoBandFilter
    | FirstLowPass
    | FirstHighPass
    | FirstBandPass
    | SecondLowPass
    | SecondHighPass
    | SecondBandPass
)


def _first_low(ohm: float, farad: float) -> Section:
    return Section(0, 0, 1, 0, ohm * farad)


def _first_high(ohm: float, farad: float) -> Section:
    return Section(0, ohm * farad, 0, 0, ohm * farad)


def _second_low(in_ohm: float, out_ohm: float, feedback_farad: float, shunt_farad: float) -> Section:
    return Section(0, 0, 1, in_ohm * out_ohm * feedback_farad * shunt_farad, shunt_farad * (in_ohm + out_ohm))


def _second_high(in_farad: float, out_farad: float, feedback_ohm: float, shunt_ohm: float) -> Section:
    square = feedback_ohm * shunt_ohm * in_farad * out_farad
    return Section(square, 0, 0, square, feedback_ohm * (in_farad + out_farad))


# Asked for by every block.
@lru_cache(maxsize=4096)
def _second_order(band_filter: _FromParts, sample_rate_hz: float) -> tuple[FloatArray, ...]:
    return tuple(second_order(*section, sample_rate_hz) for section in band_filter.sections)


FilterState = tuple[tuple[float, float], ...]


def _rest(band_filter: _FromParts, sections: tuple[FloatArray, ...], resting_v: float) -> FilterState:
    """What the sections remember of an input that has not moved for long."""
    memories, x = [], resting_v
    for (_, b1, b2, a1, a2), analog in zip(sections, band_filter.sections, strict=True):
        y = analog.n0 * x
        two = float(b2 * x - a2 * y)
        memories.append((float(b1 * x - a1 * y) + two, two))
        x = y
    return tuple(memories)


def filter_band(
    signal_v: FloatArray,
    band_filter: _FromParts,
    *,
    sample_rate_hz: float,
    low_v: float = -math.inf,
    high_v: float = math.inf,
    resting_v: float = 0.0,
    state: FilterState | None = None,
) -> tuple[FloatArray, FilterState]:
    """Return (filtered_v, end state), shape (n,), V round bias.

    signal_v: shape (n,), V. low_v, high_v: where the filter's amplifiers stop, V round bias. resting_v: what
    it has long stood at before, V, where there is no state. A wire returns the signal itself.
    """
    from envlab.analog.kernels import board_kernels

    sections = _second_order(band_filter, sample_rate_hz)
    ends: list[tuple[float, float]] = []
    begin = state or _rest(band_filter, sections, resting_v)
    for section, before in zip(sections, begin, strict=True):
        signal_v, one, two = board_kernels.second_order(signal_v, section, *before)
        signal_v = np.clip(signal_v, low_v, high_v)
        ends.append((float(one), float(two)))
    return signal_v, tuple(ends)

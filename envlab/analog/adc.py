"""Analog-to-digital converter: volts at its instants in, counts out."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from envlab.analog.amplifier import AMPLIFIER_CLASSES
from envlab.analog.stage import part, varies
from envlab.errors import ParameterError, check_choice, check_range
from envlab.units import FloatArray, IntArray

# Of an amplifier that goes from rail to rail, above ground, while it hardly gives current: typical, from
# memory, as the rest of its class in analog/amplifier.py.
_BUFFER_LOW_V = AMPLIFIER_CLASSES["rail_to_rail"].output_low_v


@dataclass(frozen=True)
class Adc:
    """A converter that reads the detector at its own rate.

    Parameters
    ----------
    bits : int
        6 to 16.
    reference_v : float
        Full scale, 0.1 to 30 V.
    rate_hz : float
        Readings a second, 10 to 1e6.
    noise_lsb : float
        Rms noise of one reading in counts, 0 to 100.
    offset_lsb : float
        Added to every reading, −100 to 100 counts; the firmware learns it as part of its zero.
    gain_error_percent : float
        Slope of the transfer line over the ideal one, less 1, −10 to 10 %.
    bow_lsb : float
        Integral nonlinearity as a smooth bow: what the middle of the range reads too much, −50 to 50 counts;
        a parabola that is 0 at both ends, the shape that end-point nonlinearity most often has (common
        practice, no source).
    dead_low_v, dead_high_v : float
        Dead zones at the ends of the range, V, together at most half of it: up to dead_low_v the converter
        reads 0, from reference_v − dead_high_v on its top code, and between the two runs a straight line.
        Tens of millivolts at both ends are usual where the converter comes with a radio on one chip (common
        practice, no source).
    source_ohm : float
        Between detector and pin.
    sampling_ohm, sampling_farad : float
        The converter's switch and sampling capacitor, which is taken as empty before each reading.
    sampling_s : float
        How long it is connected.
    leakage_a : float
        Into the pin at full scale, 0 to 1 mA.
    buffered : str
        "yes" if an amplifier stands between detector and pin, so that leakage and sampling do not load the
        hold capacitor; or "no".
    buffer_low_v : float or None
        How near to ground that amplifier's output comes, V, 0 to 1: no reading is lower. None: 15 mV, which
        is usual of one that goes from rail to rail and hardly gives current (typical, from memory); behind an
        ideal rectifier, which no parts make, 0.
    pin_limit_v : float or None
        Most that the pin bears, V; None: reference_v + 0.3 V (common practice, no source).

    Notes
    -----
    Gain, offset and integral nonlinearity are meant as IEEE Std 1241 [IEEE1241] has them, by the ends of the
    range. An ideal converter has neither offset, gain error, bow nor dead zones; that is what stands where a
    design file leaves them out. Usual values, common practice, no source: 10 bit of an 8-bit controller:
    offset and bow 2 and 1 LSB, gain 0.2 %. 12 bit of a 32-bit controller: offset and bow 2 and 2 LSB, gain
    0.1 %. The same beside a radio: offset and bow 10 and 10 LSB, gain 2 %, dead zones of 60 to 150 mV below
    and of as much above. The data sheet of the part at hand goes before all of these.

    Examples
    --------
    >>> from envlab.stages import Adc
    >>> real = Adc(bits=12, dead_low_v=0.08, gain_error_percent=0.5, bow_lsb=4.0)
    >>> [round(real.line_lsb(volts), 1) for volts in (0.0, 0.08, 1.65)]
    [-102.3, 0.0, 2011.1]
    """

    bits: int = 10
    reference_v: float = 3.3
    rate_hz: float = 1000.0
    noise_lsb: float = 0.3
    # ±: a 10-bit converter of an 8-bit controller and a 12-bit one of a 32-bit controller; common practice,
    # no source.
    offset_lsb: float = field(default=0.0, metadata=varies("ADC offset", 2.0))
    gain_error_percent: float = field(default=0.0, metadata=varies("ADC gain", 0.2))
    bow_lsb: float = field(default=0.0, metadata=varies("ADC bow", 1.0))
    dead_low_v: float = 0.0
    dead_high_v: float = 0.0
    source_ohm: float = field(
        default=0.0, metadata=part("R16", 5, "stands before the converter's pin", bought=False)
    )
    sampling_ohm: float = 0.0
    sampling_farad: float = 0.0
    sampling_s: float = 1e-6
    leakage_a: float = 0.0
    buffered: str = "yes"
    buffer_low_v: float | None = None
    pin_limit_v: float | None = None

    def __post_init__(self) -> None:
        if isinstance(self.bits, bool) or not isinstance(self.bits, int) or not 6 <= self.bits <= 16:
            raise ParameterError("bits", self.bits, "a whole number from 6 to 16")
        check_range("reference_v", self.reference_v, 0.1, 30, unit="V")
        check_range("rate_hz", self.rate_hz, 10, 1e6, unit="Hz")
        check_range("noise_lsb", self.noise_lsb, 0, 100, unit="LSB")
        check_range("offset_lsb", self.offset_lsb, -100, 100, unit="LSB")
        check_range("gain_error_percent", self.gain_error_percent, -10, 10, unit="%")
        check_range("bow_lsb", self.bow_lsb, -50, 50, unit="LSB")
        for name in ("dead_low_v", "dead_high_v"):
            other_v = self.dead_low_v if name == "dead_high_v" else 0.0
            check_range(name, getattr(self, name), 0, 0.5 * self.reference_v - other_v, unit="V")
        check_range("source_ohm", self.source_ohm, 0, 100e6, unit="ohm")
        check_range("sampling_ohm", self.sampling_ohm, 0, 1e6, unit="ohm")
        check_range("sampling_farad", self.sampling_farad, 0, 1e-6, unit="F")
        check_range("sampling_s", self.sampling_s, 1e-9, 1 / self.rate_hz, unit="s")
        check_range("leakage_a", self.leakage_a, 0, 1e-3, unit="A")
        check_choice("buffered", self.buffered, ("yes", "no"))
        if self.buffer_low_v is not None:
            check_range("buffer_low_v", self.buffer_low_v, 0, 1, unit="V")
        if self.pin_limit_v is not None:
            check_range("pin_limit_v", self.pin_limit_v, 0.1, 60, unit="V")

    @property
    def top_code(self) -> int:
        """Highest count, 2^bits − 1."""
        return int(2**self.bits - 1)

    @property
    def lsb_v(self) -> float:
        """Volts a count between the dead zones, gain error included; ideal: reference_v/2^bits."""
        span_v = self.reference_v - self.dead_low_v - self.dead_high_v
        return float(span_v / 2**self.bits / (1 + 0.01 * self.gain_error_percent))

    def behind(self, topology: str) -> Adc:
        """Return the converter with the buffer that it has behind a rectifier.

        Parameters
        ----------
        topology : str
            Of the rectifier, as a design file calls it. Behind an "ideal" one the buffer is ideal too, unless
            buffer_low_v is stated.
        """
        if self.buffered == "no" or self.buffer_low_v is not None or topology == "ideal":
            return self
        return replace(self, buffer_low_v=_BUFFER_LOW_V)

    @property
    def lowest_pin_v(self) -> float:
        """Lowest voltage that the pin can have, V: where its buffer's output ends; −inf: no limit."""
        return -math.inf if self.buffered == "no" or self.buffer_low_v is None else self.buffer_low_v

    def swallowed_lsb(self, quiescent_v: float) -> float:
        """Return how far a rise above a quiescent voltage goes unread, LSB: in a dead zone, below the buffer.

        Parameters
        ----------
        quiescent_v : float
            V before the pin's buffer, 0 or more.
        """
        return float(max((max(self.dead_low_v, self.lowest_pin_v) - quiescent_v) / self.lsb_v, 0.0))

    @property
    def is_straight(self) -> bool:
        """Whether counts are in proportion to the volts above any pin voltage: no bow, no dead zones."""
        return self.bow_lsb == 0 and self.dead_low_v == 0 and self.dead_high_v == 0

    def line_lsb(self, pin_v: float) -> float:
        """Return what the transfer line gives for volts at the pin, LSB, before offset, noise and rounding.

        Below 0 it is a dead zone's.

        Parameters
        ----------
        pin_v : float
            Volts at the pin, or before its buffer.
        """
        lsb = (max(pin_v, self.lowest_pin_v) - self.dead_low_v) / self.lsb_v
        share = min(max(lsb / 2**self.bits, 0.0), 1.0)
        return float(lsb + 4 * self.bow_lsb * share * (1 - share))

    def envelope_lsb(self, rise_v: float, quiescent_v: float) -> float:
        """Return by how many counts a rise above a quiescent voltage is read, not rounded, 0 or more.

        Parameters
        ----------
        rise_v, quiescent_v : float
            V before the pin's buffer, each 0 or more.
        """
        if self.is_straight and quiescent_v >= self.lowest_pin_v:
            return rise_v / self.lsb_v
        return max(self.line_lsb(quiescent_v + rise_v) - max(self.line_lsb(quiescent_v), 0.0), 0.0)

    @property
    def pin_bears_v(self) -> float:
        """pin_limit_v, or what it stands for."""
        return self.reference_v + 0.3 if self.pin_limit_v is None else self.pin_limit_v

    @property
    def settled_share(self) -> float:
        """Share of the voltage that the sampling capacitor has taken when it is let go, 0 to 1."""
        charging_s = (self.source_ohm + self.sampling_ohm) * self.sampling_farad
        return 1.0 if charging_s == 0 else -math.expm1(-self.sampling_s / charging_s)

    def settling_s(self, lsb_share: float) -> float:
        """Return how long sampling must last for an error under a share of one LSB: (Rs+Rss)·C·ln(2^N/share).

        ½ gives ln 2^(N+1), ¼ ln 2^(N+2): the form of microcontroller data sheets. lsb_share: 1e-6 to 1.
        """
        check_range("lsb_share", lsb_share, 1e-6, 1, unit="LSB")
        charging_s = (self.source_ohm + self.sampling_ohm) * self.sampling_farad
        return charging_s * math.log(2**self.bits / lsb_share)

    @property
    def load_s(self) -> float:
        """Conductance in siemens that leakage and sampling charge put across an unbuffered hold capacitor.

        Leakage grows with the voltage up to leakage_a at reference_v; each reading carries away
        sampling_farad times the voltage, rate_hz times a second.
        """
        if self.buffered == "yes":
            return 0.0
        return self.leakage_a / self.reference_v + self.taken_farad * self.rate_hz

    @property
    def taken_farad(self) -> float:
        """The sampling capacitor as far as an unbuffered hold capacitor has to fill it at each reading, F."""
        return 0.0 if self.buffered == "yes" else self.sampling_farad * self.settled_share


def instants_s(duration_s: float, rate_hz: float) -> FloatArray:
    """Return the instants 0, 1/rate, 2/rate … before duration_s."""
    return np.arange(instant_count(duration_s, rate_hz)) / rate_hz


def instant_count(duration_s: float, rate_hz: float) -> int:
    """Return how many instants_s are, at least the one at 0."""
    return max(1, math.ceil(duration_s * rate_hz - 1e-9))


def stamps_of(times_s: FloatArray, samples: int, sample_rate_hz: float) -> tuple[IntArray, FloatArray]:
    """Return (n, fraction) so that the voltage at a time lies between the stamps of outputs n − 1 and n.

    Output n of the detector is stamped (n + ½)/sample_rate_hz; n = 0 reaches back to the start voltage,
    half a period before time 0. n: indices of outputs; fraction: 0 at output n − 1, 1 at output n. After the
    last stamp the voltage stays.
    """
    position: FloatArray = np.minimum(times_s * sample_rate_hz + 0.5, samples)
    upper = np.clip(np.ceil(position), 1, samples).astype(np.int64) - 1
    return upper, position - upper


def read_at(
    held_v: FloatArray, times_s: FloatArray, *, sample_rate_hz: float, start_v: float = 0.0
) -> FloatArray:
    """Return the detector's voltage at times_s, straight between its stamps (see stamps_of)."""
    return read_between(start_v, held_v, *stamps_of(times_s, held_v.size, sample_rate_hz))


def read_between(before_v: float, held_v: FloatArray, upper: IntArray, fraction: FloatArray) -> FloatArray:
    """Return the voltage at readings within one block, straight between its stamps.

    before_v: the output before the block's first one, V. held_v: shape (n,), V. upper, fraction: shape
    (readings,), as stamps_of gives them, counted from the block's first sample.
    """
    low_v: FloatArray = np.where(upper > 0, held_v[upper - 1], before_v)
    return low_v + fraction * (held_v[upper] - low_v)


def converter_numbers(adc: Adc, *, reference_node_v: float = 0.0, zero_counts: int = 0) -> FloatArray:
    """Return what the compiled quantiser wants of one converter, in the order of adc_kernels.CONVERTER.

    reference_node_v: what the detector's volts stand on, V at the pin. zero_counts: what is taken off.
    """
    return np.array(
        (
            *(reference_node_v, adc.settled_share, adc.lsb_v, adc.offset_lsb, adc.top_code),
            *(adc.dead_low_v, adc.bow_lsb, adc.lowest_pin_v, zero_counts),
        )
    )


def convert(detector_v: FloatArray, adc: Adc, *, rng: np.random.Generator | None = None) -> IntArray:
    """Return counts, floor(v/LSB) limited to 0 and the top code; with rng its noise is added first.

    An ideal converter's; a real one has line_lsb in the place of v/LSB, and its offset. detector_v: any
    shape, V at the pin. The rounding is that of a converter whose first step lies at one LSB.
    """
    from envlab.analog.kernels import adc_kernels

    pin_v = np.asarray(detector_v, dtype=np.float64)
    noise_lsb = np.zeros(pin_v.size)
    if rng is not None:
        noise_lsb = adc.noise_lsb * rng.standard_normal(pin_v.size)
    counts = adc_kernels.quantise(
        np.ascontiguousarray(pin_v.reshape(1, -1)),
        np.zeros(1, dtype=np.int64),
        converter_numbers(adc).reshape(1, -1),
        noise_lsb,
    )
    return np.asarray(counts.reshape(pin_v.shape), dtype=np.int64)

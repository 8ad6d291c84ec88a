"""What a rectifier with amplifiers does on one board, in numbers: a law for each half wave.

From x, the signal round its bias, each half wave makes s = g·|x| + e, held between a pedestal, where an
output is at its lowest, and a ceiling. Amplifiers with a diode in their loop hand the larger one on to the
attack resistor; they only give. While such an amplifier is blocked its output has run to its lowest, and it
must come back to held voltage and diode drop before anything flows: that is the dead time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from envlab.analog.rectifiers.both_halves import FoldsBoth
from envlab.units import FloatArray


@dataclass(frozen=True)
class HalfWave:
    """One half wave: s = gain·|x| + error_v, from pedestal_v to ceiling_v, V above the reference node."""

    gain: float
    error_v: float
    pedestal_v: float
    ceiling_v: float = math.inf


@dataclass(frozen=True)
class FirstAmplifier:
    """The first amplifier of an absolute-value circuit: two diodes in its loop, which it has to cross.

    input_ohm: what its input current flows through. share: of the signal that reaches its input while neither
    diode conducts. most_v: largest signal that its output, a drop lower still, can follow.
    """

    input_ohm: float
    share: float
    most_v: float


@dataclass(frozen=True)
class HalfWaves(FoldsBoth):
    """A rectifier with amplifiers on its board; all volts above the reference node.

    Parameters
    ----------
    topology : str
        As a design file calls it.
    reference_node_v : float
        V against the ADC's ground.
    upper, lower : HalfWave
        Of the signal above and below its bias.
    joined : bool
        Whether one amplifier hands both half waves on; else each has its own.
    only_gives : bool
        Whether a diode in its loop keeps that amplifier from taking; else the attack resistor leads both
        ways.
    gain_bandwidth_hz, slew_v_per_s : float
        Of that amplifier; infinite: it is there at once.
    output_low_v, output_high_v : float
        Where its output ends.
    diode_slope_v, saturation_a, leakage_ohm, series_ohm : float
        Of the diode in its loop, at its temperature: n·V_T, saturation current, what lies across it, and in
        series with it where the output is at its highest.
    drawn_a : float
        What the amplifiers' inputs draw from the hold capacitor.
    first : FirstAmplifier or None
        The amplifier that makes the upper half wave and has a dead time of its own; None: none.
    coupling_farad, return_ohm, lower_return_ohm : float or None
        Between the signal and x; None: nothing. lower_return_ohm leads to lower_return_v, only while x is
        below that.
    lower_return_v : float
        V above the reference node.
    """

    topology: str
    reference_node_v: float
    upper: HalfWave
    lower: HalfWave
    joined: bool
    only_gives: bool
    gain_bandwidth_hz: float
    slew_v_per_s: float
    output_low_v: float
    output_high_v: float
    diode_slope_v: float
    saturation_a: float
    leakage_ohm: float
    series_ohm: float
    drawn_a: float = 0.0
    first: FirstAmplifier | None = None
    coupling_farad: float | None = None
    return_ohm: float | None = None
    lower_return_ohm: float | None = None
    lower_return_v: float = 0.0

    @property
    def blocked_diodes(self) -> int:
        """How many diodes leak from the hold capacitor in silence."""
        return 1 if self.joined else 2

    @property
    def static(self) -> HalfWaves:
        """The same with amplifiers that are there at once: gains, errors, pedestals and leakage alone."""
        return replace(self, gain_bandwidth_hz=math.inf, slew_v_per_s=math.inf, first=None)

    def rectified_v(self, signal_v: FloatArray) -> FloatArray:
        """Return the larger of both half waves, V above the reference node, as if no amplifier were slow.

        signal_v: shape (n,), V round the bias, behind the coupling capacitor if there is one.
        """
        upper_v = self.upper.gain * signal_v + self.upper.error_v
        lower_v = -self.lower.gain * signal_v + self.lower.error_v
        if self.first is not None:
            beyond_v = np.maximum(signal_v - self.first.most_v, 0.0)
            upper_v = upper_v - (self.upper.gain + self.lower.gain) * beyond_v
        return np.maximum(
            np.clip(upper_v, self.upper.pedestal_v, self.upper.ceiling_v),
            np.clip(lower_v, self.lower.pedestal_v, self.lower.ceiling_v),
        )

    def quiescent_signal_v(self, resting_v: float = 0.0) -> float:
        """Return where x rests, V: a coupling capacitor keeps resting_v, and both returns divide."""
        if self.coupling_farad is None:
            return resting_v
        if self.return_ohm is None or self.lower_return_ohm is None:
            return 0.0
        return self.lower_return_v * self.return_ohm / (self.return_ohm + self.lower_return_ohm)

    def quiescent_rectified_v(self, bias_v: float = 0.0, resting_v: float = 0.0) -> float:
        """Return what is offered at silence, V above the reference node; the bias is in it already.

        resting_v: where the signal rests, V round bias_v; a coupling capacitor keeps it.
        """
        del bias_v
        return float(self.rectified_v(np.array([self.quiescent_signal_v(resting_v)]))[0])

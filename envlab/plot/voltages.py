"""Chain voltages through time: what each stage makes of a few seconds of music."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes

from envlab.chain import Chain
from envlab.circuit.circuit import circuit_of
from envlab.circuit.description import Circuit
from envlab.engine.chain_result import ChainResult
from envlab.plot.columns import columns_of
from envlab.plot.palette import INK, SOFT, colour
from envlab.plot.style import LINE_PT, beside_heading, dress, heading, limit_line, note
from envlab.units import FloatArray, IntArray

ROWS = 5
# A limit that lies this much further out than the signal is said in words, not drawn.
_NEAR = 1.6


def chain_voltages(
    result: ChainResult,
    chain: Chain,
    axes: Sequence[Axes],
    span_s: tuple[float, float],
    *,
    offset_s: float = 0.0,
) -> Sequence[Axes]:
    """Draw sound, preamp, rectifier with detector, ADC and light into five axes, one above the other.

    span_s: the part of the result to show, s; offset_s is added to the times on the axis.
    """
    _traces(result, axes, span_s, offset_s, scale=1.0)
    pressure, preamp, detector, counts, light = axes
    dress(pressure, y="Pa")
    dress(preamp, y="V")
    dress(detector, y="V")
    dress(counts, y="counts")
    dress(light, x="time, s", y="L*")
    heading(pressure, "Sound pressure at the microphone", colour("pressure"))
    circuit = circuit_of(chain)
    amplifier = _part_on(circuit, "preamp_v", "amplifier", "out")
    words = f"Preamp output ({amplifier}) round its bias, gain {chain.preamp.gain:.3g}"
    heading(preamp, words, colour("preamp"))
    capacitor = _part_on(circuit, "detector_v", "capacitor", "1")
    heading(detector, f"Detector on the hold capacitor ({capacitor})", colour("detector"))
    beside_heading(detector, "pale area: rectified")
    heading(counts, f"ADC reading, {chain.adc.rate_hz:g} a second", colour("counts"))
    heading(light, f"Lightness, {chain.frame_rate_hz:g} frames a second", colour("light"))
    _swing_limits(chain, preamp)
    _count_limits(result, chain, counts)
    for ax in axes[:-1]:
        ax.tick_params(labelbottom=False)
    return axes


def _part_on(circuit: Circuit, trace: str, kind: str, pin: str) -> str:
    """Return the reference of the part at which a probe meets a trace."""
    pins = circuit.pins_on(circuit.of_trace(trace).name)
    return next(name for name, at in pins if at == pin and circuit.component(name).kind == kind)


def stroke_voltages(result: ChainResult, axes: Sequence[Axes], span_s: tuple[float, float]) -> Sequence[Axes]:
    """Draw the same five signals over a short span, in ms from its start, to stand beside chain_voltages."""
    _traces(result, axes, span_s, -span_s[0], scale=1e3)
    for ax in axes:
        dress(ax)
    for ax in axes[:-1]:
        ax.tick_params(labelbottom=False)
    axes[-1].set_xlabel("time, ms", fontsize=axes[-1].xaxis.label.get_fontsize())
    heading(axes[0], "One stroke", INK)
    return axes


def _traces(
    result: ChainResult,
    axes: Sequence[Axes],
    span_s: tuple[float, float],
    offset_s: float,
    scale: float,
) -> None:
    fine_hz = result.internal_rate_hz

    def band(
        ax: Axes, signal: FloatArray | IntArray, rate_hz: float, quantity: str, stamp: float = 0.0
    ) -> None:
        time_s, low, high = columns_of(signal, rate_hz, span_s, stamp=stamp)
        ax.fill_between(
            scale * (time_s + offset_s),
            low,
            high,
            color=colour(quantity),
            linewidth=0.5,
            label=quantity,
        )

    def line(
        ax: Axes, signal: FloatArray | IntArray, rate_hz: float, quantity: str, stamp: float = 0.0
    ) -> None:
        time_s, low, high = columns_of(signal, rate_hz, span_s, stamp=stamp)
        middle = (low + high) / 2
        ax.plot(
            scale * (time_s + offset_s), middle, color=colour(quantity), linewidth=LINE_PT, label=quantity
        )

    def steps(ax: Axes, signal: FloatArray | IntArray, rate_hz: float, quantity: str) -> None:
        first = max(0, int(span_s[0] * rate_hz + 1e-9))
        part = signal[first : int(span_s[1] * rate_hz + 1e-9) + 1]
        # The last value holds until the next one, so it is drawn twice.
        held = np.append(part, part[-1:])
        time_s = (first + np.arange(held.size)) / rate_hz
        ax.plot(
            scale * (time_s + offset_s),
            held,
            color=colour(quantity),
            linewidth=1.0,
            drawstyle="steps-post",
            label=quantity,
        )

    pressure, preamp, detector, counts, light = axes
    band(pressure, result.pressure_pa, fine_hz, "pressure")
    band(preamp, result.preamp_v, fine_hz, "preamp")
    band(detector, result.rectified_v, fine_hz, "rectified")
    line(detector, result.detector_v, fine_hz, "detector", stamp=0.5)
    steps(counts, result.adc_counts, result.adc_rate_hz, "counts")
    steps(light, result.lightness, result.frame_rate_hz, "light")
    light.fill_between(
        light.lines[0].get_xdata(), light.lines[0].get_ydata(), step="post", color=colour("light"), alpha=0.25
    )
    for ax in axes:
        ax.set_xlim(scale * (span_s[0] + offset_s), scale * (span_s[1] + offset_s))
    light.set_ylim(0, 105)
    light.set_yticks([0, 50, 100])


def _swing_limits(chain: Chain, ax: Axes) -> None:
    low, high = ax.get_ylim()
    up, down = chain.preamp.swing_up_v, chain.preamp.swing_down_v
    if max(high, -low) * _NEAR < min(up, down):
        beside_heading(ax, f"clips at +{up:.2f} V and −{down:.2f} V", SOFT)
        return
    limit_line(ax, up)
    limit_line(ax, -down)
    beside_heading(ax, "dashed: here it clips", INK)


def _count_limits(result: ChainResult, chain: Chain, ax: Axes) -> None:
    rest = chain.quiescent_counts
    ceiling = rest + result.table.count_map.ceiling_counts
    top = max(ax.get_ylim()[1], 1.0)
    words = f"top of the converter {chain.adc.top_code}"
    if ceiling < _NEAR * top:
        limit_line(ax, ceiling)
        note(ax, "full light", (0, ceiling), coords=("axes fraction", "data"), offset=(3, 5), colour=INK)
        ax.set_ylim(top=max(top, 1.35 * ceiling))
    else:
        words = f"full light from {ceiling:.0f}, {words}"
    ax.set_ylim(bottom=min(rest, ax.get_ylim()[0]) if rest else 0)
    beside_heading(ax, words, SOFT)

"""A clip as it will be heard and seen: sound, detector, reading and light over its length, and its strip."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from envlab.plot.palette import colour
from envlab.plot.strips import brightness_strip, strip_label
from envlab.plot.style import LINE_PT, beside_heading, dress, heading, sheet
from envlab.study.listening.light import BoardLight
from envlab.study.listening.traces import Traces

_QUANTITIES = ("pressure", "detector", "counts", "light")
_HEADINGS = (
    "Sound pressure at the microphone, peaks",
    "Detector on the hold capacitor",
    "ADC reading",
    "Lightness",
)
_UNITS = ("Pa", "V", "counts", "L*")


def listening_sheet(light: BoardLight, traces: Traces, words: str) -> Figure:
    """Return the picture of a whole clip's light; words: beside the first heading, as the clip's name."""
    fig = sheet(112.0)
    *panels, strip = fig.subplots(5, 1, sharex=True, height_ratios=(1, 1, 1, 1, 0.45))
    time_s = np.arange(traces.rows.shape[1]) / traces.rate_hz
    for ax, row, quantity, name, unit in zip(
        panels, traces.rows, _QUANTITIES, _HEADINGS, _UNITS, strict=True
    ):
        _trace(ax, time_s, row.astype(np.float64), quantity)
        dress(ax, y=unit)
        heading(ax, name, colour(quantity))
        ax.tick_params(labelbottom=False)
    panels[3].set_ylim(0, 105)
    beside_heading(panels[0], words)
    brightness_strip(light, strip)
    strip_label(strip, "pixels")
    strip.set_xlim(0, light.total_frames / light.frame_rate_hz)
    return fig


def _trace(ax: Axes, time_s: np.ndarray, values: np.ndarray, quantity: str) -> None:
    hue = colour(quantity)
    ax.plot(time_s, values, color=hue, linewidth=0.7 * LINE_PT, label=quantity)
    ax.fill_between(time_s, values, color=hue, alpha=0.22, linewidth=0)
    ax.set_ylim(0, 1.05 * max(float(values.max()), 1e-6))

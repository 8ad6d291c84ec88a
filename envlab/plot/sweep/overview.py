"""One picture of the whole job: sound, the voltage that follows it, the light, and where the choice lies."""

from __future__ import annotations

from matplotlib.figure import Figure, FigureBase

from envlab.plot.columns import columns_of
from envlab.plot.palette import colour
from envlab.plot.strips import brightness_strip
from envlab.plot.style import beside_heading, dress, heading, sheet
from envlab.plot.sweep.time_map import time_constant_map, time_map
from envlab.study.chosen_on_clips import MusicScene, music_scene
from envlab.study.specification.parts_list import design_parts
from envlab.study.specification.specification import Specification
from envlab.study.sweep.choice import Choice

WIDTH_MM, HEIGHT_MM = 230.0, 92.0


def overview_figure(specification: Specification, choice: Choice) -> Figure:
    """Return the picture of the job for a choice: a few seconds of music on the left, the map on the right.

    Without a map to draw (see sweep.time_map), the left part takes the whole width.
    """
    scene = music_scene(specification, choice.chain)
    fig = sheet(HEIGHT_MM, WIDTH_MM)
    fig.set_facecolor("white")
    if time_map(choice, specification) is None:
        _music(fig, scene, choice)
        return fig
    parts = fig.subfigures(1, 2, width_ratios=(1.35, 1), wspace=0.03, squeeze=False)[0]
    for part in parts:
        part.set_facecolor("white")
    _music(parts[0], scene, choice)
    time_constant_map(choice, specification, parts[1].subplots())
    return fig


def _music(fig: FigureBase, scene: MusicScene, choice: Choice) -> None:
    """Sound, detector and light under each other on one time axis."""
    sound, detector, light = fig.subplots(3, 1, sharex=True, height_ratios=(1, 1.25, 0.5))
    result, moved_s = scene.result, scene.from_s - scene.span_s[0]
    rate_hz = result.internal_rate_hz
    for ax, signal, quantity in (
        (sound, result.pressure_pa, "pressure"),
        (detector, result.rectified_v, "rectified"),
    ):
        time_s, low, high = columns_of(signal, rate_hz, scene.span_s)
        ax.fill_between(time_s + moved_s, low, high, color=colour(quantity), linewidth=0.5, label=quantity)
    time_s, low, high = columns_of(result.detector_v, rate_hz, scene.span_s, stamp=0.5)
    hue = colour("detector")
    detector.plot(time_s + moved_s, (low + high) / 2, color=hue, linewidth=1.8, label="detector")
    brightness_strip(result, light, span_s=scene.span_s, offset_s=moved_s)
    dress(sound, y="Pa")
    dress(detector, y="V")
    heading(sound, "The sound at the microphone", colour("pressure"))
    heading(detector, "The voltage that follows it", hue)
    heading(light, "The light that is worn", colour("light"))
    chosen = ", ".join(
        f"{part.reference} = {part.value_text}"
        for part in design_parts(choice.chain)
        if part.key.startswith("detector.") or part.reference == "R3"
    )
    beside_heading(detector, "pale: the rectified sound")
    beside_heading(light, chosen)
    for ax in (sound, detector):
        ax.tick_params(labelbottom=False)
    fig.align_ylabels([sound, detector])

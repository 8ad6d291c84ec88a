"""The night after: a log over what the design makes of a phone's recording, and what explains the rest."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from envlab.bench.night.night import NightCheck
from envlab.plot.palette import INK, SOFT, colour
from envlab.plot.style import LINE_PT, SMALL_PT, beside_heading, dress, heading, sheet


def night_sheet(found: NightCheck) -> Figure:
    """Return log and simulation over each other, the residual, and what each stage would take of it.

    Parameters
    ----------
    found : NightCheck
        A song twice.

    Returns
    -------
    matplotlib.figure.Figure
    """
    fig = sheet(132)
    upper, middle, lower = fig.subplots(3, 1, height_ratios=(3, 1.3, 1.9))
    middle.sharex(upper)
    upper.plot(found.time_s, found.measured, color=colour("counts"), linewidth=LINE_PT)
    upper.plot(found.time_s, found.simulated, color=INK, linewidth=0.8, linestyle=(0, (3, 1.5)))
    dress(upper, y="counts")
    heading(upper, "The board's log", colour("counts"))
    beside_heading(upper, "dashed: the design, playing the phone's recording", INK)
    upper.tick_params(labelbottom=False)
    middle.plot(found.time_s, found.measured - found.simulated, color=colour("counts"), linewidth=0.6)
    dress(middle, x="time in the recording, s", y="counts")
    heading(middle, "Log less simulation", colour("counts"))
    beside_heading(middle, f"{found.residual_db:.1f} dB of the envelope")
    stages = found.explanations
    for row, one in enumerate(stages):
        chosen = one.stage == found.explained_by
        ink = colour("detector") if chosen else SOFT
        lower.barh(row, 100 * one.taken_share, height=0.6, color=ink)
        lower.annotate(
            f"{one.residual_db:.1f} dB left{': explains it' if chosen else ''}",
            (100 * one.taken_share, row), xytext=(4, 0), textcoords="offset points",
            fontsize=SMALL_PT, color=INK, va="center",
        )  # fmt: skip
    dress(lower, x="share of the residual's power that a stage off its design takes away, %", grid="x")
    lower.set_yticks(np.arange(len(stages)), [one.stage for one in stages])
    lower.set_ylim(len(stages) - 0.4, -0.6)
    lower.set_xlim(0, 130)
    lower.set_xticks([0, 25, 50, 75, 100])
    lower.tick_params(axis="y", length=0)
    heading(lower, "Which stage explains it, likeliest first")
    return fig

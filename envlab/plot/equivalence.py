"""The detector on the board and the follower in firmware: where they agree and where not."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from envlab.digital.equivalence import Equivalence, Match
from envlab.plot.palette import INK, colour
from envlab.plot.style import LINE_PT, dress, heading, note, sheet


def follower_difference(equivalence: Equivalence, axes: Sequence[Axes]) -> Sequence[Axes]:
    """Draw the detector's voltage, and how many dB each follower reads above it, into two axes."""
    upper, lower = axes
    upper.plot(equivalence.times_s, equivalence.wanted_v, color=colour("detector"), linewidth=LINE_PT)
    dress(upper, y="V")
    heading(upper, "Detector on the hold capacitor", colour("detector"))
    upper.tick_params(labelbottom=False)
    lower.plot(
        equivalence.times_s, equivalence.naive.difference_db, color=INK, linewidth=0.8, linestyle=(0, (1, 1)),
        label="detector's own time constants",
    )  # fmt: skip
    lower.plot(
        equivalence.times_s, equivalence.fitted.difference_db, color=colour("counts"), linewidth=LINE_PT,
        label="fitted",
    )  # fmt: skip
    dress(lower, x="time, s", y="difference, dB")
    heading(lower, "Follower's reading over the detector's", colour("counts"))
    span = max(1.0, float(np.abs(equivalence.naive.difference_db).max()))
    lower.set_ylim(-1.1 * span, 2.1 * span)
    note(
        lower,
        _words("dotted: the detector's own time constants", equivalence.naive),
        (0.01, 0.93),
        coords="axes fraction",
    )
    note(lower, _words("line: fitted", equivalence.fitted), (0.01, 0.80), coords="axes fraction")
    for ax in axes:
        ax.set_xlim(float(equivalence.times_s[0]), float(equivalence.times_s[-1]))
    return axes


def _words(name: str, match: Match) -> str:
    follower = match.follower
    return (
        f"{name}, {1e3 * follower.attack_s:.3g} ms and {1e3 * follower.release_s:.3g} ms: "
        f"rms {match.rms_db:.2f} dB, 99 % within {match.worst_db:.2f} dB"
    )


def equivalence_sheet(equivalence: Equivalence) -> Figure:
    """Return the comparison as one picture."""
    fig = sheet(84)
    follower_difference(equivalence, list(np.asarray(fig.subplots(2, 1, sharex=True))))
    return fig

"""One colour for one quantity, everywhere, in a light and a dark form.

The hues start from the eight of [OkabeIto2008], which stay apart for colour-blind eyes, darkened until a line
on white keeps a contrast of 3 : 1 ([WCAG2.2], 1.4.11). Only the area "rectified" is pale, so that the
detector's line shows on it in grey too. No picture rests on colour alone: lines carry their name, and differ
in style or marker.
"""

from __future__ import annotations

# name: (on white paper, on a dark screen). Every hex is unique, so that one can be replaced by the other.
PALETTE: dict[str, tuple[str, str]] = {
    "ink": ("#22262a", "#e8e6e1"),
    "soft": ("#626a71", "#a2abb2"),
    "grid": ("#dfe2e4", "#343a40"),
    "shade": ("#eceeef", "#2a2f35"),
    "paper": ("#fffffe", "#15181b"),
    "pressure": ("#5f6b76", "#a5b1bc"),
    "preamp": ("#0072b2", "#56a5dc"),
    "rectified": ("#9ccbe8", "#2f6486"),
    "detector": ("#bd4b00", "#f28b3b"),
    "counts": ("#00805d", "#35b98f"),
    "light": ("#b07500", "#f0b32c"),
    "duty": ("#7a5233", "#c99c70"),
    "current": ("#a3477e", "#de90bd"),
    "flashes": ("#3b3f91", "#9ba1ef"),
    "latency": ("#5c7a06", "#a6c73c"),
}
INK, SOFT, GRID, SHADE, PAPER = (PALETTE[name][0] for name in ("ink", "soft", "grid", "shade", "paper"))

# On a heat map the squares stay as they are on any page, and so do the marks on them.
INK_ON_MAP, ON_MAP = "#101214", "#fdfdfb"

# Metrics of the sweep wear the colour of the quantity that they measure.
_METRIC_QUANTITY = {
    "attack_ms": "detector",
    "attack_60hz_ms": "detector",
    "release_ms": "detector",
    "ripple_db": "detector",
    "settled_ratio": "detector",
    "onset_lag_mean_ms": "latency",
    "onset_lag_worst_ms": "latency",
    "clipped_share": "preamp",
    "range_used_db": "counts",
    "flashes_per_s": "flashes",
    "supply_mean_a": "current",
    "supply_99_a": "current",
    "supply_peak_a": "current",
}


def colour(quantity: str) -> str:
    """Return the colour of a quantity on white, "#rrggbb"."""
    return PALETTE[quantity][0]


def metric_colour(metric: str) -> str:
    """Return the colour of a metric of the sweep (a key of metrics.catalogue.METRICS), "#rrggbb"."""
    return colour(_METRIC_QUANTITY.get(metric, "light"))

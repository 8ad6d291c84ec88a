"""Controls in a notebook: turn ranges and targets, or the brightness table, and see what comes of it."""

from __future__ import annotations

from envlab.widget.parts_panel import PartsPanel
from envlab.widget.table_panel import TablePanel

__all__ = [
    "PartsPanel",
    "TablePanel",
]

"""Rows against what is asked, as tables of report and terminal show them."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class AskedRow:
    """One thing that is asked. key: what sentences speak of it. met: None where nothing is asked."""

    key: str
    name: str
    meaning: str
    value: str
    asked: str
    met: bool | None

    @property
    def verdict(self) -> str:
        """As a table says it."""
        return {None: "", True: "met", False: "missed"}[self.met]

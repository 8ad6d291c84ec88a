"""What keys and choices of design files were called in version 0.1, and what they are called now."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

# (section, key of 0.1) → key of today.
KEYS = {("rectifier", "rest_v"): "reference_node_v"}
# (section, key of today, choice of 0.1) → choice of today.
CHOICES = {("rectifier", "reference", "foot"): "node"}


def old_names(tables: Mapping[str, Any]) -> Iterator[str]:
    """Yield one line for each name of 0.1 in a design file's tables, as "[rectifier] rest_v is now …"."""
    swept = tables.get("sweep")
    places = [(f"[{section}]", section, table) for section, table in tables.items()]
    if isinstance(swept, Mapping):
        places += [(f"[sweep.{section}]", section, table) for section, table in swept.items()]
    for where, section, table in places:
        if isinstance(table, Mapping):
            yield from _old_in(where, section, table)


def _old_in(where: str, section: str, table: Mapping[str, Any]) -> Iterator[str]:
    for key, value in table.items():
        if (section, key) in KEYS:
            yield f"{where} {key} is now {KEYS[section, key]}"
        for choice in value if isinstance(value, list) else [value]:
            if isinstance(choice, str) and (section, key, choice) in CHOICES:
                yield f'{where} {key} = "{choice}" is now {key} = "{CHOICES[section, key, choice]}"'

"""What a dataclass of part values asks of each field, told by its own checks.

Nothing is written down twice: each check says what it asks (envlab.errors.noting_limits) while a part is
made. A limit that moves when another field is changed, as the bias that must stay below the supply, belongs
to both; it is left out here, and the reader of design files still holds it.
"""

from __future__ import annotations

import contextlib
import dataclasses
import math
import typing
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from envlab.errors import EnvlabError, Limit, noting_limits

# A value that any part of this unit can have, for fields that have no default or are "none".
_USUAL = {"ohm": 10e3, "farad": 100e-9, "hz": 5e3, "s": 0.1, "v": 1.0, "a": 1e-3, "c": 20.0, "percent": 5.0}
_SHIFTS = (0.5, 0.9, 1.1, 2.0)
_MOST_WHOLE = 64


def limits_of(kind: type, known: Mapping[str, Any] | None = None) -> dict[str, Limit]:
    """Return the limit of each field of a dataclass, by its name, in the field's own unit.

    known: values of a part of this kind, for fields without a default. Ends that move with another field are
    left open; fields that are not limited are missing.
    """
    told: dict[str, list[list[Limit]]] = {}
    for values in _parts(kind, usual_values(kind) | dict(known or {})):
        for name, limits in _told(kind, values).items():
            told.setdefault(name, []).append(limits)
    found = {name: _fixed([_all_of(limits) for limits in every]) for name, every in told.items()}
    for name, hint in typing.get_type_hints(kind).items():
        if hint is int and name not in found:
            found |= _tried(kind, usual_values(kind), name)
    return found


def usual_values(kind: type) -> dict[str, Any]:
    """Return a value for each field of a dataclass, in SI: its default, or what is usual for its unit."""
    values = {}
    for field in dataclasses.fields(kind):
        default = field.default
        if field.default_factory is not dataclasses.MISSING:
            default = field.default_factory()
        values[field.name] = _usual(field.name) if default is dataclasses.MISSING else default
    return values


def _usual(name: str) -> float:
    return _USUAL.get(name.rsplit("_", 1)[-1], 1.0)


def _parts(kind: type, usual: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """Parts to listen to: the usual one, each choice, each field that is usually none, each number moved."""
    choices = {name: limits[0].choices for name, limits in _told(kind, usual).items() if limits[0].choices}
    hints = typing.get_type_hints(kind)
    for base in (usual, *(dict(usual) | {name: one} for name, every in choices.items() for one in every)):
        yield dict(base)
        for name, value in base.items():
            if value is None and float in typing.get_args(hints[name]):
                yield dict(base) | {name: _usual(name)}
            elif isinstance(value, float) and value:
                for shift in _SHIFTS:
                    yield dict(base) | {name: value * shift}


def _told(kind: type, values: Mapping[str, Any]) -> dict[str, list[Limit]]:
    """What the checks say while one part is made; a part that is refused has told some of them."""
    with noting_limits() as noted, contextlib.suppress(EnvlabError):
        kind(**values)
    found: dict[str, list[Limit]] = {}
    for limit in noted:
        name = limit.name.partition(" ")[0]  # as in "temperature_c (low)", "parts_percent C3"
        if name in values:
            found.setdefault(name, []).append(limit)
    return found


def _all_of(limits: list[Limit]) -> Limit:
    """Several checks of one value as one."""
    low = max(limit.low for limit in limits)
    return Limit(
        limits[0].name,
        low,
        min(limit.high for limit in limits),
        next((limit.unit for limit in limits if limit.unit), ""),
        any(limit.above and limit.low == low for limit in limits),
        next((limit.choices for limit in limits if limit.choices), ()),
    )


def _fixed(every: list[Limit]) -> Limit:
    """What all parts agree on; an end that moves is open."""
    first = every[0]
    low = first.low if len({(limit.low, limit.above) for limit in every}) == 1 else -math.inf
    high = first.high if len({limit.high for limit in every}) == 1 else math.inf
    return replace(first, low=low, high=high, above=first.above and low == first.low)


def _tried(kind: type, values: Mapping[str, Any], name: str) -> dict[str, Limit]:
    """The limit of a whole number that has a check of its own: every one up to 64 is tried."""
    taken = []
    for whole in range(_MOST_WHOLE):
        try:
            kind(**{**values, name: whole})
        except EnvlabError:
            continue
        taken.append(whole)
    if not taken or taken != list(range(taken[0], taken[-1] + 1)):
        return {}
    high = math.inf if taken[-1] == _MOST_WHOLE - 1 else taken[-1]
    return {name: Limit(name, taken[0], high)}

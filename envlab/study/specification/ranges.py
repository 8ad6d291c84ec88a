"""Which values to try: ranges out of a design file, and every combination of them put into a chain."""

from __future__ import annotations

import dataclasses
import itertools
import typing
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from envlab.analog.parts import PartRange
from envlab.chain import Chain
from envlab.design_file import STAGES, check_buyable, chosen_by
from envlab.errors import FileError, ParameterError
from envlab.files.tables import build, field_value

Choices = PartRange | tuple[float | str, ...]

MOST_CANDIDATES = 200_000
# Measured on two cores over the demo clips: all metrics, precision rectifier. For a rough word on time only.
SECONDS_PER_CANDIDATE_MINUTE = 1e-3
# All candidates feed the same pixels from the same supply; the rest of the board may differ. Candidates that
# share microphone, noise and ADC hear each clip together, others one group after the other.
_SHARED = ("pixels", "supply", "firmware", "pack", "feed", "coupling", "colour", "layout")
SWEEPABLE = tuple(stage for stage in STAGES if stage not in _SHARED)


@dataclass(frozen=True, eq=False)
class Candidates:
    """parts: one column of values per swept key, shape (candidates,). chains: the Chain of each."""

    parts: dict[str, list[float | str]]
    chains: list[Chain]

    def __len__(self) -> int:
        return len(self.chains)


def candidates_of(chain: Chain, ranges: Mapping[str, Choices], most: int = MOST_CANDIDATES) -> Candidates:
    """Return every combination of the ranges' values put into the chain; the last range varies fastest.

    ranges: "stage.key" → PartRange or sequence of values. Raises ParameterError for a key that cannot be
    swept, a value that the chain cannot have, or more candidates than most.
    """
    for key in ranges:
        check_sweepable(key)
        _check_field(chain, key)
    check_count(ranges, most)
    rows = list(itertools.product(*(values_of(key, choices) for key, choices in ranges.items())))
    chains = [with_values(chain, tuple(ranges), row) for row in rows]
    parts = {key: [row[i] for row in rows] for i, key in enumerate(ranges)}
    return Candidates(parts, chains)


def check_sweepable(key: str) -> None:
    """Raise ParameterError for a "stage.key" that must be the same for all candidates."""
    if key.partition(".")[0] not in SWEEPABLE:
        raise ParameterError("sweep", key, f"a key of {', '.join(SWEEPABLE)}")


def _check_field(chain: Chain, key: str) -> None:
    stage, _, name = key.partition(".")
    names = [field.name for field in dataclasses.fields(getattr(chain, stage))]
    if name == "kind" and _kinds_of(stage):
        return
    if name not in names:
        raise ParameterError("sweep", key, f"a key that this {stage} has: {', '.join(names)}")


def values_of(key: str, choices: Choices | Sequence[float | str]) -> tuple[float | str, ...]:
    """Return the values of one range, in its order.

    choices and the result: in the unit of key. ParameterError for what is no range, or an empty one.
    """
    if isinstance(choices, PartRange):
        return choices.values
    if isinstance(choices, str) or not isinstance(choices, Sequence | np.ndarray):
        raise ParameterError(key, choices, "a range of parts, or a list of values to try")
    values = tuple(one.item() if isinstance(one, np.generic) else one for one in choices)
    if not values:
        raise ParameterError(key, choices, "at least one value to try")
    return values


def steps_from(key: str, choices: Choices, value: float | str) -> tuple[float, ...]:
    """Return the next smaller and the next larger value of a range, as far as there are any.

    choices, value and the result: in the unit of key. No steps for words such as "half", which have no order.
    Raises ParameterError as values_of.
    """
    rising = sorted(one for one in values_of(key, choices) if not isinstance(one, str))
    if isinstance(value, str) or value not in rising:
        return ()
    place = rising.index(value)
    return (*rising[:place][-1:], *rising[place + 1 :][:1])


def check_count(ranges: Mapping[str, Choices], most: int = MOST_CANDIDATES) -> None:
    """Raise ParameterError for a range without values, or for more than most, with a rough time."""
    lengths = [len(values_of(key, choices)) for key, choices in ranges.items()]
    count = int(np.prod(lengths, dtype=float)) if lengths else 1
    if count > most:
        seconds = count * SECONDS_PER_CANDIDATE_MINUTE
        raise ParameterError(
            "candidates",
            count,
            f"at most {most} (these would take some {_rough_time(seconds)} for each minute of clips); "
            "narrow a range or its series, or allow more",
        )


def _rough_time(seconds: float) -> str:
    """A time as one says it, from seconds: "20 s", "5 minutes", "3 hours"."""
    if seconds < 100:
        return f"{max(1, round(seconds))} s"
    return f"{seconds / 60:.0f} minutes" if seconds < 6000 else f"{seconds / 3600:.0f} hours"


def with_values(chain: Chain, keys: Sequence[str], row: Sequence[float | str]) -> Chain:
    """Return the chain with other values; keys "stage.key" in the order of row.

    Errors as the stages'.

    Parameters
    ----------
    chain : Chain
        The board.
    keys : sequence of str
        As "stage.key".
    row : sequence of float | str
        Their values, SI, in the order of keys.

    Returns
    -------
    Chain
    """
    stages: dict[str, dict[str, float | str]] = {}
    for key, value in zip(keys, row, strict=True):
        stage, _, name = key.partition(".")
        stages.setdefault(stage, {})[name] = value
    changed = {stage: _changed_stage(chain, stage, values) for stage, values in stages.items()}
    return replace(chain, **changed)


def _changed_stage(chain: Chain, stage: str, values: Mapping[str, float | str]) -> Any:
    """Return a stage with other values; another kind keeps of the one before what both have.

    Where "kind" and other values are swept together, a kind that has no such value is left as it is.
    """
    now, others, kinds = getattr(chain, stage), dict(values), _kinds_of(stage)
    if "kind" not in others or not kinds:
        return replace(now, **others)
    kind = str(others.pop("kind"))
    cls = kinds[kind]
    names = {field.name for field in dataclasses.fields(cls)}
    kept = {name: value for name, value in (vars(now) | others).items() if name in names}
    lacking = [
        field.name
        for field in dataclasses.fields(cls)
        if field.default is field.default_factory is dataclasses.MISSING and field.name not in kept
    ]
    if lacking:
        raise ParameterError(f"{stage}.kind", kind, f"one that needs no {lacking[0]}, or swept with it")
    return cls(**kept)


def _kinds_of(stage: str) -> dict[str, type]:
    """Return the forms that "kind" chooses between; none where another key does, as with topologies."""
    kinds = STAGES[stage]
    return kinds if isinstance(kinds, dict) and chosen_by(stage) == "kind" else {}


def read_ranges(tables: Any, chain: Chain, file_name: str, most: int = MOST_CANDIDATES) -> dict[str, Choices]:
    """Return the ranges of a design file's [sweep.…] sections; FileError for any that cannot be."""
    if not isinstance(tables, Mapping):
        raise FileError(f"{file_name}: [sweep] is {tables!r}; it must be a section with keys")
    ranges: dict[str, Choices] = {}
    for section, keys in tables.items():
        where = f"{file_name}: [sweep.{section}]"
        if section not in SWEEPABLE:
            raise FileError(f"{where} cannot be swept; it can be one of {', '.join(SWEEPABLE)}")
        if not isinstance(keys, Mapping):
            raise FileError(f"{where} is {keys!r}; it must be a section with keys")
        for key, choices in keys.items():
            ranges[f"{section}.{key}"] = _read_choices(chain, section, key, choices, where)
    try:
        check_count(ranges, most)
    except ParameterError as problem:
        raise FileError(f"{file_name}: [sweep] {problem}") from None
    return ranges


def _read_choices(chain: Chain, section: str, key: str, choices: Any, where: str) -> Choices:
    stage = getattr(chain, section)
    names = [field.name for field in dataclasses.fields(stage)]
    kinds = _kinds_of(section)
    if key not in names and not (key == "kind" and kinds):
        raise FileError(f"{where} {key} cannot be swept; it can be one of {', '.join(names)}")
    hint: Any = str if key == "kind" and kinds else typing.get_type_hints(type(stage))[key]
    if hint is str and kinds and isinstance(choices, list):
        for value in choices:
            if key == "kind" and value not in kinds:
                raise FileError(f"{where} kind is {value!r}; it must be one of {', '.join(kinds)}")
    if isinstance(choices, Mapping):
        read: Choices = _read_part_range(key, choices, hint, f"{where} {key}")
    elif isinstance(choices, list) and choices:
        read = tuple(field_value(key, value, hint, where) for value in choices)
        if len(set(read)) < len(read):
            raise FileError(f"{where} {key} is {choices!r}; it must be a list of different values")
    else:
        limit = 'a list of values or {series = "E6", low = …, high = …}'
        raise FileError(f"{where} {key} is {choices!r}; it must be {limit}")
    for value in read.values if isinstance(read, PartRange) else read:
        try:
            with_values(chain, (f"{section}.{key}",), (value,))
        except ParameterError as problem:
            raise FileError(f"{where} {problem}") from None
        check_buyable(key, value, where)
    return read


def _read_part_range(key: str, choices: Mapping[str, Any], hint: Any, where: str) -> PartRange:
    known = {"series": str, "low": hint, "high": hint, "tolerance_percent": float}
    for name in choices:
        if name not in known:
            raise FileError(f"{where} has an unknown key {name!r}; it can have {', '.join(known)}")
    fields = {
        name: field_value(key if name in ("low", "high") else name, value, known[name], where)
        for name, value in choices.items()
    }
    return build(PartRange, fields, where)

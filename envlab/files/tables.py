"""Tables of TOML: a file's text in, the fields of a dataclass out.

Nothing is guessed: an unknown key, a wrong unit or a value outside its limit is a FileError that names file,
key, value and limit.
"""

from __future__ import annotations

import dataclasses
import difflib
import tomllib
import types
import typing
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

from envlab.errors import EnvlabError, FileError, ParameterError, is_finite_number
from envlab.units import parse_value, unit_of

T = TypeVar("T")


def read_toml(path: str | Path) -> dict[str, Any]:
    """Return a TOML file as nested dicts; FileError if it is missing or not TOML."""
    return toml_of(source_text(path), path)


def source_text(path: str | Path) -> str:
    """Return the text of a design file, without the byte-order mark that some editors begin it with."""
    try:
        return Path(path).read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise FileError(f"{path}: no such file") from None
    except IsADirectoryError:
        raise FileError(f"{path}: is a folder, not a design file") from None
    except (OSError, ValueError) as problem:  # another encoding, a name that no file can have
        raise FileError(f"{path}: not a readable TOML file ({problem})") from None


def toml_of(text: str, path: str | Path) -> dict[str, Any]:
    """Return a text as nested dicts; FileError, naming the path that it came from, if it is no TOML."""
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise FileError(f"{path}: not a readable TOML file (brackets nested too deep)") from None
    except ValueError as problem:  # no TOML, a number of thousands of digits
        raise FileError(f"{path}: not a readable TOML file ({problem})") from None


def build(kind: type[T], values: Mapping[str, Any], where: str) -> T:
    """Return kind(**values); a refused or missing value becomes a FileError that names the place."""
    missing = [
        field.name
        for field in dataclasses.fields(kind)  # type: ignore[arg-type]
        if field.default is dataclasses.MISSING
        and field.default_factory is dataclasses.MISSING
        and field.name not in values
    ]
    if missing:
        raise FileError(f"{where} has no {' and no '.join(missing)}")
    try:
        return kind(**values)
    except EnvlabError as problem:
        raise FileError(f"{where} {problem}") from None


def fields_of(
    table: Mapping[str, Any], kind: type, where: str, only: tuple[str, ...] | None = None
) -> dict[str, Any]:
    """Return a table's values as the fields of a dataclass want them; unknown keys raise FileError."""
    hints = typing.get_type_hints(kind)
    names = only or tuple(field.name for field in dataclasses.fields(kind))
    if not isinstance(table, Mapping):
        raise FileError(f"{where} is {table!r}; it must be a section with keys")
    for key in table:
        if key not in names:
            raise FileError(f"{where} has an unknown key {key!r}; {nearest(key, names)}")
    return {key: field_value(key, value, hints[key], where) for key, value in table.items()}


def field_value(key: str, value: Any, hint: Any, where: str) -> Any:
    """Return one value in SI and in the type that the field has."""
    if typing.get_origin(hint) is tuple and typing.get_origin(typing.get_args(hint)[0]) is not tuple:
        if not isinstance(value, list):
            raise FileError(f"{where} {key} is {value!r}; it must be a list of numbers")
        return tuple(field_value(key, one, typing.get_args(hint)[0], where) for one in value)
    options = typing.get_args(hint) if isinstance(hint, types.UnionType) else (hint,)
    if type(None) in options and value == "none":
        return None
    if any(typing.get_origin(one) is tuple for one in options):
        return _numbers(key, value, options, where)
    if float in options or int in options:
        return _number(key, value, options, where)
    if not isinstance(value, str):
        raise FileError(f"{where} {key} is {value!r}; it must be a text")
    return value


def _number(key: str, value: Any, options: tuple[Any, ...], where: str) -> float:
    unit = unit_of(key)
    if float in options and unit is not None:
        try:
            return parse_value(value, unit, name=key)
        except ParameterError as problem:
            raise FileError(f"{where} {problem}") from None
    if float in options and is_finite_number(value):
        return float(value)
    if int in options and is_finite_number(value) and float(value).is_integer():
        return int(value)
    raise FileError(f"{where} {key} is {value!r}; it must be a {'whole ' * (int in options)}number")


def _numbers(key: str, value: Any, options: tuple[Any, ...], where: str) -> Any:
    """A pair of numbers, or points: pairs in a row."""
    form = next(one for one in options if typing.get_origin(one) is tuple)
    is_points = typing.get_args(form)[-1] is Ellipsis
    pairs = value if is_points else [value]
    wanted = "pairs of numbers, [[x, y], …]" if is_points else "two numbers, [x, y]"
    for pair in pairs if isinstance(pairs, list) else [None]:
        if not isinstance(pair, list) or len(pair) != 2 or not all(is_finite_number(one) for one in pair):
            raise FileError(f"{where} {key} is {value!r}; it must be {wanted}")
    made = tuple((float(x), float(y)) for x, y in pairs)
    return made if is_points else made[0]


def nearest(key: str, names: tuple[str, ...]) -> str:
    """Return what was likely meant by an unknown key, or else all names that there are."""
    close = difflib.get_close_matches(key, names, n=1)
    return f"did you mean {close[0]!r}?" if close else "it can have " + ", ".join(names)

"""What goes wrong, said in one line: which parameter, which value, which limit."""

from __future__ import annotations

import math


class EnvlabError(Exception):
    """Base of every error that envlab raises on purpose; its text is one clear line."""


class ParameterError(EnvlabError, ValueError):
    """A value outside what a part, a signal or a setting can be."""

    def __init__(self, name: str, value: object, limit: str) -> None:
        self.name, self.value, self.limit = name, value, limit
        super().__init__(f"{name} is {value!r}; it must be {limit}")


class FileError(EnvlabError):
    """A file that cannot be read, is not what it should be, or must not be overwritten."""


class EnvlabWarning(UserWarning):
    """The result is defined, but something the user should know happened on the way."""


def check_range(
    name: str,
    value: float,
    low: float = -math.inf,
    high: float = math.inf,
    *,
    unit: str = "",
) -> None:
    """Raise ParameterError unless ``low <= value <= high`` and value is a finite number."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise ParameterError(name, value, "a finite number")
    if low <= value <= high:
        return
    suffix = f" {unit}" if unit else ""
    if math.isinf(high):
        limit = f"at least {low:g}{suffix}"
    elif math.isinf(low):
        limit = f"at most {high:g}{suffix}"
    else:
        limit = f"from {low:g} to {high:g}{suffix}"
    raise ParameterError(name, value, limit)


def check_positive(name: str, value: float, *, unit: str = "") -> None:
    """Raise ParameterError unless value is a finite number above zero."""
    check_range(name, value, unit=unit)
    if value <= 0:
        raise ParameterError(name, value, f"above 0{' ' + unit if unit else ''}")


def check_choice(name: str, value: str, choices: tuple[str, ...]) -> None:
    """Raise ParameterError unless value is one of the choices."""
    if value not in choices:
        raise ParameterError(name, value, "one of " + ", ".join(choices))

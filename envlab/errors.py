"""What goes wrong, said in one line: which parameter, which value, which limit."""

from __future__ import annotations

import math
import numbers


class EnvlabError(Exception):
    """Base of every error that envlab raises on purpose; its text is one clear line."""


class ParameterError(EnvlabError, ValueError):
    """A value outside what a part, a signal or a setting can be."""

    def __init__(self, name: str, value: object, limit: str) -> None:
        # A number out of an array reads as "np.float64(0.5)"; its plain twin reads as the user wrote it.
        shown = value.item() if isinstance(value, numbers.Number) and hasattr(value, "item") else value
        self.name, self.value, self.limit = name, value, limit
        super().__init__(f"{name} is {shown!r}; it must be {limit}")


class FileError(EnvlabError):
    """A file that cannot be read, is not what it should be, or must not be overwritten."""


class EnvlabWarning(UserWarning):
    """The result is defined, but something the user should know happened on the way."""


def is_finite_number(value: object) -> bool:
    """Whether value is a real number, no truth value, that a float can hold."""
    if isinstance(value, bool) or not isinstance(value, numbers.Real):
        return False
    try:
        return math.isfinite(float(value))
    except OverflowError:
        return False


def check_range(
    name: str,
    value: float,
    low: float = -math.inf,
    high: float = math.inf,
    *,
    unit: str = "",
) -> None:
    """Raise ParameterError unless ``low <= value <= high`` and value is a finite number."""
    if not is_finite_number(value):
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

"""What goes wrong, said in one line: which parameter, which value, which limit."""

from __future__ import annotations

import contextlib
import contextvars
import math
import numbers
from collections.abc import Iterator
from dataclasses import dataclass

# A name or a value from a file may be as long as the file; a message is read on a terminal.
MOST_SHOWN, MOST_SAID = 120, 600


def one_line(text: str, most: int = MOST_SAID) -> str:
    """Return text without control characters and line breaks, with its middle left out where it is long.

    Parameters
    ----------
    text : str
        Any text, also out of a hostile file.
    most : int
        Characters that may be left, 20 or more.

    Returns
    -------
    str

    Examples
    --------
    >>> from envlab.errors import one_line
    >>> one_line("two\\nlines")
    'two\\\\nlines'
    """
    plain = "".join(sign if sign.isprintable() else repr(sign)[1:-1] for sign in text[: 4 * most])
    if len(plain) <= most and len(text) <= 4 * most:
        return plain
    half = most // 2 - 2
    tail = "".join(sign if sign.isprintable() else repr(sign)[1:-1] for sign in text[-half:])
    return f"{plain[:half]} … {tail[-half:]}"


def shown(value: object) -> str:
    """Return a value as a message quotes it: its repr, at most 120 characters of it, in one line."""
    try:
        return one_line(repr(value), MOST_SHOWN)
    except (ValueError, RecursionError):  # a number of thousands of digits, a list thousands deep
        return f"<{type(value).__name__} too large to show>"


class EnvlabError(Exception):
    """Base of every error that envlab raises on purpose; its text is one clear line."""

    def __init__(self, text: str = "") -> None:
        super().__init__(one_line(text))


class ParameterError(EnvlabError, ValueError):
    """A value outside what a part, a signal or a setting can be."""

    def __init__(self, name: str, value: object, limit: str) -> None:
        # A number out of an array reads as "np.float64(0.5)"; its plain twin reads as the user wrote it.
        plain = value.item() if isinstance(value, numbers.Number) and hasattr(value, "item") else value
        self.name, self.value, self.limit = name, value, limit
        super().__init__(f"{name} is {shown(plain)}; it must be {limit}")


class FileError(EnvlabError):
    """A file that cannot be read, is not what it should be, or must not be overwritten."""


class NotJudgedError(EnvlabError):
    """Nothing of what was given can show what was to be judged."""


class EnvlabWarning(UserWarning):
    """The result is defined, but something the user should know happened on the way."""


@dataclass(frozen=True)
class Limit:
    """What a check asks of a value: from low to high, each in the value's own unit, or one of choices.

    above: low itself is refused too.
    """

    name: str
    low: float = -math.inf
    high: float = math.inf
    unit: str = ""
    above: bool = False
    choices: tuple[str, ...] = ()


_NOTED: contextvars.ContextVar[list[Limit] | None] = contextvars.ContextVar("limits noted", default=None)


@contextlib.contextmanager
def noting_limits() -> Iterator[list[Limit]]:
    """Collect the limits of every check that is made meanwhile: whoever describes values asks the checks."""
    noted: list[Limit] = []
    token = _NOTED.set(noted)
    try:
        yield noted
    finally:
        _NOTED.reset(token)


def note_limit(limit: Limit) -> None:
    """Tell noting_limits, if it is listening, what a check asks."""
    noted = _NOTED.get()
    if noted is not None:
        noted.append(limit)


def is_finite_number(value: object) -> bool:
    """Whether value is a real number, no truth value, that a float can hold."""
    # What nearly every value is, and a tenth of the time that an abstract class takes to say so.
    if type(value) is float:
        return math.isfinite(value)
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
    note_limit(Limit(name, low, high, unit))
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
    note_limit(Limit(name, 0.0, unit=unit, above=True))
    check_range(name, value, unit=unit)
    if value <= 0:
        raise ParameterError(name, value, f"above 0{' ' + unit if unit else ''}")


def check_choice(name: str, value: str, choices: tuple[str, ...]) -> None:
    """Raise ParameterError unless value is one of the choices."""
    note_limit(Limit(name, choices=choices))
    if value not in choices:
        raise ParameterError(name, value, "one of " + ", ".join(choices))

"""Tables of numbers as oscilloscopes and loggers write them: any columns, any units, commas or points.

Nothing is guessed that could be guessed wrongly: where a comma may be a decimal sign as well as the end of a
column, the file is refused and the user is asked for another export.
"""

from __future__ import annotations

import contextlib
import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import numpy as np

from envlab.bench.captures.capture import Capture
from envlab.errors import FileError, one_line, shown
from envlab.files.whole import read_whole
from envlab.units import FloatArray

_Number = TypeVar("_Number", int, float)
_NUMBER = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?$")
_WITH_COMMA = re.compile(r"[-+]?\d*,\d+([eE][-+]?\d+)?$")
_TIME_NAMES = ("time", "second", "seconds", "t", "time_s", "x-axis", "timestamp")
# Unit as written in a heading → factor to SI, and what it is.
_UNITS = {
    "s": (1.0, "s"), "sec": (1.0, "s"), "second": (1.0, "s"), "seconds": (1.0, "s"), "ms": (1e-3, "s"),
    "us": (1e-6, "s"), "µs": (1e-6, "s"), "μs": (1e-6, "s"), "ns": (1e-9, "s"),
    "v": (1.0, "V"), "volt": (1.0, "V"), "volts": (1.0, "V"), "mv": (1e-3, "V"), "uv": (1e-6, "V"),
    "µv": (1e-6, "V"), "counts": (1.0, "counts"), "count": (1.0, "counts"), "lsb": (1.0, "counts"),
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Table:
    """headings: one a column, "" where there is none. units: as headings or the line below them say. numbers:
    shape (rows, columns), NaN where nothing stands. facts: "# key = value" lines."""

    headings: tuple[str, ...]
    units: tuple[str, ...]
    numbers: FloatArray
    facts: dict[str, str]
    damaged: int


def read_table(
    path: str | Path, *, column: str | None = None, rate_hz: float | None = None, node: str | None = None
) -> Capture:
    """Return a table of numbers as a capture.

    Parameters
    ----------
    path : path
        A text file: columns divided by semicolons, tabs, commas or blanks, with or without headings.
    column : str or None
        Heading or number (from 1) of the column to take; None: the first that is no time.
    rate_hz : float or None
        Values a second, Hz, where the file has no times.
    node : str or None
        What the column is; None: as its unit says, else whole numbers are counts and others V.

    Raises
    ------
    FileError
        One line, for a file that is no table, a column that is not there, times that do not rise.
    """
    file = Path(path)
    table = _table(file)
    time_column = _time_column(table)
    chosen = _value_column(file, table, column, time_column)
    factor, quantity = _UNITS.get(table.units[chosen].lower(), (1.0, ""))
    values = table.numbers[:, chosen] * factor
    found = values[np.isfinite(values)]
    if node is None:
        whole = quantity == "counts" or (quantity == "" and np.all(found == np.floor(found)))
        node = "adc_counts" if whole else "detector_v"
    notes = [f"{table.damaged} lines are no numbers and were left out"] if table.damaged else []
    if time_column is None:
        stated = rate_hz or _stated_rate(file, table)
        if stated is None:
            raise FileError(f"{file}: has no times; give its rate in values a second, as in --rate 1000")
        times_s: FloatArray = np.arange(values.size) / stated
    else:
        unit = _UNITS.get(table.units[time_column].lower(), (1.0, ""))[0]
        times_s = _rising(file, table.numbers[:, time_column] * unit, notes)
    return Capture(
        node, times_s, values, file.name,
        bits=_fact(file, table, "bits", int, lambda bits: 1 <= bits <= 16, "1 to 16 bit"),
        rate_hz=_stated_rate(file, table),
        export_mark=_fact(
            file, table, "export_mark", _hexadecimal, lambda mark: 0 <= mark < 1 << 32, "a number of 32 bit"
        ),
        is_partial="partial" in table.facts,
        notes=(*notes, *(one_line(text) for key, text in table.facts.items() if key.startswith("note"))),
    )  # fmt: skip


def _stated_rate(file: Path, table: _Table) -> float | None:
    return _fact(file, table, "rate_hz", float, lambda rate: 1e-6 <= rate <= 1e12, "1e-6 to 1e12 Hz")


def _hexadecimal(text: str) -> int:
    return int(text, 16)


def _fact(
    file: Path,
    table: _Table,
    key: str,
    parse: Callable[[str], _Number],
    fits: Callable[[_Number], bool],
    limit: str,
) -> _Number | None:
    """The number of a "# key = value" line, None where there is none."""
    text = table.facts.get(key)
    if text is None:
        return None
    with contextlib.suppress(ValueError):
        if fits(number := parse(text)):
            return number
    raise FileError(f"{file}: {key} is {shown(text)}; it must be {limit}")


def _table(file: Path) -> _Table:
    text = read_whole(file).decode("utf-8-sig", errors="replace")
    facts, lines = {}, []
    for line in text.splitlines():
        if line.startswith("#"):
            key, _, value = line[1:].partition("=")
            facts[key.strip()] = value.strip()
        elif line.strip():
            lines.append(line)
    delimiter, decimal_comma = _form(file, lines)
    rows = [_fields(line, delimiter) for line in lines]
    parsed = [[_number(field, decimal_comma) for field in row] for row in rows]
    numeric = [
        any(n is not None for n in some) and _all_numbers(rows[i], some) for i, some in enumerate(parsed)
    ]
    if sum(numeric) < 2:
        raise FileError(f"{file}: no table of numbers; wanted are columns of numbers, one row a line")
    first = numeric.index(True)
    width = max(len(some) for some, ok in zip(parsed[first:], numeric[first:], strict=True) if ok)
    kept = [
        some for some, ok in zip(parsed[first:], numeric[first:], strict=True) if ok and len(some) == width
    ]
    damaged = len(parsed) - first - len(kept)
    numbers = np.array([[np.nan if n is None else n for n in some] for some in kept], dtype=np.float64)
    if width > 1 and np.isnan(numbers[:, -1]).all():
        # Every row ends with what divides columns.
        numbers, width = numbers[:, :-1], width - 1
        rows = [row[:width] for row in rows]
    headings, units = _headings(rows[:first], width)
    return _Table(headings, units, numbers, facts, damaged)


def _form(file: Path, lines: list[str]) -> tuple[str | None, bool]:
    """(what divides columns, whether a comma is a decimal sign), from the last lines, which are numbers."""
    sample = lines[-200:]
    for delimiter in (";", "\t"):
        if sum(delimiter in line for line in sample) > len(sample) / 2:
            fields = [field.strip() for line in sample for field in line.split(delimiter)]
            return delimiter, any(_WITH_COMMA.match(field) for field in fields)
    commas = [line.count(",") for line in sample]
    if not any(commas):
        return None, False
    whole = all(re.fullmatch(r"[-+0-9eE,\s]*", line) for line in sample)
    by_blanks = [line.split() for line in sample]
    if all(len(some) > 1 for some in by_blanks) and all(
        _WITH_COMMA.match(field) or _NUMBER.match(field) for some in by_blanks for field in some
    ):
        return None, True
    if whole and max(commas) == 1 and all(_WITH_COMMA.match(line.strip()) for line in sample):
        if any(re.fullmatch(r"[-+]?\d+,0\d+", line.strip()) for line in sample):
            return None, True
        if not re.search(r"[A-Za-z].*,.*[A-Za-z]", lines[0]):
            raise FileError(
                f"{file}: commas may divide columns or be decimal signs; export it with "
                f"semicolons between columns"
            )
    if whole and max(commas) > 2 and not re.search(r"[A-Za-z].*,.*[A-Za-z]", lines[0]):
        raise FileError(
            f"{file}: commas may divide columns or be decimal signs; export it with semicolons "
            f"between columns"
        )
    headed = lines[0].count(",") if re.search(r"[A-Za-z]", lines[0]) else max(commas)
    if headed and max(commas) > headed:
        raise FileError(
            f"{file}: has {max(commas)} commas a row under {headed + 1} headings; decimal commas "
            f"need semicolons "
            "between columns"
        )
    return ",", False


def _fields(line: str, delimiter: str | None) -> list[str]:
    return [field.strip().strip('"') for field in (line.split(delimiter) if delimiter else line.split())]


def _number(field: str, decimal_comma: bool) -> float | None:
    text = field.replace(",", ".") if decimal_comma else field
    number = float(text) if _NUMBER.match(text) else math.inf
    return number if math.isfinite(number) else None


def _all_numbers(row: list[str], parsed: list[float | None]) -> bool:
    return all(number is not None or field == "" for field, number in zip(row, parsed, strict=True))


def _headings(above: list[list[str]], width: int) -> tuple[tuple[str, ...], tuple[str, ...]]:
    names, units = [""] * width, [""] * width
    for row in above:
        if len(row) != width:
            continue
        bare = [field.strip("()[] ").lower() for field in row]
        if all(one in _UNITS or one == "" for one in bare) and any(names):
            units = bare
            continue
        names = list(row)
        units = [_unit_in(field) for field in row]
    return tuple(names), tuple(units)


def _unit_in(heading: str) -> str:
    inside = re.search(r"[(\[]\s*([^)\]]+?)\s*[)\]]\s*$", heading)
    if inside:
        return inside[1]
    last = re.split(r"[\s_]", heading.strip())[-1]
    return last if last.lower() in _UNITS else ""


def _time_column(table: _Table) -> int | None:
    for place, heading in enumerate(table.headings):
        bare = re.sub(r"[(\[].*", "", heading).strip().lower()
        quantity = _UNITS.get(table.units[place].lower(), (1.0, ""))[1]
        if bare in _TIME_NAMES or quantity == "s":
            return place
    first = table.numbers[:, 0]
    rises = table.numbers.shape[1] > 1 and not any(table.headings) and bool((np.diff(first) > 0).all())
    return 0 if rises else None


def _value_column(file: Path, table: _Table, asked: str | None, time_column: int | None) -> int:
    places = [place for place in range(table.numbers.shape[1]) if place != time_column]
    if not places:
        raise FileError(f"{file}: has times but no values")
    if asked is None:
        return places[0]
    if asked in table.headings:
        return table.headings.index(asked)
    if asked.isdigit() and 1 <= int(asked) <= table.numbers.shape[1]:
        return int(asked) - 1
    named = ", ".join(name or str(place + 1) for place, name in enumerate(table.headings))
    raise FileError(f"{file}: has no column {asked!r}; there are {named}")


def _rising(file: Path, times_s: FloatArray, notes: list[str]) -> FloatArray:
    """Times that rise: those that stand still, for want of digits, are put evenly in between."""
    if not np.isfinite(times_s).all():
        at = int(np.flatnonzero(~np.isfinite(times_s))[0]) + 1
        raise FileError(f"{file}: row {at} of the numbers has no time")
    steps = np.diff(times_s)
    if (steps < 0).any():
        at = int(np.flatnonzero(steps < 0)[0]) + 2
        raise FileError(f"{file}: its times go back at row {at} of the numbers; they must rise")
    if (steps > 0).all():
        return times_s
    first = np.flatnonzero(np.concatenate(([True], steps > 0)))
    if first.size < 2:
        raise FileError(f"{file}: its times all are {times_s[0]:g} s; export more digits")
    notes.append(f"{times_s.size - first.size} times repeat the one before; they were put evenly between")
    places = np.arange(times_s.size)
    step = (times_s[first[-1]] - times_s[first[0]]) / (first[-1] - first[0])
    whole = np.interp(places, first, times_s[first])
    tail = places > first[-1]
    whole[tail] = times_s[first[-1]] + step * (places[tail] - first[-1])
    return whole


def capture_text(capture: Capture) -> str:
    """Return a capture as the text of a CSV file that read_table reads back, notes included."""
    facts = ["# envlab capture", f"# node = {capture.node}"]
    if capture.bits is not None:
        facts.append(f"# bits = {capture.bits}")
    if capture.rate_hz is not None:
        facts.append(f"# rate_hz = {capture.rate_hz!r}")
    if capture.export_mark is not None:
        facts.append(f"# export_mark = 0x{capture.export_mark:08X}")
    if capture.is_partial:
        facts.append("# partial = the capture broke off")
    facts += [f"# note {number} = {text}" for number, text in enumerate(capture.notes, start=1)]
    unit, form = ("counts", "{:.0f}") if capture.is_counts else ("detector_v", "{:.9g}")
    rows = (
        f"{time:.9g},{form.format(value) if np.isfinite(value) else ''}"
        for time, value in zip(capture.time_s.tolist(), capture.values.tolist(), strict=True)
    )
    return "\n".join([*facts, f"time_s,{unit}", *rows, ""])

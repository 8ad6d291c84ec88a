"""A specification as a whole design file: the text that it was read from is edited, so that comments stay."""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import tomlkit

from envlab.analog.parts import PartRange
from envlab.chain import Chain
from envlab.design_file import (
    FRAME_KEYS,
    STAGES,
    all_readings,
    chain_of,
    chosen_by,
    design_text,
    kind_of,
    stated_fields,
    written_field,
    written_value,
)
from envlab.errors import FileError, ParameterError
from envlab.files.tables import toml_of
from envlab.files.whole import write_whole
from envlab.study.specification.ranges import Choices, read_ranges
from envlab.study.specification.specification import (
    Specification,
    read_judging,
    read_targets,
    read_tolerance,
    read_viewing,
)
from envlab.study.specification.targets import Target
from envlab.study.specification.written_clips import clips_written, edit_clips


def write_specification(specification: Specification, path: str | Path, *, overwrite: bool = False) -> Path:
    """Write a specification as a whole design file: board, clips, ranges, targets, tolerances.

    Of a specification that was read from a design file it is that file's text, with what has changed edited
    in it, so that comments and order stay. read_specification gives an equal question.

    Parameters
    ----------
    specification : Specification
        Read, changed (dataclasses.replace), or built in Python. Its clips must be files: they are named as
        seen from path's folder, demo clips by their bare name.
    path : path
        Where to; without an ending it gets ".toml".
    overwrite : bool
        Whether a file that is there may be replaced.

    Returns
    -------
    Path

    Raises
    ------
    FileError
        For a file that is there already, a folder, a place that cannot be written to, a part that no E
        series has.
    ParameterError
        For no name, or a clip that is no file.

    Examples
    --------
    >>> import tempfile
    >>> from dataclasses import replace
    >>> from pathlib import Path
    >>> import envlab
    >>> from envlab.shipped import demo_design
    >>> asked = envlab.read_specification(demo_design())
    >>> louder = replace(asked, targets=envlab.Targets(asked.targets.items[:2]))
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = envlab.write_specification(louder, Path(folder) / "mine")
    ...     print(path.name, envlab.read_specification(path))
    mine.toml <Specification 'mine.toml': 9 clips, 375 candidates, 2 targets>
    """
    target = Path(path)
    if not target.name:
        raise ParameterError("path", str(path), "a file's name, such as my-yoke.toml")
    if target.is_dir():
        raise FileError(f"{target}: is a folder; give a file's name")
    if not target.suffix:
        target = target.with_suffix(".toml")
    if target.exists() and not overwrite:
        raise FileError(f"{target}: is there already, and stays as it is; overwrite it, or use another name")
    write_whole(target, specification_text(specification, target.parent, target.name).encode())
    return target


def specification_text(specification: Specification, folder: Path, file_name: str = "design.toml") -> str:
    """Return a specification as the text of a design file in a folder; see write_specification."""
    source = specification.source_text or design_text(specification.chain)
    before = _read(source, specification.name)
    document = tomlkit.parse(source)
    _edit_chain(document, before.chain, specification.chain)
    if before.judging != specification.judging:
        _edit_fields(document, "judging", before.judging, specification.judging)
    edit_clips(document, specification.clips, specification.judging.weighting, folder)
    _edit_ranges(document, before.ranges, specification.ranges)
    _edit_targets(document, before.targets.items, specification.targets.items)
    if before.tolerance != specification.tolerance:
        _edit_fields(document, "tolerance", before.tolerance, specification.tolerance)
    if before.viewing != specification.viewing:
        _edit_fields(document, "viewing", before.viewing, specification.viewing)
    text = tomlkit.dumps(document)
    _check_same(text, specification, file_name)
    return text


def _read(text: str, name: str) -> Specification:
    """The question that a text asks, but for its clips, which only a folder can tell."""
    tables = toml_of(text, name)
    chain = chain_of(tables, name)
    ranges = read_ranges(tables.get("sweep", {}), chain, name, sys.maxsize)
    return Specification(
        chain=chain,
        ranges=ranges,
        targets=read_targets(tables.get("targets", {}), f"{name}: [targets]"),
        judging=read_judging(tables.get("judging", {}), f"{name}: [judging]"),
        tolerance=read_tolerance(tables.get("tolerance", {}), chain, ranges, f"{name}: [tolerance]"),
        viewing=read_viewing(tables.get("viewing", {}), f"{name}: [viewing]"),
    )


def _check_same(text: str, asked: Specification, name: str) -> None:
    """What was written must read back as what was asked; a text that cannot be edited so is not written."""
    again = _read(text, name)
    whole = ("chain", "judging", "tolerance", "viewing")
    wrong = [part for part in whole if getattr(again, part) != getattr(asked, part)]
    if {key: _values(choices) for key, choices in again.ranges.items()} != {
        key: _values(choices) for key, choices in asked.ranges.items()
    }:
        wrong.append("sweep")
    if again.targets != asked.targets:
        wrong.append("targets")
    if not clips_written(text, asked.clips, asked.judging.weighting):
        wrong.append("clips")
    if wrong:
        raise FileError(f"{name}: cannot be written so that it reads back the same: {', '.join(wrong)}")


def _section(document: Any, name: str) -> Any:
    if name not in document:
        document[name] = tomlkit.table()
    return document[name]


def _edit_chain(document: Any, before: Chain, after: Chain) -> None:
    rate_moves = before.frame_rate_hz != after.frame_rate_hz
    for key in FRAME_KEYS:
        if getattr(before, key) != getattr(after, key):
            _section(document, "frames")[key] = written_field(after, key)
    for section, kinds in STAGES.items():
        was, now = getattr(before, section), getattr(after, section)
        if section == "follower" and section not in document and rate_moves:
            was = all_readings(after.frame_rate_hz)
        if type(was) is type(now) and was == now:
            continue
        is_new = section not in document
        table = _section(document, section)
        fields = stated_fields(now)
        is_other = type(was) is not type(now) or stated_fields(was) != fields
        if isinstance(kinds, dict):
            _state_kind(table, chosen_by(section), kind_of(now, kinds), is_new=is_new or is_other)
        if is_other:
            for lost in [key for key in table if key not in (chosen_by(section), *fields)]:
                del table[lost]
        changed = [name for name in fields if is_other or getattr(was, name) != getattr(now, name)]
        for name in changed:
            table[name] = written_field(now, name)


def _state_kind(table: Any, chosen: str, kind: str, *, is_new: bool) -> None:
    """Say which form a section has, where it says so already or nothing else would tell."""
    if is_new or (chosen in table and table[chosen] != kind):
        table[chosen] = kind


def _edit_fields(document: Any, section: str, was: Any, now: Any) -> None:
    table = _section(document, section)
    for field in dataclasses.fields(now):
        value = getattr(now, field.name)
        if getattr(was, field.name) == value:
            continue
        if value is None:
            table.pop(field.name, None)
        else:
            table[field.name] = _plain(value)


def _plain(value: Any) -> Any:
    """A value as TOML has it: whole numbers without a point, mappings in one line."""
    if isinstance(value, Mapping):
        inline = tomlkit.inline_table()
        for key, one in value.items():
            inline[key] = _plain(one)
        return inline
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if isinstance(value, float) and value.is_integer():
        return int(value)
    return float(value) if isinstance(value, float) else value


def _edit_targets(document: Any, was: tuple[Target, ...], now: tuple[Target, ...]) -> None:
    if was == now:
        return
    table = _section(document, "targets")
    known = {target.metric: target for target in was}
    wanted = [target.metric for target in now]
    for metric in [metric for metric in known if metric not in wanted]:
        del table[metric]
    if [metric for metric in known if metric in wanted] != wanted[: len(set(known) & set(wanted))]:
        for metric in list(table):
            del table[metric]
        known = {}
    for target in now:
        old = known.get(target.metric)
        if old is None or old.side != target.side:
            table[target.metric] = _plain({target.side: target.limit, "scale": target.scale})
            continue
        if old.limit != target.limit:
            table[target.metric][target.side] = _plain(target.limit)
        if old.scale != target.scale:
            table[target.metric]["scale"] = _plain(target.scale)


def _edit_ranges(document: Any, was: Mapping[str, Choices], now: Mapping[str, Choices]) -> None:
    for key in [key for key in was if key not in now]:
        section, _, name = key.partition(".")
        del document["sweep"][section][name]
        if not document["sweep"][section]:
            del document["sweep"][section]
    for key, choices in now.items():
        section, _, name = key.partition(".")
        if key in was and _values(was[key]) == _values(choices):
            continue
        if "sweep" not in document:
            document["sweep"] = tomlkit.table(is_super_table=True)
        if section not in document["sweep"]:
            document["sweep"][section] = tomlkit.table()
        table, old = document["sweep"][section], was.get(key)
        if isinstance(choices, PartRange) and isinstance(old, PartRange):
            for field in dataclasses.fields(choices):
                if getattr(old, field.name) != getattr(choices, field.name):
                    table[name][field.name] = _of_range(name, choices, field.name)
        elif isinstance(choices, PartRange):
            fields = [field.name for field in dataclasses.fields(choices)]
            table[name] = _plain({field: _of_range(name, choices, field) for field in fields})
        else:
            table[name] = ["none" if value is None else written_value(name, value) for value in choices]


def _of_range(key: str, choices: PartRange, field: str) -> Any:
    value = getattr(choices, field)
    return written_value(key, float(value)) if field in ("low", "high") else _plain(value)


def _values(choices: Choices) -> object:
    return choices if isinstance(choices, PartRange) else tuple(choices)

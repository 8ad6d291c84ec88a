"""The clips of a design file's text: those that stay are left as they stand, with their comments."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import AoT, Comment, Whitespace

from envlab.errors import EnvlabError, ParameterError
from envlab.shipped import shipped_folder
from envlab.sound.clip import Clip
from envlab.study.specification.specification import stated_level

# What a clip of a file is, but for its folder: name, level, weighting, uncertainty, tags.
_Stated = tuple[str, float, str, float, tuple[str, ...]]


def edit_clips(document: Any, clips: Sequence[Clip], weighting: str, folder: Path) -> None:
    """Make the [[clips]] of a document those that are asked, named as seen from a folder.

    weighting: of levels that name none. ParameterError for a recording in memory, which no file can name.
    """
    paths = [_file_of(clip) for clip in clips]
    old: Any = document.get("clips", [])
    tables = list(old) if isinstance(old, AoT) else []
    heads, tail = _take_comments(tables)
    left = list(range(len(clips)))
    kept: dict[int, tuple[int, list[int]]] = {}  # first clip → its table and all clips of it
    for place, table in enumerate(tables):
        mine = _clips_of_table(table, clips, paths, weighting, left)
        if mine:
            kept[mine[0]] = place, mine
            left = [one for one in left if one not in mine]
    # As if it had been read: else blank lines of its own come between.
    made = AoT([], parsed=True)
    while_open: list[int] = []
    for first in range(len(clips)):
        if first in kept:
            place, mine = kept[first]
            table = _with_levels(tables[place], clips, mine, weighting)
            table["file"] = _named(paths[first], folder)
            made.append(_headed(made, table, heads[place]))
        elif first in left and first not in while_open:
            mine = _alike(first, clips, paths, left)
            while_open += mine
            made.append(_new_table(clips, mine, _named(paths[first], folder), weighting))
    if not len(made):
        document.pop("clips", None)
        return
    for item in tail:
        made[-1].value.body.append((None, item))
    if "clips" in document and not isinstance(old, AoT):
        del document["clips"]
    document["clips"] = made


def clips_written(text: str, clips: Sequence[Clip], weighting: str) -> bool:
    """Whether a text's [[clips]] are those that are asked, in their order, whatever their folders."""
    found = [one for table in tomllib.loads(text).get("clips", []) for one in _stated(table, weighting)]
    return found == [_key(clip) for clip in clips]


def _key(clip: Clip) -> _Stated:
    return (clip.file_name, clip.level_db_spl, clip.weighting, clip.level_uncertainty_db, tuple(clip.tags))


def _stated(table: Any, weighting: str) -> list[_Stated]:
    """What a table states, a clip for each level; nothing where it is not as it must be."""
    found = []
    try:
        for level in table["levels_db_spl"]:
            level_db_spl, weighted = stated_level(level, table.get("weighting"), "[[clips]]")
            uncertainty_db = float(table.get("level_uncertainty_db", 0.0))
            name = Path(table["file"]).name
            tags = tuple(str(tag) for tag in table.get("tags", []))
            found.append((name, float(level_db_spl), str(weighted or weighting), uncertainty_db, tags))
    except (EnvlabError, KeyError, TypeError, ValueError):
        return []
    return found


def _clips_of_table(
    table: Any, clips: Sequence[Clip], paths: Sequence[Path], weighting: str, left: Sequence[int]
) -> list[int]:
    """The asked clips that a table stands for: of one file, one after the other."""
    stated = _stated(table.unwrap(), weighting)
    mine = [place for place in left if _key(clips[place]) in stated]
    mine = [place for place in mine if paths[place] == paths[mine[0]]]
    run = mine[:1]
    for place in mine[1:]:
        if place == run[-1] + 1:
            run.append(place)
    return run


def _with_levels(table: Any, clips: Sequence[Clip], mine: Sequence[int], weighting: str) -> Any:
    """A table with the levels that are asked of it, each as it was written."""
    stated = _stated(table.unwrap(), weighting)
    wanted = [stated.index(_key(clips[place])) for place in mine]
    if wanted != list(range(len(stated))):
        table["levels_db_spl"] = [table["levels_db_spl"][place] for place in wanted]
    return table


def _alike(first: int, clips: Sequence[Clip], paths: Sequence[Path], left: Sequence[int]) -> list[int]:
    """The clips from the first on that differ in their level only."""
    mine = [first]
    for place in range(first + 1, len(clips)):
        same = _key(clips[place])[2:] == _key(clips[first])[2:] and paths[place] == paths[first]
        if place not in left or not same:
            break
        mine.append(place)
    return mine


def _new_table(clips: Sequence[Clip], mine: Sequence[int], file: str, weighting: str) -> Any:
    clip = clips[mine[0]]
    table = tomlkit.table()
    table["file"] = file
    table["levels_db_spl"] = [clips[place].level_db_spl for place in mine]
    table["tags"] = list(clip.tags)
    if clip.weighting != weighting:
        table["weighting"] = clip.weighting
    if clip.level_uncertainty_db:
        table["level_uncertainty_db"] = clip.level_uncertainty_db
    table.add(tomlkit.nl())
    return table


def _take_comments(tables: Sequence[Any]) -> tuple[list[list[Any]], list[Any]]:
    """Take from each table what stands behind its keys: the heads of those after it, and the last one's tail.

    The head of the first stands in the section before.
    """
    tails = []
    for table in tables:
        body = table.value.body
        last = max((at for at, (key, _) in enumerate(body) if key is not None), default=-1)
        tails.append([item for _, item in body[last + 1 :] if isinstance(item, Comment | Whitespace)])
        del body[last + 1 :]
    return [[], *tails[:-1]] if tails else [], tails[-1] if tails else []


def _headed(before: Any, table: Any, head: Sequence[Any]) -> Any:
    """A table whose head stands above it, or, if it is the first now, below its own heading."""
    if len(before):
        before[-1].value.body.extend((None, item) for item in head)
        return table
    comments = [item for item in head if isinstance(item, Comment)]
    if not comments:
        return table
    fresh = tomlkit.table()
    for comment in comments:
        fresh.add(comment)
    for key, item in table.value.body:
        if key is not None:
            fresh.add(key, item)
    return fresh


def _file_of(clip: Clip) -> Path:
    if clip.path is None:
        raise ParameterError("clips", clip.label, "sound files, if results are to name them in a design file")
    return clip.path


def _named(path: Path, folder: Path) -> str:
    """A demo clip by its bare name, if nothing of that name lies in the folder; others as seen from there."""
    beside = folder / path.name
    if path.parent == shipped_folder("audio_samples") and not beside.exists():
        return path.name
    return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()

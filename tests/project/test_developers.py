"""DEVELOPERS.md against the tree: every room stands in its table, what it names is there, nothing twice."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

CHECKOUT = Path(__file__).resolve().parents[2]
PACKAGE = CHECKOUT / "envlab"
TEXT = (CHECKOUT / "DEVELOPERS.md").read_text("utf-8")
# What changed names what is gone; all before it speaks of today.
TODAY = TEXT[: TEXT.index("\n## Changes")]


def tables(text: str) -> list[list[str]]:
    """Return the first cells of each table's rows, its head included."""
    found: list[list[str]] = [[]]
    for line in text.splitlines():
        if line.startswith("|"):
            found[-1].append(line.split("|")[1].strip())
        elif found[-1]:
            found.append([])
    return [table for table in found if table]


def rooms_of_the_table() -> list[str]:
    """Return the folders and files that the first table names."""
    return [name for cell in tables(TODAY)[0][2:] for name in re.findall(r"`([^`]+)`", cell)]


def test_no_table_says_anything_twice():
    twice = [
        (table[0], cell)
        for table in tables(TEXT)
        for cell in set(table[2:])
        if cell and table[2:].count(cell) > 1
    ]
    assert twice == []


def test_no_word_is_explained_twice():
    words = [word for table in tables(TODAY) if table[0] == "word" for word in table[2:]]
    assert sorted(words) == sorted(set(words))


@pytest.mark.parametrize("room", rooms_of_the_table())
def test_what_the_first_table_names_is_there(room):
    assert (PACKAGE / room).exists()


def test_every_room_and_every_file_beside_them_stands_in_the_first_table():
    told = {name.rstrip("/") for name in rooms_of_the_table()}
    rooms = {str(file.parent.relative_to(PACKAGE)) for file in PACKAGE.rglob("*.py")} - {"."}
    beside = {file.name for file in PACKAGE.glob("*.py")} - {"__init__.py", "__main__.py"}
    assert sorted((rooms | beside) - told) == []


def test_paths_named_today_are_there():
    named = set(re.findall(r"`((?:envlab|tests|notebooks|audio_samples|\.ci|\.assets)/[\w./-]+)`", TODAY))
    missing = [path for path in named if not (CHECKOUT / path).exists()]
    assert len(named) > 30
    assert sorted(missing) == []

"""Sentences are asked for by kind, never by their place."""

from __future__ import annotations

import re
from pathlib import Path

from envlab.study.sentences import Sentence, of_kind, texts

PACKAGE = Path(__file__).resolve().parents[2] / "envlab"
SAID = (Sentence("a", "1", {"x": 1.0}), Sentence("b", "2"), Sentence("a", "3"))


def test_kinds_come_in_the_order_asked_and_each_as_it_was_said():
    assert texts(of_kind(SAID, "b", "a")) == ("2", "1", "3")
    assert of_kind(SAID, "c") == ()


def test_a_sentence_knows_the_numbers_behind_it():
    assert SAID[0].behind["x"] == 1.0
    assert SAID[1].behind == {}


def test_nobody_in_the_package_counts_places_of_sentences():
    found = [
        f"{path.name}: {line.strip()}"
        for path in sorted(PACKAGE.rglob("*.py"))
        for line in path.read_text(encoding="utf-8").splitlines()
        if re.search(r"\.(words|sentences)\[", line)
    ]
    assert found == []

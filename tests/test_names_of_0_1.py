"""A design file of version 0.1 is told, in one line, what its keys and choices are called now."""

from __future__ import annotations

import dataclasses

import pytest

from envlab.design_file import OLD_CHOICES, OLD_KEYS, STAGES, old_names, read_design
from envlab.errors import FileError
from envlab.study.specification.specification import read_specification


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("[rectifier]\nrest_v = 0.2\n", "mine.toml: [rectifier] rest_v is now reference_node_v"),
        (
            '[rectifier]\nreference = "foot"\n',
            'mine.toml: [rectifier] reference = "foot" is now reference = "node"',
        ),
        (
            "[sweep.rectifier]\nrest_v = [0.0, 0.2]\n",
            "mine.toml: [sweep.rectifier] rest_v is now reference_node_v",
        ),
        (
            '[sweep.rectifier]\nreference = ["bias", "foot"]\n',
            'mine.toml: [sweep.rectifier] reference = "foot" is now reference = "node"',
        ),
    ],
)
@pytest.mark.parametrize("read", [read_design, read_specification])
def test_an_old_name_gets_the_new_one(tmp_path, text, line, read):
    path = tmp_path / "mine.toml"
    path.write_text(text)
    with pytest.raises(FileError) as refused:
        read(path)
    assert str(refused.value) == line


def test_new_names_exist_and_old_ones_are_gone():
    for (section, old), new in OLD_KEYS.items():
        stage = STAGES[section]["ideal"]
        names = {field.name for field in dataclasses.fields(stage)}
        assert new in names
        assert old not in names
    for (section, key, old), new in OLD_CHOICES.items():
        stage = STAGES[section]["ideal"]
        assert getattr(stage(**{key: new}), key) == new
        with pytest.raises(ValueError, match=key):
            stage(**{key: old})


def test_a_file_of_today_has_no_old_name():
    assert list(old_names({"rectifier": {"reference_node_v": 0.0, "reference": "node"}, "clips": []})) == []

"""The keys of section [firmware], and what each stands for in the runtime's own terms."""

from __future__ import annotations

import pytest

from envlab.design_file import design_text, read_design
from envlab.digital.auto_level import AutoLevel, OffsetSteps
from envlab.digital.firmware_settings import FirmwareSettings, level_control
from envlab.errors import FileError, ParameterError


@pytest.mark.parametrize(
    ("sensitivity", "level"), [("none", None), ("steps", OffsetSteps()), ("automatic", AutoLevel())]
)
def test_a_sensitivity_is_what_moves_the_window(sensitivity, level):
    assert level_control(sensitivity) == level
    assert FirmwareSettings(sensitivity).level == level


def test_the_guard_is_on_unless_it_is_switched_off():
    assert FirmwareSettings().is_guarded
    assert not FirmwareSettings(guard="off").is_guarded


@pytest.mark.parametrize(("key", "value"), [("sensitivity", "fixed"), ("guard", "yes")])
def test_other_words_are_refused(key, value):
    with pytest.raises(ParameterError, match=f"{key} is '{value}'"):
        FirmwareSettings(**{key: value})


def test_a_design_file_has_both_keys_and_gives_them_back(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text('[firmware]\nsensitivity = "automatic"\nguard = "off"\n')
    chain = read_design(path)
    assert chain.firmware == FirmwareSettings("automatic", "off")
    path.write_text(design_text(chain))
    assert read_design(path) == chain


def test_a_wrong_word_in_a_design_file_names_file_section_and_choices(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text('[firmware]\nguard = "perhaps"\n')
    with pytest.raises(FileError, match=r"mine.toml: \[firmware\] guard is 'perhaps'.*on, off"):
        read_design(path)

"""Design files that nobody would write: one line each, and no traceback."""

from pathlib import Path

import pytest

from envlab import read_design, read_specification
from envlab.errors import MOST_SAID, EnvlabError, FileError, ParameterError, one_line, shown
from envlab.firmware.table_files import read_json
from envlab.shipped import demo_design

PARADE = Path(demo_design()).read_text(encoding="utf-8")

TURNED = {
    "brackets 500 deep": ("count = 24", f"count = {'[' * 500}{']' * 500}", "nested too deep"),
    "a number of 4,301 digits": ("count = 24", f"count = {'9' * 4301}", "not a readable TOML file"),
    "a number of 4,000 digits": ("count = 24", f"count = {'9' * 4000}", "[pixels] count"),
    "a name of 5,000 characters": ("drum_line.flac", "d" * 5000, "neither beside the design file"),
    "a name with line breaks": ("drum_line.flac", r"d\r\nrum.flac", r"d\r\nrum.flac"),
    "a series without end": ('low = "10k", high = "47k"', "low = 1e-300, high = 1e300", "low is 1e-300"),
    "hardly any current": ("channel_a = 0.150", "channel_a = 1e-308", "channel_a is 1e-308"),
    "more current than there is": ("limit_a = 3.0 ", "limit_a = 1e308 ", "limit_a is 1e+308"),
    "an amplifier that stands still": (
        "gain_bandwidth_hz = 10e6",
        "gain_bandwidth_hz = 5e-324",
        "gain_bandwidth_hz is 5e-324",
    ),
}


@pytest.mark.parametrize("name", TURNED)
def test_one_line_that_names_what_is_wrong(name, tmp_path):
    before, after, said = TURNED[name]
    assert before in PARADE
    path = tmp_path / "mine.toml"
    path.write_text(PARADE.replace(before, after), encoding="utf-8")
    with pytest.raises(EnvlabError) as caught:
        read_specification(path)
    line = str(caught.value)
    assert said in line
    assert len(line) <= MOST_SAID
    assert line.isprintable()


def test_a_byte_order_mark_is_no_part_of_the_text(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_bytes(b"\xef\xbb\xbf" + PARADE.encode())
    assert read_design(path) == read_design(demo_design())
    assert read_specification(path).source_text == PARADE


def test_another_encoding_is_said(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_bytes(PARADE.encode("utf-16"))
    with pytest.raises(FileError, match="not a readable TOML file"):
        read_design(path)


def test_a_table_of_brackets(tmp_path):
    path = tmp_path / "table.json"
    path.write_text("[" * 100_000)
    with pytest.raises(FileError, match="has been edited"):
        read_json(path)


def test_messages_are_one_line_and_short():
    nested: list[object] = []
    for _ in range(100_000):
        nested = [nested]
    for value in ("x\r\ny" * 10_000, 10**5000, nested, "\u2028\x1b[31m"):
        line = str(ParameterError("name", value, "smaller"))
        assert line.isprintable()
        assert len(line) < 200
        assert line.endswith("it must be smaller")
    assert str(FileError("a\rb")) == r"a\rb"
    assert shown(0.5) == "0.5"
    assert one_line("as it is") == "as it is"
    assert one_line("a" * 30 + "b" * 30, 20) == "a" * 8 + " … " + "b" * 8

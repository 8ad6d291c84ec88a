"""From wanted times to parts, on the command line."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from envlab.cli import main
from envlab.design_file import read_design


def run(*words: object) -> Result:
    return CliRunner().invoke(main, ["parts", *(str(word) for word in words)])


def number(pattern: str, text: str) -> float:
    found = re.search(pattern, " ".join(text.split()))
    assert found, text
    return float(found.group(1))


def test_what_it_prints_is_a_design_and_gives_what_it_says(tmp_path: Path) -> None:
    done = run("--attack", 10, "--release", 300)
    assert done.exit_code == 0, done.output
    design = tmp_path / "mine.toml"
    design.write_text(done.stdout.partition("\n\n")[0], encoding="utf-8")
    detector = read_design(design).detector
    # A capacitor on a resistor falls to a tenth in R·C·ln 10.
    fall_ms = 1e3 * detector.release_ohm * detector.hold_farad * math.log(10)
    assert number(r"release of (\S+) ms", done.stdout) == pytest.approx(fall_ms, rel=0.01)
    assert fall_ms == pytest.approx(300, rel=0.05)
    assert number(r"attack of (\S+) ms", done.stdout) == pytest.approx(10, rel=0.05)
    rule_ms = 2.2e3 * detector.attack_ohm * detector.hold_farad
    assert number(r"attack would be (\S+) ms", done.stdout) == pytest.approx(rule_ms, rel=0.01)


def test_a_ripple_limit_is_kept_and_its_price_said() -> None:
    done = run("--attack", 5, "--release", 60, "--ripple", 0.5)
    assert done.exit_code == 0, done.output
    assert number(r"and (\S+) dB of ripple", done.stdout) <= 0.5
    assert number(r"missed by (\d+) %", done.stdout) > 50


def test_series_are_those_that_were_asked_for() -> None:
    done = run("--attack", 10, "--release", 300, "--resistors", "E3", "--capacitors", "E3")
    values = re.findall(r'_(?:ohm|farad) = "(\w+)"', done.stdout)
    assert len(values) == 3
    # IEC 60063: E3 has 1, 2.2 and 4.7.
    assert {re.sub(r"[a-zA-Z]", "", value).rstrip("0") for value in values} <= {"1", "22", "47"}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--attack", -1, "--release", 3), "attack_ms is -1.0; it must be above 0 ms"),
        (("--attack", 10, "--release", 300, "--resistors", "E7"), "series is 'E7'"),
        (("--attack", 0.001, "--release", 3), "within reach of"),
    ],
)
def test_what_cannot_be_is_said_in_one_line(words: tuple[object, ...], said: str) -> None:
    done = run(*words)
    assert done.exit_code == 1
    assert said in done.stderr
    assert done.stderr.count("\n") == 1

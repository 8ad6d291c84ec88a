"""The verb feedback: what it says of a good and of a bad wiring, and values that it refuses in one line."""

from __future__ import annotations

import re

import numpy as np
import pytest
from click.testing import CliRunner, Result

import envlab.cli


def run(*words: str) -> Result:
    return CliRunner().invoke(envlab.cli.main, ["feedback", *words])


def unwrapped(text: str) -> str:
    return " ".join(text.split())


def test_the_demo_as_usually_wired():
    done = run()
    assert done.exit_code == 0, done.output
    assert "under the 0.5 that is asked" in unwrapped(done.output)
    assert "50 mΩ of shared rail" in unwrapped(done.output)
    assert "With " not in done.output


def test_a_shared_ground_is_named_with_what_would_do():
    done = run("--ground-ohm", "20m")
    said = unwrapped(done.output)
    assert "1 keeps itself alight" in said
    assert "shared ground: 20 mΩ" in said
    assert "100 % of the frames are lit by the lights' own current" in said
    # Where its fundamental alone would allow 1.8 mΩ: the detector follows the edges.
    assert "With at most 0.4 mΩ of shared ground: 0." in said
    assert "the lights would stay at 100 L* and stand still" in said


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--ground-ohm", "much"), "'much' is not"),
        (("--ground-ohm", "20"), "ground_ohm is 20.0; it must be from 0 to 1 ohm"),
        (("--pwm-hz", "1"), "pwm_hz is 1.0; it must be from 10 to 100000 Hz"),
    ],
)
def test_refused_in_one_line(words, said):
    done = run(*words)
    assert done.exit_code in (1, 2)
    assert said in done.output
    assert "Traceback" not in done.output


def supply(*words: str) -> Result:
    return CliRunner().invoke(envlab.cli.main, ["supply", *words])


def test_pulses_of_the_demo_are_more_than_its_converter_gives():
    said = unwrapped(supply("--pwm-hz", "400").output)
    # 3 A less a tenth, 30 mA of the controller and 24 dark pixels of 1 mA: 2.646 A of 10.8 A.
    assert "up to a duty of 0.245" in said
    assert "take 10.8 A for 0.61 ms" in said
    # 10.824 A less the 2.97 A that the converter gives the pixels, for 0.6125 ms, out of 2.2 mF.
    assert "the rail falls by at least 2.2 V; asked is at most 0.25 V" in said
    assert "It would do: pixels whose PWM has 3.5 kHz or more." in said
    assert "trips at the first pulse: 6 whole pixels at full at once are all that it carries" in said


def test_the_demo_states_how_its_pixels_switch():
    said = unwrapped(supply().output)
    assert "at 16000 Hz, take 10.8 A for 0.015 ms" in said
    assert "It would do" not in said


def test_the_droop_that_is_asked_can_be_stated():
    # 10.824 A less 2.97 A for 15.3 µs: 120 µC; over 20 mV that is 6 mF.
    said = unwrapped(supply("--droop-v", "0.02").output)
    assert "asked is at most 0.02 V" in said
    assert "At most 0.02 V takes a capacitor of 6m1 or more." in said
    assert "It would do: a bulk capacitor of 10m." in said


def test_what_the_wires_leave_the_last_pixel_is_said():
    said = unwrapped(supply().output)
    assert "A chain of 24 fed from both ends over 0.5 mm² leaves pixel 12 4.64 V of 4.95 V" in said


def test_fast_pixels_are_carried():
    said = unwrapped(supply("--pwm-hz", "19200").output)
    assert "the rail falls by at least 0.046 V; asked is at most 0.25 V" in said
    assert "It would do" not in said


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--phases", "0"), "phases is 0"),
        (("--pwm-hz", "1"), "pwm_hz is 1.0; it must be from 10 to"),
        (("--bulk-farad", "0"), "bulk_farad is 0.0"),
        (("--droop-v", "0"), "droop_v is 0.0; it must be from 0.001 to 5 V"),
    ],
)
def test_supply_refuses_in_one_line(words, said):
    done = supply(*words)
    assert done.exit_code == 1
    assert said in done.output
    assert len(done.output.strip().splitlines()) == 1


@pytest.mark.parametrize("words", [("--capacity-ah", "3"), ("--hours",)])
def test_hours_need_the_resistance_of_a_cell(tmp_path, words):
    (tmp_path / "mine.toml").write_text("[pixels]\ncount = 12\n", "utf-8")
    done = supply(str(tmp_path / "mine.toml"), *words)
    assert done.exit_code == 1
    assert "cell_ohm is None; it must be stated where hours are asked" in done.output
    assert "[pack]" in done.output
    assert len(done.output.strip().splitlines()) == 1


def test_a_pack_of_cells_is_followed_to_its_end(tmp_path):
    import soundfile

    time_s = np.arange(32_000) / 16_000
    pulse = 0.5 * np.sin(2 * np.pi * 180 * time_s) * np.exp(-(time_s % 0.5) / 0.1)
    soundfile.write(tmp_path / "pulse.wav", pulse, 16_000)
    (tmp_path / "mine.toml").write_text('[[clips]]\nfile = "pulse.wav"\nlevels_db_spl = [100]\n', "utf-8")
    said = unwrapped(supply(str(tmp_path / "mine.toml"), "--cell-ohm", "40m", "--temperature-c", "5").output)
    # Halfway between 1.8 times at 0 °C and 1.3 times at 10 °C.
    assert "2 cells of 3 Ah and 40 mΩ each, 62 mΩ at 5 °C:" in said
    assert "the board stops" in said


def test_defaults_that_the_help_names_are_those_that_are_taken():
    from envlab.light.power.battery import Pack
    from envlab.light.power.pulses import Pulses
    from envlab.study.feedback import Coupling
    from envlab.units import parse_value

    taken = {"feedback": (Coupling(),), "supply": (Pulses(), Pack())}
    for verb, parts in taken.items():
        named = 0
        for option in envlab.cli.main.commands[verb].params:
            told = re.search(r"\[default: ([\w.]+)", getattr(option, "help", None) or "")
            owner = next((part for part in parts if hasattr(part, option.name)), None)
            if told and owner is not None:
                unit = {"ohm": "ohm", "farad": "F"}.get(option.name.rpartition("_")[2], "")
                assert parse_value(told[1], unit) == getattr(owner, option.name), option.name
                named += 1
        assert named >= 4

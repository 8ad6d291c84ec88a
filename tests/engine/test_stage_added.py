"""A stage added to the board is one file, one field of the chain and one entry of the design file.

The package is copied, the stage of made_up_stage.py is added to the copy, and a program runs there that takes
it along every way: run, simulate, sweep, tolerance, audition, fast firmware, feedback, parts list, circuit,
schematic, design file. What is held against what: its own sum by hand (scipy's lfilter, an independent
recursion), Chain.run, and, as long as it is a wire, the package as it is.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

import envlab
from envlab.shipped import shipped_folder

HERE = Path(__file__).parent
PACKAGE = Path(envlab.__file__).parent
ADDED = {
    "chain.py": [
        (
            r"(?m)^from envlab\.analog\.rectifiers\.ideal import Rectifier$",
            "from envlab.analog.smoother import Smoother",
        ),
        (
            r"(?m)^    band_filter: BandFilter = .*$",
            "    smoother: Smoother = field(default_factory=Smoother)",
        ),
    ],
    "design_file.py": [
        (
            r"(?m)^from envlab\.analog\.rectifiers\.ideal import Rectifier$",
            "from envlab.analog.smoother import Smoother",
        ),
        (r'(?m)^    "firmware": FirmwareSettings,$', '    "smoother": Smoother,'),
    ],
}


def with_lines(text: str, lines: list[tuple[str, str]]) -> str:
    """Return a source text with each line put behind the line that its pattern finds."""
    for pattern, line in lines:
        text, count = re.subn(pattern, lambda found, line=line: f"{found[0]}\n{line}", text)
        assert count == 1, pattern
    return text


@pytest.fixture(scope="module")
def clip(tmp_path_factory) -> Path:
    """A second of the drum line."""
    samples, rate_hz = soundfile.read(shipped_folder("audio_samples") / "drum_line.flac")
    path = tmp_path_factory.mktemp("clip") / "drums.wav"
    soundfile.write(path, samples[3 * rate_hz : 4 * rate_hz], rate_hz, subtype="PCM_16")
    return path


@pytest.fixture(scope="module")
def report(tmp_path_factory, clip) -> dict[str, Any]:
    """What the stage does in the copy. Time stamps are copied too: compiled loops stay warm."""
    place = tmp_path_factory.mktemp("added")
    copy = place / "house" / "envlab"
    shutil.copytree(PACKAGE, copy, copy_function=shutil.copy2)
    for name, lines in ADDED.items():
        path = copy / name
        path.write_text(with_lines(path.read_text(encoding="utf-8"), lines), encoding="utf-8")
    shutil.copy(HERE / "made_up_stage.py", copy / "analog" / "smoother.py")
    out = place / "out"
    out.mkdir()
    program = [sys.executable, str(HERE / "stage_added_report.py"), str(out), str(clip)]
    environment = {**os.environ, "PYTHONPATH": str(copy.parent)}
    done = subprocess.run(program, capture_output=True, text=True, check=False, env=environment)
    assert done.returncode == 0, done.stderr[-3000:]
    told: dict[str, Any] = json.loads(done.stdout)
    assert Path(told["package"]).parent == copy
    return told


def test_as_a_wire_it_changes_no_digit(report, clip):
    plain = envlab.Chain().run(envlab.read_recording(clip, 92.0))
    assert report["wire_counts"] == plain.adc_counts.tolist()
    assert report["wire_duty"] == plain.duty.tolist()
    assert max(report["wire_counts"]) > 0


def test_it_reaches_run_and_simulate(report):
    assert report["run_by_hand"] < 1e-12
    assert report["simulate_as_run"] and report["simulate_differs"]
    assert report["columns"].index("smoother_v") == report["columns"].index("rectified_v") - 1


def test_it_reaches_the_sweep(report):
    assert report["many_as_run"] == [True, True, True]
    assert report["sweep"] == {"sweep_differs": True, "sweep_kept": True, "sweep_stale": True}


def test_its_part_is_varied_from_board_to_board(report):
    told = report["tolerance"]
    assert told["varied"] == ["C91_percent"]
    np.testing.assert_allclose(told["parts"], [80e-9, 100e-9, 120e-9], rtol=1e-12)
    assert told["boards_as_alone"] and told["boards_differ"]


def test_the_audition_never_plays_another_boards_readings(report):
    told = report["audition"]
    assert told["audition_as_run"] == [True] * 4
    assert max(told["window_off_by"]) <= 1
    for kept in (told["drives"], told["firmware"]):
        wire, board, heavier, again = kept
        assert again == board
        assert len({wire, board, heavier}) == 3


def test_it_reaches_feedback_and_the_level_scale(report):
    assert report["feedback_differs"]
    assert report["level_scale_lower"]


def test_it_stands_in_design_file_and_parts_list(report):
    assert report["design_file"]
    assert report["bought"] == ["series_ohm", "shunt_farad"]
    parts = [tuple(part) for part in report["parts"]]
    assert ("R91", "smoother.series_ohm", "1k", 5) in parts
    assert ("C91", "smoother.shunt_farad", "100n", 10) in parts
    keys = [part[1].split(".")[0] for part in parts]
    assert keys.index("preamp") < keys.index("smoother") < keys.index("detector")


def test_it_stands_in_circuit_and_schematic_and_its_trace_has_a_label(report):
    told = report["circuit"]
    assert told["joined"] == [["preamp", "smoother"], ["smoother", "bias"]]
    assert told["trace"] == "smoother"
    assert told["drawn"] == [["C91", "1"], ["C91", "2"], ["R91", "1"], ["R91", "2"]]
    assert told["names"] == ["smoother"]
    assert told["svg"] and not told["wire_has"]
    assert told["remarks"] == ["The rectifier is ideal: it is the limit of good ones, and no parts make it."]


def test_what_is_kept_is_told_apart_by_it(report):
    assert report["upstream"] == dict.fromkeys(report["upstream"], True)

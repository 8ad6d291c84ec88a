"""The command as a maker types it: results, refusals, and nothing half-written."""

from __future__ import annotations

import csv
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile
import tomlkit
from click.testing import CliRunner, Result

import envlab.cli
from envlab.cli.group import NOT_JUDGED_EXIT
from envlab.design_file import digest, read_design
from envlab.firmware.c_header import read_header
from envlab.firmware.export import check_firmware
from envlab.study.exported.light import worn_light
from envlab.study.specification.ranges import candidates_of
from envlab.study.specification.specification import (
    demo_specification,
    read_specification,
    with_sensitivity,
)

RESULTS = {
    "design.toml",
    "parts.csv",
    "candidates.csv",
    "brightness_table.h",
    "brightness_table.csv",
    "report.html",
    "schematic.svg",
    "schematic.png",
}
SMALL = """
[[clips]]
file = "pulse.wav"
levels_db_spl = [90]
tags = ["beat"]

[sweep.detector]
attack_ohm = { series = "E3", low = "2k2", high = "4k7" }
release_ohm = { series = "E3", low = "100k", high = "470k" }

[targets]
onset_lag_worst_ms = { at_most = 45, scale = 20 }
"""


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(envlab.cli.main, [str(word) for word in words])


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a two-second recording, one soft stroke a second, and a small design; no browser near."""
    monkeypatch.setattr("envlab.report.pdf.browser_at_hand", lambda: None)
    time_s = np.arange(2 * 16_000) / 16_000
    pulse = np.sin(2 * np.pi * 180 * time_s) * np.exp(-(time_s % 1.0) / 0.15)
    soundfile.write(tmp_path / "pulse.wav", 0.5 * pulse, 16_000)
    (tmp_path / "mine.toml").write_text(SMALL)
    return tmp_path


def refused(result: Result, *words: str) -> None:
    """One line on standard error that has the words, no traceback, a non-zero exit."""
    assert result.exit_code != 0
    assert result.exception is None or isinstance(result.exception, SystemExit)
    lines = [line for line in result.stderr.splitlines() if line.startswith("Error:")]
    assert len(lines) == 1, result.stderr
    for word in words:
        assert word in lines[0]


class TestDesign:
    def test_writes_every_result_and_says_why(self, bench: Path) -> None:
        result = run("design", bench / "mine.toml", "--out", bench / "out")
        assert result.exit_code == 0, result.output
        assert {path.name for path in (bench / "out").iterdir()} == RESULTS
        assert "Chosen out of 6 candidates" in result.stdout
        assert "There is no report.pdf" in result.stdout
        assert not [path for path in bench.iterdir() if path.name.startswith(".")]

    def test_the_chosen_design_reads_back_to_the_chosen_chain(self, bench: Path) -> None:
        run("design", bench / "mine.toml", "--out", bench / "out")
        table = pd.read_csv(bench / "out" / "candidates.csv")
        best = int(table["rank"].idxmin())
        specification = read_specification(bench / "mine.toml")
        chosen = candidates_of(specification.chain, specification.ranges).chains[best]
        assert read_design(bench / "out" / "design.toml") == chosen
        assert read_header(bench / "out" / "brightness_table.h") == chosen.brightness_table()
        with (bench / "out" / "parts.csv").open() as file:
            parts = {row["reference"]: row for row in csv.DictReader(file)}
        assert list(parts["R4"])[:4] == ["reference", "kind", "quantity", "value"]
        assert {row["kind"] for row in parts.values()} >= {
            "amplifier",
            "microphone",
            "fuse",
            "pixel",
            "converter",
        }
        assert parts["R4"]["kind"] == "resistor" and float(parts["R4"]["power_w"]) >= 0.1
        assert parts["C3"]["dielectric"] and float(parts["C3"]["rated_v"]) >= 2 * chosen.preamp.supply_v
        assert int(parts["LED1"]["quantity"]) == chosen.pixels.count
        assert all(row["specification"] and row["role"] for row in parts.values())
        assert float(parts["R4"]["value_si"]) == chosen.detector.attack_ohm
        assert float(parts["R5"]["value_si"]) == chosen.detector.release_ohm

    def test_the_chosen_design_can_be_asked_again(self, bench: Path) -> None:
        run("design", bench / "mine.toml", "--out", bench / "out")
        again = run("design", bench / "out" / "design.toml", "--out", bench / "again")
        assert again.exit_code == 0, again.output
        first, second = (bench / name / "candidates.csv" for name in ("out", "again"))
        assert first.read_bytes() == second.read_bytes()

    def test_the_same_question_gives_the_same_bytes(self, bench: Path) -> None:
        for name in ("one", "two"):
            (bench / name).mkdir()
            assert run("design", bench / "mine.toml", "--out", bench / name / "out").exit_code == 0
        for name in RESULTS:
            assert (bench / "one/out" / name).read_bytes() == (bench / "two/out" / name).read_bytes(), name

    def test_a_clip_of_ones_own_takes_the_place_of_the_designs_clips(self, bench: Path) -> None:
        stereo = np.tile(soundfile.read(bench / "pulse.wav")[0][:, None], (1, 2))
        soundfile.write(bench / "song.flac", stereo, 16_000)
        words = ("--clip", bench / "song.flac", "--level", "95", "--out", bench / "out")
        result = run("design", bench / "mine.toml", *words)
        assert result.exit_code == 0, result.output
        columns = pd.read_csv(bench / "out" / "candidates.csv").columns
        assert "contrast_lstar [song 95 dB]" in columns
        assert not any("pulse" in column for column in columns)
        assert read_specification(bench / "out" / "design.toml").clips[0].level_db_spl == 95

    def test_every_column_carries_its_unit_or_is_a_plain_ratio_or_count(self, bench: Path) -> None:
        run("design", bench / "mine.toml", "--out", bench / "out")
        unit = re.compile(r"(_ohm|_farad|_ms|_db|_lstar|_a|_per_s|_share|_ratio)( \[.+ dB\])?$")
        plain = {"candidate", "violation", "blocking_target", "flash_safe", "rank", "not_judged"}
        plain |= {"boards_tried", "boards_flashing", "boards_meeting", "more_boards", "more_boards_flashing"}
        for column in pd.read_csv(bench / "out" / "candidates.csv").columns:
            assert column in plain or unit.search(column), column

    def test_files_that_are_there_stay_unless_forced(self, bench: Path) -> None:
        (bench / "out").mkdir()
        (bench / "out" / "report.html").write_text("mine")
        (bench / "out" / "notes.txt").write_text("mine too")
        refused(run("design", bench / "mine.toml", "--out", bench / "out"), "out", "--force")
        assert (bench / "out" / "report.html").read_text() == "mine"
        assert run("design", bench / "mine.toml", "--out", bench / "out", "--force").exit_code == 0
        assert (bench / "out" / "report.html").read_text() != "mine"
        assert (bench / "out" / "notes.txt").read_text() == "mine too"

    def test_flashing_light_gets_no_table(self, bench: Path) -> None:
        time_s = np.arange(2 * 16_000) / 16_000
        strobe = np.sin(2 * np.pi * 400 * time_s) * ((time_s * 6) % 1 < 0.3)
        soundfile.write(bench / "pulse.wav", 0.5 * strobe, 16_000)
        (bench / "mine.toml").write_text(SMALL.replace("100k", "10k").replace("470k", "22k"))
        result = run("design", bench / "mine.toml", "--out", bench / "out")
        assert result.exit_code == envlab.cli.FLASHING_EXIT
        assert {path.name for path in (bench / "out").iterdir()} == {
            name for name in RESULTS if not name.startswith("brightness_table")
        }
        told = " ".join(result.stdout.split())
        assert "No candidate keeps the flash limit" in told
        assert "Longer release: R5 = " in told
        assert told.index("No candidate keeps") < told.index("The smallest change that passes is")
        assert "The smallest change that passes is" in (bench / "out" / "report.html").read_text()


BAD_DESIGNS = [
    ("[detector]\nkind = 'peak'\natack_ohm = '4k7'", ("mine.toml", "atack_ohm", "attack_ohm")),
    ("[preamp]\nfeedback_ohm = '4k7F'", ("mine.toml", "feedback_ohm", "4k7F", "ohm")),
    ("[preamp]\nfeedback_ohm = '4k9'", ("mine.toml", "feedback_ohm", "4k9", "E series")),
    ("[adc]\nbits = 40", ("mine.toml", "bits", "40", "16")),
    ("[adc]\nreference_v = -3.3", ("mine.toml", "reference_v", "-3.3", "0.1")),
    ("[amplifier]\ngain = 3", ("mine.toml", "amplifier")),
    ("[sweep.detector]\nattack_ohm = {series = 'E7', low = '1k', high = '2k'}", ("series", "E7", "E6")),
    ("[sweep.detector]\nattack_ohm = {series = 'E3', low = '2k3', high = '4k6'}", ("low", "E3")),
    ("[targets]\nflashes_per_s = {at_most = 9, scale = 1}", ("flashes_per_s", "9", "3")),
    ("[[clips]]\nfile = 'nowhere.wav'\nlevels_db_spl = [90]", ("mine.toml", "nowhere.wav")),
    ("[[clips]]\nfile = 'pulse.wav'\nlevels_db_spl = [900]", ("level_db_spl", "900", "140")),
    ("this is no TOML", ("mine.toml", "TOML")),
]


class TestRefusals:
    @pytest.mark.parametrize(("text", "words"), BAD_DESIGNS)
    def test_a_bad_design_file(self, bench: Path, text: str, words: tuple[str, ...]) -> None:
        (bench / "mine.toml").write_text(text)
        refused(run("design", bench / "mine.toml", "--out", bench / "out"), *words)
        assert not (bench / "out").exists()

    def test_a_missing_design_file(self, bench: Path) -> None:
        refused(run("design", bench / "none.toml", "--out", bench / "out"), "none.toml", "no such file")

    @pytest.mark.parametrize("content", [b"", b"RIFF", b"no sound at all" * 50])
    def test_a_bad_clip(self, bench: Path, content: bytes) -> None:
        (bench / "bad.wav").write_bytes(content)
        words = ("--clip", bench / "bad.wav", "--level", "90", "--out", bench / "out")
        refused(run("design", bench / "mine.toml", *words), "bad.wav")
        assert not (bench / "out").exists()

    def test_samples_that_are_no_numbers(self, bench: Path) -> None:
        soundfile.write(bench / "nan.wav", np.full(800, np.nan), 8000, subtype="FLOAT")
        words = ("--clip", bench / "nan.wav", "--level", "90", "--out", bench / "out")
        refused(run("design", bench / "mine.toml", *words), "nan.wav")

    def test_a_silent_clip_is_noted_and_nothing_is_judged(self, bench: Path) -> None:
        soundfile.write(bench / "still.wav", np.zeros(16_000), 16_000)
        words = ("--clip", bench / "still.wav", "--level", "90", "--out", bench / "out")
        result = run("design", bench / "mine.toml", *words)
        assert result.exit_code == NOT_JUDGED_EXIT, result.output
        assert "Note: " in result.stderr and "still.wav" in result.stderr
        table = pd.read_csv(bench / "out" / "candidates.csv")
        assert table[["beat_contrast_lstar", "flashes_per_s"]].isna().all(axis=None)
        assert not table["flash_safe"].any()
        assert not list((bench / "out").glob("brightness_table*"))

    def test_level_and_clip_belong_together(self, bench: Path) -> None:
        refused(run("design", bench / "mine.toml", "--level", "90"), "--clip")
        refused(run("design", bench / "mine.toml", "--clip", bench / "pulse.wav"), "--level")

    def test_a_folder_that_is_a_file(self, bench: Path) -> None:
        (bench / "out").write_text("mine")
        refused(run("design", bench / "mine.toml", "--out", bench / "out"), "out", "folder")
        assert (bench / "out").read_text() == "mine"

    def test_a_failure_while_writing_leaves_nothing(
        self, bench: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def full_disk(*_: object) -> None:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr("envlab.files.whole._keep", full_disk)
        refused(run("table", bench / "mine.toml", "--out", bench / "out"), "No space left")
        assert {path.name for path in bench.iterdir()} == {"pulse.wav", "mine.toml"}


class TestOtherVerbs:
    def test_simulate_writes_every_node_at_the_adc_rate(self, bench: Path) -> None:
        result = run("simulate", bench / "mine.toml", "--out", bench / "nodes.csv", "--no-noise")
        assert result.exit_code == 0, result.output
        nodes = pd.read_csv(bench / "nodes.csv")
        chain, specification = read_design(bench / "mine.toml"), read_specification(bench / "mine.toml")
        whole = chain.run(specification.clips[0].recording())
        assert len(nodes) == 2000
        np.testing.assert_array_equal(nodes["adc_counts"], whole.adc_counts)
        np.testing.assert_array_equal(nodes["envelope_counts"], whole.envelope_counts)
        light = worn_light(chain, whole.adc_counts)
        np.testing.assert_allclose(nodes["duty"][::10], light.luminance * light.full_duty, rtol=1e-6)
        np.testing.assert_allclose(nodes["lightness_lstar"][::10], light.lightness, rtol=1e-6)
        # The firmware's steps in decibels against the model's in counts.
        np.testing.assert_allclose(nodes["duty"][::10], whole.duty, atol=0.01)
        step = round(whole.internal_rate_hz / 1000)
        np.testing.assert_allclose(nodes["preamp_v"], whole.preamp_v[::step], atol=1e-6)
        refused(run("simulate", bench / "mine.toml", "--out", bench / "nodes.csv"), "nodes.csv", "--force")

    def test_table_writes_four_forms_of_one_table(self, bench: Path) -> None:
        words = ("--out", bench / "fw", "--identifier", "yoke")
        result = run("table", bench / "mine.toml", *words)
        assert result.exit_code == 0, result.output
        assert {path.name for path in (bench / "fw").iterdir()} >= {
            f"yoke.{ending}" for ending in ("h", "csv", "json", "bin")
        }
        written = read_header(bench / "fw" / "yoke.h")
        table = read_design(bench / "mine.toml").brightness_table()
        np.testing.assert_array_equal(written.duty_codes, table.duty_codes)
        assert (written.count_map, written.duty_limit, written.bits) == (
            table.count_map,
            table.duty_limit,
            table.bits,
        )

    def test_table_writes_the_runtime_with_the_designs_numbers(self, bench: Path) -> None:
        result = run("table", bench / "mine.toml", "--out", bench / "fw", "--sensitivity", "automatic")
        assert result.exit_code == 0, result.output
        check_firmware(bench / "fw")
        chain = with_sensitivity(read_specification(bench / "mine.toml"), "automatic").chain
        assert digest(chain) in (bench / "fw" / "envlab_parameters.h").read_text()
        full = read_header(bench / "fw" / "brightness_table_full.h")
        assert full.duty.max() == 1 and chain.brightness_table().duty.max() == pytest.approx(
            chain.duty_limit, abs=1e-4
        )
        assert "10.8 A" in result.stdout and "8-bit processor" in result.stdout

    def test_a_name_that_c_cannot_have(self, bench: Path) -> None:
        result = run("table", bench / "mine.toml", "--out", bench / "fw", "--identifier", "while")
        refused(result, "identifier", "while")
        assert not (bench / "fw").exists()

    @pytest.mark.parametrize(
        "name", ["stdint", "ENVLAB_ROM", "envlab_parameters", "board", "hand_over", "a" * 28]
    )
    def test_a_name_that_would_hide_another_file(self, bench: Path, name: str) -> None:
        refused(run("table", bench / "mine.toml", "--out", bench / "fw", "--identifier", name), "identifier")
        assert not (bench / "fw").exists()

    @pytest.mark.parametrize(
        "follower",
        [
            {"kind": "mean_square", "time_s": 0.1},
            {"kind": "peak_hold", "hold_s": 0.1, "release_s": 0.2},
        ],
        ids=lambda follower: follower["kind"],
    )
    def test_a_follower_that_the_runtime_lacks_leaves_the_tables(self, bench: Path, follower: dict) -> None:
        design = tomlkit.parse((bench / "mine.toml").read_text())
        design["follower"] = follower
        (bench / "mine.toml").write_text(tomlkit.dumps(design))
        result = run("table", bench / "mine.toml", "--out", bench / "fw")
        assert result.exit_code == 0, result.output
        assert f"left out: it has no follower {follower['kind']}, only" in " ".join(result.stdout.split())
        names = {path.name for path in (bench / "fw").iterdir()}
        assert not any(name.startswith("envlab_") for name in names)
        written = read_header(bench / "fw" / "brightness_table.h")
        table = read_design(bench / "mine.toml").brightness_table()
        np.testing.assert_array_equal(written.duty_codes, table.duty_codes)
        for words in (("--project",), ("--sensitivity", "steps")):
            refused(run("table", bench / "mine.toml", "--out", bench / "more", *words), follower["kind"])
            assert not (bench / "more").exists()

    def test_a_project_comes_whole(self, bench: Path) -> None:
        result = run("table", bench / "mine.toml", "--out", bench / "fw", "--project")
        assert result.exit_code == 0, result.output
        check_firmware(bench / "fw")
        assert {"CMakeLists.txt", "one_loop.c", "two_tasks.c", "button.c"} <= {
            path.name for path in (bench / "fw").iterdir()
        }

    @pytest.mark.parametrize("verb", ["design", "simulate", "table", "notebooks"])
    def test_help_shows_an_example_within_80_columns(self, verb: str) -> None:
        result = run(verb, "--help")
        assert result.exit_code == 0
        assert f"envlab {verb}" in result.stdout
        assert max(len(line) for line in result.stdout.splitlines()) <= 80

    def test_an_error_has_no_traceback_in_a_real_shell(self, bench: Path) -> None:
        done = subprocess.run(
            [sys.executable, "-m", "envlab", "design", "none.toml"],
            cwd=bench, capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == 1
        assert done.stderr.splitlines() == ["Error: none.toml: no such file"]


def test_the_parade_is_a_legal_design_with_beat_quiet_and_walking_clips() -> None:
    specification = demo_specification()
    assert {tag for clip in specification.clips for tag in clip.tags} >= {"beat", "quiet", "walking"}
    # 3 A less a tenth, less 30 mA of the controller and 24 mA of the dark pixels, over 10.8 A.
    assert specification.chain.duty_limit == pytest.approx((2.7 - 0.054) / 10.8)


class TestSweep:
    def test_writes_csv_and_parquet_alike(self, bench: Path) -> None:
        for name in ("all.csv", "all.parquet"):
            result = run("sweep", bench / "mine.toml", "--out", bench / name)
            assert result.exit_code == 0, result.output
        as_text = pd.read_csv(bench / "all.csv", index_col="candidate", keep_default_na=False, na_values=[""])
        whole = pd.read_parquet(bench / "all.parquet")
        assert list(as_text.columns) == list(whole.columns)
        numbers = whole.select_dtypes("number").columns
        np.testing.assert_allclose(as_text[numbers], whole[numbers], rtol=1e-8)
        assert {path.name for path in bench.iterdir()} == {"pulse.wav", "mine.toml", "all.csv", "all.parquet"}

    def test_interrupted_it_says_what_is_kept_and_goes_on(
        self, bench: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        from envlab.study.sweep import sweep as study

        def interrupt(*_: object, **__: object) -> None:
            raise KeyboardInterrupt

        with monkeypatch.context() as patched:
            patched.setattr(study, "clip_columns", interrupt)
            stopped = run("sweep", bench / "mine.toml", "--out", bench / "all.csv")
        assert stopped.exit_code == 130
        assert "1 steps are kept in" in stopped.stderr
        assert not (bench / "all.csv").exists()
        assert run("sweep", bench / "mine.toml", "--out", bench / "all.csv").exit_code == 0
        assert not (bench / "all.csv.partial").exists()

    def test_refuses_more_candidates_than_allowed(self, bench: Path) -> None:
        result = run("sweep", bench / "mine.toml", "--out", bench / "all.csv", "--most", "5")
        refused(result, "candidates", "6", "at most 5", "some 1 s for each minute")

    def test_another_ending_is_refused_before_anything_runs(self, bench: Path) -> None:
        refused(run("sweep", bench / "mine.toml", "--out", bench / "all.xlsx"), "all.xlsx", ".parquet")


class TestQuiet:
    """Quiet means quiet: a run that succeeds says nothing at all, not even what it would note."""

    @pytest.mark.parametrize(
        "words",
        [
            ("design", "--no-pdf", "--out", "out"),
            ("sweep", "--out", "all.csv"),
            ("simulate", "--out", "nodes.csv"),
            ("table", "--out", "fw"),
        ],
        ids=lambda words: words[0],
    )
    def test_nothing_is_said(
        self, bench: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
    ) -> None:
        monkeypatch.chdir(bench)
        pulse, rate_hz = soundfile.read(bench / "pulse.wav")
        soundfile.write(bench / "pulse.wav", 0.5 * pulse + 0.5, rate_hz)  # a constant offset: worth a note
        assert "Note: " in run("simulate", "mine.toml", "--out", "loud.csv").stderr
        result = run(words[0], "mine.toml", *words[1:], "--quiet")
        assert (result.exit_code, result.stdout, result.stderr) == (0, "", "")
        assert (bench / words[-1]).exists()

    def test_errors_are_still_said(self, bench: Path) -> None:
        refused(run("design", bench / "none.toml", "--quiet"), "none.toml")

    def test_an_interruption_is_status_130(self, bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        def interrupt(*_: object, **__: object) -> None:
            raise KeyboardInterrupt

        monkeypatch.setattr("envlab.study.sweep.sweep.sweep", interrupt)
        result = run("design", bench / "mine.toml", "--out", bench / "out")
        assert result.exit_code == 130
        assert not (bench / "out").exists()

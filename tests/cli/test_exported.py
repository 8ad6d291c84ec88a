"""table and design as a maker types them: what is exported is judged first, and refused where it must be."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

import envlab.cli
from envlab.cli.exported import exit_of_refusal
from envlab.cli.group import FLASHING_EXIT, REFUSED_EXIT
from envlab.design_file import read_design
from envlab.study.exported.judgement import ExportedJudgement, Miss, SettingResult
from envlab.study.exported.rows import ExportedRow, Setting

RATE_HZ = 16_000
DESIGN = """
[detector]
attack_ohm = "1k"
release_ohm = "{release}"

[firmware]
guard = "{guard}"

[[clips]]
file = "{clip}.wav"
levels_db_spl = [90]
tags = ["beat"]
"""


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(envlab.cli.main, [str(word) for word in words])


@pytest.fixture
def design(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Write a design on one clip: a stroke a second, six strokes a second, or nothing to judge."""
    monkeypatch.setattr("envlab.report.pdf.browser_at_hand", lambda: None)
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    clips = {
        "slow": np.sin(2 * np.pi * 180 * time_s) * np.exp(-(time_s % 1.0) / 0.1),
        "fast": np.sin(2 * np.pi * 1000 * time_s) * (time_s * 6 % 1 < 0.3),
        "short": np.sin(2 * np.pi * 180 * time_s)[: RATE_HZ // 2],
        "silent": np.zeros(time_s.size),
    }
    for name, samples in clips.items():
        soundfile.write(tmp_path / f"{name}.wav", 0.5 * samples, RATE_HZ)

    def write(clip: str = "slow", guard: str = "on", release: str = "22k") -> Path:
        path = tmp_path / "mine.toml"
        path.write_text(DESIGN.format(clip=clip, guard=guard, release=release))
        return path

    return write


class TestTable:
    def test_a_design_that_keeps_its_targets_is_exported_and_says_what_was_judged(self, design, tmp_path):
        done = run("table", design(), "--out", tmp_path / "fw")
        assert done.exit_code == 0, done.output
        assert "was played on 1 clip, without the guard" in done.output
        assert "at most 3 are" in done.output
        assert (tmp_path / "fw" / "envlab_parameters.h").is_file()

    def test_one_that_flashes_is_refused_with_status_3_though_the_guard_would_hold_it(self, design, tmp_path):
        done = run("table", design("fast"), "--out", tmp_path / "fw")
        assert done.exit_code == FLASHING_EXIT
        assert "6 flashes in the worst second" in " ".join(done.output.split())
        assert "The flash guard is on. With it the worst second has 3 flashes" in " ".join(
            done.output.split()
        )
        assert len([line for line in done.stderr.splitlines() if line.startswith("Error:")]) == 1
        assert not (tmp_path / "fw").exists()

    def test_misses_are_accepted_on_request_with_their_numbers_while_the_guard_holds_them(
        self, design, tmp_path
    ):
        done = run("table", design("fast"), "--out", tmp_path / "fw", "--accept-misses")
        assert done.exit_code == 0, done.output
        assert "6 flashes in the worst second" in " ".join(done.output.split())
        assert (tmp_path / "fw" / "envlab_parameters.h").is_file()

    def test_without_the_guard_flashes_are_never_accepted(self, design, tmp_path):
        done = run("table", design("fast", guard="off"), "--out", tmp_path / "fw", "--accept-misses")
        assert done.exit_code == FLASHING_EXIT
        assert "OFF" in done.output
        assert 'guard = "on"' in done.stderr
        assert not (tmp_path / "fw").exists()

    @pytest.mark.parametrize(("clip", "why"), [("short", "it lasts 0.5 s"), ("silent", "it is silent")])
    @pytest.mark.filterwarnings("ignore:.*silen")
    def test_what_could_not_be_judged_is_exported_and_said_not_to_be(self, design, tmp_path, clip, why):
        done = run("table", design(clip), "--out", tmp_path / "fw")
        assert done.exit_code == 0, done.output
        said = " ".join(done.output.split())
        assert f"not judged: {clip} 90 dB: {why}" in said
        assert "allowed" not in said and "guard is" not in said

    def test_a_design_without_clips_is_said_not_to_be_judged(self, tmp_path):
        (tmp_path / "bare.toml").write_text('[detector]\nrelease_ohm = "220k"\n')
        done = run("table", tmp_path / "bare.toml", "--out", tmp_path / "fw")
        assert done.exit_code == 0, done.output
        assert "was not judged: the design has no clips" in " ".join(done.output.split())

    def test_the_sensitivity_asked_for_is_the_one_that_is_judged_and_exported(self, design, tmp_path):
        done = run("table", design(release="220k"), "--out", tmp_path / "fw", "--sensitivity", "steps")
        assert done.exit_code == 0, done.output
        for place in ("least sensitive", "as designed", "most sensitive"):
            assert f"Steps, {place}:" in done.output
        parameters = (tmp_path / "fw" / "envlab_parameters.h").read_text()
        assert "#define ENVLAB_OFFSET_STEPS 1u" not in parameters

    def test_the_plain_table_of_another_follower_is_judged_by_the_model(self, design, tmp_path):
        path = design()
        path.write_text(
            path.read_text() + '\n[follower]\nkind = "peak_hold"\nhold_s = 0.05\nrelease_s = 0.1\n'
        )
        done = run("table", path, "--out", tmp_path / "fw")
        assert done.exit_code == 0, done.output
        assert "Plain table:" in done.output


class TestDesign:
    def test_it_judges_every_sensitivity_and_decides_by_the_designs_own(self, design, tmp_path):
        done = run("design", design(release="220k"), "--out", tmp_path / "out", "--sensitivity", "automatic")
        assert done.exit_code == 0, done.output
        for name in ("fixed", "steps, least sensitive", "steps, most sensitive", "automatic"):
            assert f"\n{name} " in done.output
        assert read_design(tmp_path / "out" / "design.toml").firmware.sensitivity == "automatic"
        page = (tmp_path / "out" / "report.html").read_text()
        assert "What the firmware shows" in page and "<b>automatic</b>, this design" in page
        assert "--sensitivity automatic" in page

    def test_a_choice_that_is_not_flash_safe_has_its_numbers_in_the_report_and_no_table(
        self, design, tmp_path
    ):
        done = run("design", design("fast"), "--out", tmp_path / "out")
        assert done.exit_code == FLASHING_EXIT
        assert not (tmp_path / "out" / "brightness_table.h").exists()
        assert "flashes broken" in (tmp_path / "out" / "report.html").read_text()


class TestStatus:
    """exit_of_refusal on judgements that are given."""

    @staticmethod
    def judged(free: int, guarded: int, *misses: Miss) -> ExportedJudgement:
        row = ExportedRow(Setting("automatic"), "shout", "song", free, guarded, 0.0)
        result = SettingResult(row.setting, row, guarded, 0.0, {}, misses)
        return ExportedJudgement((row,), (result,), 3.0, "the room", {})

    @pytest.mark.parametrize(
        ("free", "guarded", "guard", "accept", "status"),
        [
            (3, 3, True, False, 0),
            (3, 3, False, False, 0),
            (4, 3, True, False, FLASHING_EXIT),
            (4, 3, True, True, 0),
            (4, 3, False, True, FLASHING_EXIT),
            (4, 4, True, True, FLASHING_EXIT),
        ],
    )
    def test_of_flashes(self, free, guarded, guard, accept, status):
        misses = (Miss("flashes_per_s", 3.0, float(free)),) if free > 3 else ()
        judged = self.judged(free, guarded, *misses)
        assert exit_of_refusal(judged, "automatic", guard=guard, accept=accept) == status

    @pytest.mark.parametrize(("accept", "status"), [(False, REFUSED_EXIT), (True, 0)])
    def test_of_any_other_target(self, accept, status):
        judged = self.judged(2, 2, Miss("idle_lstar", 1.0, 4.0))
        assert exit_of_refusal(judged, "automatic", guard=False, accept=accept) == status

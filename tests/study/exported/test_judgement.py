"""What decides: the flash limit without the guard, and the targets that the fixed window keeps."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from envlab.digital.followers import PeakHold
from envlab.study.exported import judgement as judging
from envlab.study.exported.judgement import ExportedJudgement, Miss, SettingResult, judge_exported
from envlab.study.exported.light import ExportedFirmware
from envlab.study.exported.rows import ExportedRow, Setting
from envlab.study.exported.scenarios import heard_by
from envlab.study.exported.words import recovery_text, sentences, settings_words, table_lines, verdict
from envlab.study.sentences import of_kind
from envlab.study.specification.specification import demo_specification, read_specification
from envlab.study.specification.targets import Target, Targets

TARGETS = Targets(
    (
        Target("flashes_per_s", "at_most", 3.0, 1.0),
        Target("idle_lstar", "at_most", 1.0, 3.0),
        Target("quiet_lit_share", "at_least", 0.7, 0.3),
    )
)
GOOD = {
    "flashes_per_s": 2.0,
    "idle_lstar": 0.0,
    "recovery_s": 0.0,
    "beat_contrast_lstar": 20.0,
    "quiet_lit_share": 0.9,
    "false_light_lstar": math.nan,
}
AUTOMATIC, LEAST = Setting("automatic"), Setting("steps", 0, "least sensitive")


def misses(setting: Setting, fixed: dict[str, float] | None = None, **changes: float) -> list[str]:
    found = judging._misses(setting, GOOD | changes, TARGETS, GOOD if fixed is None else fixed)
    return [miss.metric for miss in found]


def result(setting: Setting, free: int, guarded: int, *missed: Miss) -> SettingResult:
    row = ExportedRow(setting, "shout", "song 92 dB", free, guarded, 0.013)
    return SettingResult(setting, row, guarded, 0.013, GOOD | {"flashes_per_s": float(free)}, missed)


def judged(*results: SettingResult) -> ExportedJudgement:
    return ExportedJudgement(tuple(one.worst for one in results), results, 3.0, "the room", {})


class TestMisses:
    def test_a_setting_that_keeps_all_misses_nothing(self):
        assert misses(AUTOMATIC) == []

    def test_four_flashes_are_a_miss_for_every_setting(self):
        for setting in (AUTOMATIC, LEAST, Setting("none")):
            assert misses(setting, flashes_per_s=4.0) == ["flashes_per_s"]

    def test_a_target_that_the_fixed_window_keeps_must_be_kept(self):
        assert misses(AUTOMATIC, quiet_lit_share=0.6) == ["quiet_lit_share"]
        assert misses(AUTOMATIC, GOOD | {"quiet_lit_share": 0.5}, quiet_lit_share=0.6) == []

    def test_the_ends_of_a_button_may_be_too_dim_for_the_music_but_not_lit_in_silence(self):
        assert misses(LEAST, quiet_lit_share=0.0) == []
        assert misses(LEAST, idle_lstar=1.5) == ["idle_lstar"]
        assert misses(Setting("steps", 3, "as designed"), quiet_lit_share=0.0) == ["quiet_lit_share"]

    def test_six_seconds_after_a_shout_the_light_is_itself_again(self):
        assert misses(AUTOMATIC, recovery_s=6.0) == []
        assert misses(AUTOMATIC, recovery_s=6.1) == ["recovery_s"]
        assert misses(AUTOMATIC, GOOD | {"recovery_s": 7.0}, recovery_s=6.1) == []

    def test_what_no_clip_can_show_is_no_miss(self):
        assert misses(AUTOMATIC, quiet_lit_share=math.nan) == []


class TestJudgement:
    def test_the_flash_limit_is_judged_without_the_guard_and_the_guard_beside_it(self):
        found = judged(
            result(Setting("none"), 3, 3),
            result(AUTOMATIC, 4, 3, Miss("flashes_per_s", 3.0, 4.0)),
        )
        assert found.keeps_flash_limit("none") and found.keeps_all("none")
        assert not found.keeps_flash_limit("automatic") and not found.keeps_all("automatic")
        assert found.keeps_flash_limit("automatic", guard=True)

    def test_every_clip_is_played_after_every_start_at_every_setting(self, write_design):
        text = '[[clips]]\nfile = "beat.wav"\nlevels_db_spl = [80, 95]\ntags = ["beat"]\n'
        specification = read_specification(write_design(text))
        calls: list[float] = []
        found = judge_exported(specification, specification.chain, progress=calls.append)
        assert {(row.setting.name, row.start, row.clip) for row in found.rows} == {
            (one.setting.name, start, clip)
            for one in found.results
            for start in ("power-up", "quiet minute", "shout")
            for clip in ("beat 80 dB", "beat 95 dB")
        }
        assert len(found.results) == 5
        assert calls[0] < 0.5
        assert calls[-1] == 1.0
        heard, again = heard_by(specification.chain, specification), list[float]()
        assert repr(
            judge_exported(specification, specification.chain, heard=heard, progress=again.append)
        ) == (repr(found))
        assert again[0] < 0.3
        assert again[-1] == 1.0
        for one in found.results:
            mine = [row for row in found.rows if row.setting == one.setting]
            assert one.flashes_per_s == max(row.flashes_per_s for row in mine)
            assert one.guard_held_share == max(row.guard_held_share for row in mine)
        assert calls[-1] == 1.0 and calls == sorted(calls)

    def test_one_sensitivity_is_judged_beside_the_fixed_window(self, write_design):
        text = '[[clips]]\nfile = "beat.wav"\nlevels_db_spl = [90]\n'
        specification = read_specification(write_design(text))
        found = judge_exported(specification, specification.chain, ("automatic",))
        assert [one.setting.name for one in found.results] == ["fixed", "automatic"]

    def test_a_follower_that_the_runtime_lacks_leaves_the_plain_table_to_judge(self, write_design):
        text = '[[clips]]\nfile = "beat.wav"\nlevels_db_spl = [90]\n'
        specification = read_specification(write_design(text))
        chain = replace(specification.chain, follower=PeakHold(0.05, 0.2))
        found = judge_exported(specification, chain)
        assert [one.setting.name for one in found.results] == ["plain table"]
        assert "PeakHold" in found.no_runtime
        said = sentences(found, "automatic", guard=True)
        assert "The plain table is judged" in of_kind(said, "not judged")[0].text
        assert not of_kind(said, "guard")


class TestWords:
    def test_what_each_sensitivity_is_for_is_told_with_how_far_it_moves_this_board(self):
        chain = demo_specification("garden-moon").chain
        told = settings_words(chain)
        button = ExportedFirmware(chain, "steps")
        automatic = ExportedFirmware(chain, "automatic").design
        assert told.behind == {
            "steps": button.steps,
            "step_db": 3.0,
            "down_db": -automatic.lowest_window_db,
            "up_db": 12.0,
        }
        assert f"begins at {chain.brightness.floor_db_spl:g} dB SPL" in told.text
        assert f"full at {chain.brightness.ceiling_db_spl:g}" in told.text
        assert f"{button.steps} steps of 3 dB" in told.text
        assert f"at most {-automatic.lowest_window_db:.2g} dB down and 12 dB up" in told.text

    def test_a_pass_is_only_said_where_something_was_judged(self):
        nothing = ExportedJudgement((), (), 3.0, "", {"a 80 dB": "it is silent"})
        (said,) = sentences(nothing, "none", guard=True)
        assert (said.kind, said.text) == (
            "not judged",
            "Whether the lights flash too often was not judged: a 80 dB: it is silent.",
        )
        (said,) = sentences(replace(nothing, not_judged={}), "none", guard=True)
        assert said.text.endswith("not judged: the design has no clips.")

    def test_flashes_are_said_with_clip_start_and_limit(self):
        found = judged(result(Setting("none"), 3, 3))
        (kept,) = of_kind(sentences(found, "none", guard=True), "kept")
        assert kept.behind == {"setting": "fixed", "flashes_per_s": 3}
        assert kept.text == (
            "Fixed: 3 flashes in the worst second (song 92 dB, after the shout); at most 3 are allowed."
        )

    def test_what_is_broken_is_said_with_its_numbers(self):
        missed = (
            Miss("flashes_per_s", 3.0, 4.0),
            Miss("idle_lstar", 1.0, 2.5),
            Miss("recovery_s", 6.0, math.inf),
        )
        found = judged(result(Setting("none"), 2, 2), result(AUTOMATIC, 4, 3, *missed))
        said = of_kind(sentences(found, "automatic", guard=True), "broken")
        assert [one.behind for one in said] == [
            {"setting": "automatic", "flashes_per_s": 4},
            {"setting": "automatic", "idle_lstar": 2.5},
            {"setting": "automatic", "recovery_s": math.inf},
        ]
        assert "2.5 L*" in said[1].text and "more than 45 s" in said[2].text
        assert verdict(found.results[1]) == "flashes broken, idle light broken, recovery broken"
        assert verdict(found.results[0]) == "kept"

    def test_a_guard_that_is_off_is_said_in_capitals(self):
        found = judged(result(Setting("none"), 4, 3))
        (on,) = of_kind(sentences(found, "none", guard=True), "guard")
        (off,) = of_kind(sentences(found, "none", guard=False), "guard")
        assert "is on" in on.text and "1 %" in on.text
        assert "OFF" in off.text
        assert on.behind == {"flashes_guarded": 3, "guard_held_share": 0.013, "guard": "on"}

    def test_the_table_has_a_line_for_each_setting(self):
        (line,) = table_lines((result(AUTOMATIC, 4, 3),))
        assert line == ("automatic", "4", "3", "1 %", "0.0 L*", "at once")

    @pytest.mark.parametrize(
        ("seconds", "text"),
        [(0.0, "at once"), (0.01, "at once"), (2.44, "2.4 s"), (math.inf, "more than 45 s")],
    )
    def test_recovery_in_words(self, seconds, text):
        assert recovery_text(seconds) == text

"""Rows and sentences of the report against the table and the parts they speak of."""

from __future__ import annotations

import dataclasses
import shlex
from pathlib import Path

import pytest
from reference.small_specification import Case

from envlab.digital.followers import MovingMean, PassThrough
from envlab.light.pixels import Pixels, Supply
from envlab.metrics.catalogue import METRICS
from envlab.metrics.clip_metrics import table_steps
from envlab.report.facts import (
    TAG_WORDS,
    asked_sentences,
    clip_rows,
    command_words,
    metric_rows,
    metric_text,
    range_rows,
    supply_details,
    supply_sentences,
    table_details,
    table_sentences,
)
from envlab.report.page import _glance
from envlab.shipped import demo_design
from envlab.sound.clip import TAGS
from envlab.study.specification.specification import demo_specification
from envlab.study.specification.targets import Targets
from envlab.study.sweep.choice import choose
from envlab.study.tolerance.result import ToleranceResult


def plain(text: str) -> str:
    return text.replace("\u00a0", " ")


def test_every_tag_has_words() -> None:
    assert TAG_WORDS.keys() == set(TAGS)


@pytest.mark.parametrize(
    ("metric", "value", "text"),
    [
        ("onset_lag_worst_ms", 13.8125, "13.8 ms"),
        ("clipped_share", 0.0123, "1.23 %"),
        ("flashes_per_s", 3.0, "3 in 1 s"),
        ("settled_ratio", 0.8704, "0.87"),
        ("beat_contrast_lstar", float("nan"), "not judged"),
        ("supply_99_a", 2.999, "3 A"),
    ],
)
def test_a_value_carries_its_unit(metric: str, value: float, text: str) -> None:
    assert plain(metric_text(metric, value)) == text


def test_metrics_stand_against_what_was_asked(case: Case) -> None:
    rows = metric_rows(case.specification, case.choice)
    assert {row.metric for row in rows} == METRICS.keys() & set(case.choice.table)
    asked = [row for row in rows if row.asked]
    assert [row.metric for row in asked] == [
        "flashes_per_s",
        "beat_contrast_lstar",
        "onset_lag_worst_ms",
        "ripple_db",
        "false_light_lstar",
    ]
    by_name = {row.metric: row for row in rows}
    assert plain(by_name["onset_lag_worst_ms"].asked) == "at most 45 ms"
    assert by_name["onset_lag_worst_ms"].verdict == "met"
    assert by_name["attack_ms"].verdict == ""
    assert by_name["false_light_lstar"].verdict.startswith("not judged")
    # With the reason in the same place, of a metric without a target too.
    assert by_name["false_light_lstar"].verdict == "not judged: no clip is tagged walking"
    unasked = dataclasses.replace(case.specification, targets=Targets(case.specification.targets.items[:-1]))
    (row,) = [row for row in metric_rows(unasked, case.choice) if row.metric == "false_light_lstar"]
    assert (row.asked, row.value) == ("", "not judged: no clip is tagged walking")


def test_a_target_that_nobody_meets_says_in_its_row_what_counts_in_its_place(
    case: Case, tolerance: ToleranceResult
) -> None:
    judged = ["violation", "blocking_target", "flash_safe", "rank"]
    table = case.choice.table.drop(columns=judged).assign(beat_contrast_lstar=40.0)
    choice = choose(table, case.specification)
    (one,) = choice.ranking.replaced
    # The best that was reached, and a tenth of the scale of 10 L* less.
    assert one.ranked is not None
    assert one.ranked.limit == pytest.approx(39.0)
    rows = {row.metric: row for row in metric_rows(case.specification, choice)}
    assert plain(rows["beat_contrast_lstar"].verdict) == (
        "missed by 10 L*; nobody meets it: what counts is at least 39 L*"
    )
    assert rows["ripple_db"].verdict == "met"
    # So the share of good boards says what they meet.
    names = [name for name, _ in _glance(choice, tolerance)]
    assert "Boards that meet what counts" in names
    assert "Boards that meet all" in [name for name, _ in _glance(case.choice, tolerance)]
    # Beyond the flash limit nothing was replaced.
    flashing = choose(table.assign(flashes_per_s=5.0), case.specification)
    assert not any("counts" in row.verdict for row in metric_rows(case.specification, flashing))


def test_a_missed_target_says_by_how_much(case: Case) -> None:
    table = case.choice.table.copy()
    table["beat_contrast_lstar"] = 46.5
    table["flashes_per_s"] = 5.0
    rows = {
        row.metric: row
        for row in metric_rows(case.specification, dataclasses.replace(case.choice, table=table))
    }
    # Asked are at least 50 L* and at most 3 flashes.
    assert plain(rows["beat_contrast_lstar"].verdict) == "missed by 3.5 L*"
    assert not rows["beat_contrast_lstar"].met
    assert plain(rows["flashes_per_s"].verdict) == "missed by 2 in 1 s"


def test_clips_come_with_level_and_what_the_light_does(case: Case) -> None:
    rows = clip_rows(case.choice, case.lights)
    assert [(row.name, row.level, row.length, row.tags) for row in rows] == [
        ("drums.wav", "92", "3", "beat"),
        ("voices.wav", "72", "2", "quiet music"),
    ]
    assert rows[0].contrast == f"{case.choice.row['contrast_lstar [drums 92 dB]']:.0f}"
    assert rows[0].flashes == f"{case.choice.row['flashes_per_s [drums 92 dB]']:.0f}"
    assert rows[1].lit == f"{100 * case.choice.row['lit_share [voices 72 dB]']:.0f}"
    assert rows[1].current == f"{case.lights[1].current_a.mean():.2f}"


def test_ranges_name_part_series_tolerance_and_choice(case: Case) -> None:
    rows = range_rows(case.specification, case.choice)
    assert [(row.reference, plain(row.tried), row.chosen) for row in rows] == [
        ("R3", "4k7 to 10k, 2 values of E3, ±1 %", "4k7"),
        ("R4", "10k to 22k, 2 values of E3, ±5 %", "22k"),
        ("R5", "470k to 1M, 2 values of E3, ±5 %", "470k"),
    ]


def test_values_that_are_listed_one_by_one_are_shown_so(case: Case) -> None:
    table = case.choice.table.assign(**{"rectifier.kind": "half"})
    listed = dataclasses.replace(case.specification, ranges={"rectifier.kind": ("half", "full")})
    (row,) = range_rows(listed, dataclasses.replace(case.choice, table=table))
    assert (row.reference, row.tried, row.chosen) == ("rectifier.kind", "half, full", "half")


def test_the_table_states_its_levels_steps_and_first_light(case: Case) -> None:
    chain = case.choice.chain
    text = " ".join(table_sentences(chain))
    codes = chain.brightness_table().duty_codes
    assert f"1024 entries of 16 bit and {len(set(codes.tolist()))} levels" in text
    assert "largest step" in text
    assert "First light comes at a steady tone of" in text
    first = int((codes > 0).argmax())
    assert f"first lit entry is number {first}" in " ".join(table_details(chain))


def test_a_floor_under_a_few_counts_is_said_to_be_coarse(case: Case) -> None:
    chain = case.choice.chain
    assert chain.count_map().floor_counts < 5
    assert "coarse" in " ".join(table_details(chain))
    loud = dataclasses.replace(chain, preamp=dataclasses.replace(chain.preamp, feedback_ohm=220e3))
    assert loud.count_map().floor_counts > 5
    assert "coarse" not in " ".join(table_details(loud))


def test_behind_a_mean_the_steps_that_are_shown_are_told_beside_those_of_the_table(case: Case) -> None:
    """The mean of a frame's readings lies between counts: one step of the dark end becomes many."""
    mean = case.choice.chain
    latest = dataclasses.replace(mean, follower=PassThrough())
    assert isinstance(mean.follower, MovingMean)
    shown, whole = (float(table_steps([board], [board.brightness_table()])[0]) for board in (mean, latest))
    assert shown < 5 < whole
    told, coarse = (" ".join(say(mean)).replace("\u00a0", " ") for say in (table_sentences, table_details))
    assert f"; a frame's mean shows steps of at most {METRICS['table_step_lstar'].text(shown)}." in told
    assert f"L*, shown as steps of at most {METRICS['table_step_lstar'].text(shown)}. More gain" in coarse
    assert "frame's mean" not in " ".join(table_sentences(latest))
    assert "shown as" not in " ".join(table_details(latest))


def test_the_supply_is_told_with_and_without_a_cap(case: Case) -> None:
    chain = dataclasses.replace(case.choice.chain, pixels=Pixels(), supply=Supply())
    text = " ".join(supply_sentences(chain))
    # 24 pixels × 3 × 0.15 A = 10.8 A from 3 A; 0.45 A each: 6 whole pixels.
    assert "10.8 A" in text
    assert "the converter's 3 A" in text
    assert "limit of 0.276" in text
    assert "6 of 24 pixels" in " ".join(supply_details(chain))
    strong = dataclasses.replace(chain, supply=Supply(limit_a=12.0))
    assert "no duty limit is needed" in " ".join(supply_sentences(strong))
    assert supply_details(strong) == []


def test_what_was_asked_is_two_sentences(case: Case) -> None:
    lights, targets = map(plain, asked_sentences(case.specification, case.choice))
    assert (
        lights
        == "Lights of 24 pixels on a converter of 3 A that follow drums and voices, at 72 to 92 dB SPL."
    )
    assert targets == (
        "Asked were at most 3 flashes in any second, and 4 targets more; to choose from were 8 "
        "combinations of R3, R4, R5."
    )
    alone = dataclasses.replace(
        case.specification,
        ranges={},
        clips=case.specification.clips[:1],
        targets=dataclasses.replace(case.specification.targets, items=()),
    )
    lights, targets = map(plain, asked_sentences(alone, case.choice))
    assert lights.endswith("that follow drums, at 92 dB SPL.")
    assert targets == "Asked were at most 3 flashes in any second; the design was to be judged as it is."


def test_the_command_names_files_but_no_folders(case: Case) -> None:
    assert command_words(case.specification) == "envlab design winter_night.toml"
    demo = demo_specification()
    assert command_words(demo) == "envlab design"
    own = demo.with_clip(Path("/some/where/my song.flac"), 95.0)
    assert command_words(own) == "envlab design --clip 'my song.flac' --level 95"
    weighted = demo.with_clip(Path("/some/where/song.flac"), 88.5, "A")
    assert command_words(weighted) == "envlab design --clip song.flac --level 88.5dBA"
    assert demo.source_text == demo_design().read_text(encoding="utf-8")


def test_the_command_pasted_into_a_shell_is_one_command(case: Case) -> None:
    hostile = dataclasses.replace(case.specification, name="a'b; touch gone $(touch gone) `touch gone`.toml")
    command = command_words(hostile)
    assert command.startswith("envlab design '")
    assert shlex.split(command) == ["envlab", "design", hostile.name]

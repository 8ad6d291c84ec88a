"""Small panels for each clip: the sweep's columns of that clip, targets only where they speak of it."""

from __future__ import annotations

import dataclasses

import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from reference.small_specification import Case

from envlab.errors import ParameterError
from envlab.metrics.catalogue import METRICS
from envlab.plot.palette import metric_colour
from envlab.plot.sweep.clip_multiples import (
    CLIP_METRICS,
    MOST_COLUMNS,
    clip_multiples,
    clip_panel,
    clips_sheet,
    usual_key,
)
from envlab.plot.sweep.part_effects import along

KEY = "detector.release_ohm"


def drawn(ax: Axes, label: str) -> tuple[list[float], list[float]]:
    found = next(line for line in ax.lines if line.get_label() == label)
    return list(map(float, found.get_xdata())), list(map(float, found.get_ydata()))


@pytest.mark.parametrize("metric", CLIP_METRICS)
def test_the_line_is_that_clips_column_and_the_ring_the_choice(case: Case, metric: str) -> None:
    for clip in case.specification.clips:
        ax = Figure().subplots()
        assert clip_panel(case.choice, case.specification, clip, KEY, metric, ax) is ax
        rows = case.choice.table[along(case.choice, case.specification, KEY)]
        column = f"{metric} [{clip.label}]"
        assert drawn(ax, metric) == ([470e3, 1e6], [float(value) for value in rows[column]])
        assert drawn(ax, "chosen") == ([470e3], [float(case.choice.row[column])])
        assert ax.get_xlabel() == "R5 (release), Ω"
        assert ax.get_ylabel() == CLIP_METRICS[metric].words
        line = next(line for line in ax.lines if line.get_label() == metric)
        assert line.get_color() == metric_colour(CLIP_METRICS[metric].judged_as)


def test_crosses_flash_too_much_on_this_very_clip(case: Case) -> None:
    drums, voices = case.specification.clips
    key = "detector.attack_ohm"
    rows = case.choice.table[along(case.choice, case.specification, key)]
    for clip in (drums, voices):
        ax = Figure().subplots()
        clip_panel(case.choice, case.specification, clip, key, "contrast_lstar", ax)
        crosses = next(line for line in ax.lines if line.get_marker() == "x")
        expected = rows[rows[f"flashes_per_s [{clip.label}]"] > 3][key]
        assert list(crosses.get_xdata()) == list(expected)
    assert (rows[f"flashes_per_s [{drums.label}]"] > 3).any()
    assert not (rows[f"flashes_per_s [{voices.label}]"] > 3).any()


@pytest.mark.parametrize(
    ("metric", "limits"),
    [
        # Of the design file: contrast at least 50 on "beat" clips; flashes at most 3 on all; nothing is asked
        # of lit share and clipping.
        ("contrast_lstar", (50.0, None)),
        ("flashes_per_s", (3.0, 3.0)),
        ("lit_share", (None, None)),
        ("clipped_share", (None, None)),
    ],
)
def test_a_target_shows_on_the_clips_that_it_speaks_of(
    case: Case, metric: str, limits: tuple[float | None, float | None]
) -> None:
    for clip, limit in zip(case.specification.clips, limits, strict=True):
        axes = Figure().subplots(1, 1, squeeze=False)
        clip_multiples(case.choice, case.specification, axes, [clip], KEY, [metric])
        level = [float(line.get_ydata()[0]) for line in axes[0, 0].lines if line.get_linestyle() == "--"]
        assert level == ([] if limit is None else [limit])
        spans = [
            patch.get_extents().transformed(axes[0, 0].transData.inverted()) for patch in axes[0, 0].patches
        ]
        assert len(spans) == len(level)
        bottom, top = axes[0, 0].get_ylim()
        if metric == "contrast_lstar" and limit is not None:
            assert (spans[0].y0, spans[0].y1) == pytest.approx((bottom, limit))
        if metric == "flashes_per_s":
            assert (spans[0].y0, spans[0].y1) == pytest.approx((limit, top))


def test_a_metric_has_one_height_on_all_clips_and_all_is_in_sight(case: Case) -> None:
    axes = Figure().subplots(len(CLIP_METRICS), 2, squeeze=False)
    clip_multiples(case.choice, case.specification, axes, case.specification.clips, KEY, tuple(CLIP_METRICS))
    for row, metric in zip(axes, CLIP_METRICS, strict=True):
        assert len({ax.get_ylim() for ax in row}) == 1
        bottom, top = row[0].get_ylim()
        assert bottom < 0 < top
        if metric in {"contrast_lstar", "lit_share"}:
            assert all(bottom <= value <= top for ax in row for value in drawn(ax, metric)[1])
    heads = [text.get_text() for ax in axes[0] for text in ax.texts]
    assert heads == ["drums 92 dB", "voices 72 dB"]


def test_the_sheet_has_a_panel_for_each_clip_and_metric(case: Case) -> None:
    page = clips_sheet(case.choice, case.specification)
    assert [ax.get_ylabel() for ax in page.axes if ax.get_ylabel()] == [
        "contrast, L*",
        "flashes in 1 s",
        "lit share",
    ]
    assert len(page.axes) == 6
    assert "chosen, R5 = 470k" in page.get_suptitle()


def test_many_clips_stand_in_several_bands(case: Case) -> None:
    drums = case.specification.clips[0]
    clips = tuple(dataclasses.replace(drums, level_db_spl=60.0 + i) for i in range(MOST_COLUMNS + 2))
    old = [f"{metric} [{drums.label}]" for metric in CLIP_METRICS]
    table = case.choice.table.assign(
        **{
            column.replace(drums.label, clip.label): case.choice.table[column]
            for clip in clips
            for column in old
        }
    )
    page = clips_sheet(
        dataclasses.replace(case.choice, table=table), dataclasses.replace(case.specification, clips=clips)
    )
    visible = [ax for ax in page.axes if ax.get_visible()]
    heads = [text.get_text() for ax in visible for text in ax.texts if "drums" in text.get_text()]
    assert heads == [f"drums {60 + i} dB" for i in range(7)]
    assert len(visible) == 3 * 7


def test_the_part_looked_along(case: Case) -> None:
    assert usual_key(case.specification) == KEY
    others = {key: value for key, value in case.specification.ranges.items() if key != KEY}
    assert usual_key(dataclasses.replace(case.specification, ranges=others)) == "detector.attack_ohm"
    fixed = dict.fromkeys(case.specification.ranges, (1.0,))
    with pytest.raises(ParameterError, match="several values"):
        usual_key(dataclasses.replace(case.specification, ranges=fixed))


def test_every_clip_metric_is_judged_as_one_that_exists() -> None:
    assert {asked.judged_as for asked in CLIP_METRICS.values()} <= set(METRICS)

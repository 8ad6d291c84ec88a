"""The map over both time constants, square by square against the table."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, QuadMesh
from matplotlib.colors import LogNorm
from matplotlib.figure import Figure
from reference.small_specification import Case

from envlab.analog.detector import AverageDetector
from envlab.metrics.catalogue import METRICS
from envlab.plot.sweep.time_map import STEPS_A_DECADE, time_constant_map, time_map

HOLD_F = 220e-9


def at_chosen_gain(case: Case) -> list[tuple[float, float, int]]:
    """(Ra·C, Rr·C, number) of the candidates with the chosen gain, from the table."""
    table = case.choice.table
    return [
        (row["detector.attack_ohm"] * HOLD_F, row["detector.release_ohm"] * HOLD_F, number)
        for number, (_, row) in enumerate(table.iterrows())
        if row["preamp.feedback_ohm"] == case.choice.row["preamp.feedback_ohm"]
    ]


def test_each_square_holds_the_candidate_of_its_time_constants(case: Case) -> None:
    squares = time_map(case.choice, case.specification)
    assert squares is not None
    found = set(
        zip(squares.attack_step.tolist(), squares.release_step.tolist(), squares.row.tolist(), strict=True)
    )
    expected = {
        (round(STEPS_A_DECADE * np.log10(attack_s)), round(STEPS_A_DECADE * np.log10(release_s)), number)
        for attack_s, release_s, number in at_chosen_gain(case)
    }
    assert found == expected
    assert squares.chosen_s == pytest.approx((22e3 * HOLD_F, 470e3 * HOLD_F))


def test_among_candidates_of_one_square_the_best_ranked_is_shown(case: Case) -> None:
    table = case.choice.table.assign(**{"detector.attack_ohm": 10e3})
    table.loc[4:, "detector.attack_ohm"] = 100e3
    table["preamp.feedback_ohm"] = case.choice.row["preamp.feedback_ohm"]
    squares = time_map(dataclasses.replace(case.choice, table=table), case.specification)
    assert squares is not None
    for row, release in zip(squares.row, squares.release_step, strict=True):
        same = [
            number
            for number in range(len(table))
            if table["detector.attack_ohm"].iloc[number] == table["detector.attack_ohm"].iloc[row]
            and round(6 * np.log10(table["detector.release_ohm"].iloc[number] * HOLD_F)) == release
        ]
        assert table["rank"].iloc[row] == table["rank"].iloc[same].min()


def drawn_values(ax: Axes) -> list[float]:
    mesh = next(one for one in ax.collections if isinstance(one, QuadMesh))
    shown = np.ma.filled(np.ma.asarray(mesh.get_array()), np.nan).ravel()
    return sorted(shown[np.isfinite(shown)].tolist())


def borders(ax: Axes, label: str) -> list[list[tuple[float, float]]]:
    """The two strokes of a border lie on each other; the segments of one."""
    strokes = [one for one in ax.collections if isinstance(one, LineCollection) and one.get_label() == label]
    if not strokes:
        return []
    light, dark = strokes
    assert len(light.get_segments()) == len(dark.get_segments())
    return [[tuple(point) for point in segment] for segment in dark.get_segments()]


@pytest.mark.parametrize("metric", [name for name in METRICS if name not in {"false_light_lstar"}])
def test_each_metrics_squares_hold_the_tables_column(case: Case, ax: Axes, metric: str) -> None:
    assert time_constant_map(case.choice, case.specification, ax, metric) is ax
    expected = case.choice.table[metric].to_numpy()[[number for _, _, number in at_chosen_gain(case)]]
    assert drawn_values(ax) == pytest.approx(sorted(expected))
    assert ax.get_xlabel() == "Ra·C, ms  (attack: R4 × C3)"
    assert ax.get_ylabel() == "Rr·C, ms  (release: R5 × C3)"
    assert ax.figure.axes[-1].get_ylabel().startswith(METRICS[metric].axis)
    points = {line.get_label(): line for line in ax.lines}
    assert points["chosen"].get_xdata()[0] == pytest.approx(22e3 * HOLD_F * 1e3)
    assert points["chosen"].get_ydata()[0] == pytest.approx(470e3 * HOLD_F * 1e3)


def test_regions_of_flash_limit_and_of_all_targets_are_outlined(case: Case, ax: Axes) -> None:
    time_constant_map(case.choice, case.specification, ax)
    table = case.choice.table
    numbers = [number for _, _, number in at_chosen_gain(case)]
    # Three of the four squares keep the limit; apart from each other they have four sides each, and no two
    # of them touch, as E3 leaves squares out between its values.
    safe = [n for n in numbers if table["flashes_per_s"].iloc[n] <= 3]
    assert len(borders(ax, "keeps the flash limit")) == 4 * len(safe) == 12
    good = [n for n in safe if table["violation"].iloc[n] == 0]
    points = {line.get_label(): line for line in ax.lines}
    assert len(points["meets every target"].get_xdata()) == len(good) == 1
    square = borders(ax, "meets every target")
    assert len(square) == 4
    # The square of the choice: a sixth of a decade each way round its whole sixths, 22k·220n and 470k·220n.
    corners_ms = {point for side in square for point in side}
    for at, tau_s in enumerate((22e3 * HOLD_F, 470e3 * HOLD_F)):
        middle = round(6 * np.log10(tau_s))
        edges_ms = 1e3 * 10 ** ((middle + np.array([-0.5, 0.5])) / 6)
        assert sorted({corner[at] for corner in corners_ms}) == pytest.approx(sorted(edges_ms))


def side_by_side(case: Case) -> Case:
    """The case with parts whose squares touch: 10k and 15k, 470k and 680k at 220 nF lie a sixth apart."""
    table = case.choice.table.copy()
    table["detector.attack_ohm"] = table["detector.attack_ohm"].replace(22e3, 15e3)
    table["detector.release_ohm"] = table["detector.release_ohm"].replace(1e6, 680e3)
    return dataclasses.replace(case, choice=dataclasses.replace(case.choice, table=table))


def test_the_edge_of_a_metrics_own_target_runs_between_squares_only(case: Case, ax: Axes) -> None:
    near = side_by_side(case)
    table = near.choice.table
    rows = table[table["preamp.feedback_ohm"] == case.choice.row["preamp.feedback_ohm"]]
    kept = rows["beat_contrast_lstar"] >= 50  # the design file's target
    assert 0 < kept.sum() < 4  # else there is no edge to draw
    attack, release = rows["detector.attack_ohm"], rows["detector.release_ohm"]
    edges = sum(
        kept[one] != kept[other] and (attack[one] == attack[other]) != (release[one] == release[other])
        for one, other in itertools.combinations(rows.index, 2)
    )
    time_constant_map(near.choice, case.specification, ax)
    assert len(borders(ax, "keeps its own target")) == edges
    bar = ax.figure.axes[-1]
    assert {float(line.get_ydata()[0]) for line in bar.lines} == {50.0}
    assert bar.get_ylabel() == "contrast, L*: more is better, target dashed"


@pytest.mark.parametrize(
    ("metric", "bright_end"),
    [("beat_contrast_lstar", "more"), ("onset_lag_worst_ms", "less"), ("supply_mean_a", "less")],
)
def test_the_brighter_the_better(case: Case, metric: str, bright_end: str) -> None:
    ax = Figure().subplots()
    time_constant_map(case.choice, case.specification, ax, metric)
    mesh = next(one for one in ax.collections if isinstance(one, QuadMesh))
    low, high = (sum(mesh.cmap(end)[:3]) for end in (0.0, 1.0))
    assert (high > low) == (bright_end == "more")
    assert f"{bright_end} is better" in ax.figure.axes[-1].get_ylabel()


def test_where_no_way_is_better_the_map_is_grey_and_says_nothing(case: Case, ax: Axes) -> None:
    time_constant_map(case.choice, case.specification, ax, "attack_ms")
    mesh = next(one for one in ax.collections if isinstance(one, QuadMesh))
    assert len({round(channel, 6) for channel in mesh.cmap(0.5)[:3]}) == 1
    assert ax.figure.axes[-1].get_ylabel() == "attack, ms"
    assert isinstance(mesh.norm, LogNorm)


def test_the_scale_shows_what_the_target_makes_worth_seeing(case: Case) -> None:
    """At most 45 ms: latencies of 20 to 900 ms are told apart up to four times that.

    And the scale says so.
    """
    table = case.choice.table.assign(onset_lag_worst_ms=np.linspace(20.0, 900.0, len(case.choice.table)))
    ax = Figure().subplots()
    time_constant_map(
        dataclasses.replace(case.choice, table=table), case.specification, ax, "onset_lag_worst_ms"
    )
    mesh = next(one for one in ax.collections if isinstance(one, QuadMesh))
    assert mesh.get_clim() == (0.0, 180.0)
    assert mesh.colorbar.extend == "max"
    lazy = case.choice.table.assign(onset_lag_worst_ms=20.0)
    ax = Figure().subplots()
    time_constant_map(
        dataclasses.replace(case.choice, table=lazy), case.specification, ax, "onset_lag_worst_ms"
    )
    mesh = next(one for one in ax.collections if isinstance(one, QuadMesh))
    assert mesh.get_clim() == (0.0, 1.25 * 45.0)


def test_a_metric_that_no_clip_could_judge_is_said_to_be_so(case: Case, ax: Axes) -> None:
    time_constant_map(case.choice, case.specification, ax, "false_light_lstar")
    assert "not judged" in [text.get_text() for text in ax.texts]
    assert not [one for one in ax.collections if isinstance(one, QuadMesh)]


def test_a_sweep_that_moves_one_constant_only_has_no_map(case: Case, ax: Axes) -> None:
    table = case.choice.table.assign(**{"detector.attack_ohm": 10e3})
    still = dataclasses.replace(case.choice, table=table)
    assert time_map(still, case.specification) is None
    average = dataclasses.replace(case.choice.chain, detector=AverageDetector(10e3, HOLD_F))
    assert time_map(dataclasses.replace(case.choice, chain=average), case.specification) is None
    with pytest.raises(ValueError, match="time constants"):
        time_constant_map(still, case.specification, ax)

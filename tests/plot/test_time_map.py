"""The map over both time constants, square by square against the table."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, QuadMesh
from reference.small_brief import Case

from envlab.analog.detector import AverageDetector
from envlab.plot.time_map import STEPS_A_DECADE, time_constant_map, time_map

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
    squares = time_map(case.choice, case.brief)
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
    squares = time_map(dataclasses.replace(case.choice, table=table), case.brief)
    assert squares is not None
    for row, release in zip(squares.row, squares.release_step, strict=True):
        same = [
            number
            for number in range(len(table))
            if table["detector.attack_ohm"].iloc[number] == table["detector.attack_ohm"].iloc[row]
            and round(6 * np.log10(table["detector.release_ohm"].iloc[number] * HOLD_F)) == release
        ]
        assert table["rank"].iloc[row] == table["rank"].iloc[same].min()


def test_the_picture_has_contrast_outline_dots_ring_and_units(case: Case, ax: Axes) -> None:
    assert time_constant_map(case.choice, case.brief, ax) is ax
    mesh = next(one for one in ax.collections if isinstance(one, QuadMesh))
    shown = np.ma.filled(np.ma.asarray(mesh.get_array()), np.nan).ravel()
    table = case.choice.table
    numbers = [number for _, _, number in at_chosen_gain(case)]
    expected = table["beat_contrast_lstar"].to_numpy()[numbers]
    assert sorted(shown[np.isfinite(shown)]) == pytest.approx(sorted(expected))

    points = {line.get_label(): line for line in ax.lines}
    assert points["chosen"].get_xdata()[0] == pytest.approx(22e3 * HOLD_F * 1e3)
    assert points["chosen"].get_ydata()[0] == pytest.approx(470e3 * HOLD_F * 1e3)
    good = [n for n in numbers if table["violation"].iloc[n] == 0 and table["flashes_per_s"].iloc[n] <= 3]
    assert len(points["meets every target"].get_xdata()) == len(good) == 1

    # Three of the four squares keep the limit; apart from each other they have four sides each, and no two
    # of them touch, as E3 leaves squares out between its values.
    safe = [n for n in numbers if table["flashes_per_s"].iloc[n] <= 3]
    border = next(one for one in ax.collections if isinstance(one, LineCollection))
    assert len(border.get_segments()) == 4 * len(safe) == 12
    assert ax.get_xlabel() == "Ra·C, ms  (attack: R4 × C3)"
    assert ax.get_ylabel() == "Rr·C, ms  (release: R5 × C3)"
    bar = ax.figure.axes[-1]
    assert bar.get_ylabel() == "beat contrast, L*"


def test_a_sweep_that_moves_one_constant_only_has_no_map(case: Case, ax: Axes) -> None:
    table = case.choice.table.assign(**{"detector.attack_ohm": 10e3})
    still = dataclasses.replace(case.choice, table=table)
    assert time_map(still, case.brief) is None
    average = dataclasses.replace(case.choice.chain, detector=AverageDetector(10e3, HOLD_F))
    assert time_map(dataclasses.replace(case.choice, chain=average), case.brief) is None
    with pytest.raises(ValueError, match="time constants"):
        time_constant_map(still, case.brief, ax)

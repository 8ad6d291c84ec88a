"""Words on a map of squares lie on no dot: places worked out by hand on a grid of whole decades."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.figure import Figure

from envlab.plot.sweep.map_marks import name_inside

X = 10.0 ** np.arange(7)
Y = 10.0 ** np.arange(4)


def place_of(inside: np.ndarray, dotted: np.ndarray) -> tuple[float, float] | None:
    ax = Figure().subplots()
    name_inside(ax, inside, dotted, X, Y, "safe")
    return ax.texts[0].get_position() if ax.texts else None


def test_words_take_the_row_without_dots_even_if_a_dotted_one_is_longer() -> None:
    inside = np.zeros((3, 6), bool)
    inside[0] = inside[2, 1:5] = True
    dotted = np.zeros_like(inside)
    dotted[0] = True
    assert place_of(inside, dotted) == pytest.approx((10**3.0, 10**2.5))


def test_words_stand_between_two_rows_where_every_square_has_its_dot() -> None:
    inside = np.zeros((3, 6), bool)
    inside[:2] = True
    assert place_of(inside, inside) == pytest.approx((10**3.0, 10**1.0))


def test_no_words_without_a_square() -> None:
    nothing = np.zeros((3, 6), bool)
    assert place_of(nothing, nothing) is None

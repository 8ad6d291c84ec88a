"""What is known of a board before it is captured: how far its kind scatters, as rows beside the residual.

A board that reads a few counts leaves whole directions untold: half the gain and half the attack read alike.
What a board with one fault would be is told by its design, and that the other parts are within tolerance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from envlab.units import FloatArray

# Readings hang together: so many count as one where they are weighed against what was expected.
TOGETHER = 20.0


@dataclass(frozen=True, eq=False)
class Expected:
    """names: of numbers of a board. middle: shape (names,), as vector_of. spread: their covariance, shape
    (names, names)."""

    names: tuple[str, ...]
    middle: FloatArray
    spread: FloatArray

    def rows(self, names: Sequence[str]) -> tuple[FloatArray, FloatArray]:
        """Return (rows, middle): of boards as expected, rows @ vector − middle has variance 1.

        Parameters
        ----------
        names : sequence of str
            Of the vector's numbers; of those not expected nothing is said.

        Returns
        -------
        tuple of ndarray
            Shape (rows, names), per unit of each number (logarithms, V, counts); shape (rows,).
        """
        told = [name for name in names if name in self.names]
        places = [self.names.index(name) for name in told]
        values, directions = np.linalg.eigh(self.spread[np.ix_(places, places)])
        whitened = directions.T / np.sqrt(values)[:, None]
        rows = np.zeros((len(told), len(names)))
        rows[:, [list(names).index(name) for name in told]] = whitened
        return rows, whitened @ self.middle[places]

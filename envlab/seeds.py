"""Where chance comes from: a whole number or a numpy Generator, wherever a seed is asked for."""

from __future__ import annotations

import numpy as np

from envlab.errors import ParameterError

MOST_SEED = 2**32 - 1

Seed = int | np.integer | np.random.Generator


def generator_of(seed: Seed) -> np.random.Generator:
    """Return the Generator that a seed stands for.

    Parameters
    ----------
    seed : int or numpy Generator
        A whole number from 0 to 2**32 - 1 starts a new Generator, always the same one. A Generator is
        handed back, so what draws from it moves it on.

    Returns
    -------
    numpy Generator

    Raises
    ------
    ParameterError
        For anything else.
    """
    if isinstance(seed, np.random.Generator):
        return seed
    return np.random.default_rng(seed_number(seed))


def seed_number(seed: Seed, name: str = "seed") -> int:
    """Return a seed as the whole number that a design file can hold.

    Parameters
    ----------
    seed : int or numpy Generator
        A whole number from 0 to 2**32 - 1 stays as it is; a Generator draws one, and moves on by it.
    name : str
        What the seed is called in an error.

    Returns
    -------
    int

    Raises
    ------
    ParameterError
        For anything else.
    """
    if isinstance(seed, np.random.Generator):
        return int(seed.integers(MOST_SEED, endpoint=True))
    if isinstance(seed, bool) or not isinstance(seed, int | np.integer) or not 0 <= seed <= MOST_SEED:
        raise ParameterError(name, seed, f"a whole number from 0 to {MOST_SEED}")
    return int(seed)

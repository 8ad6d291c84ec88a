"""The general-purpose colour library that the light room is held against."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest


@pytest.fixture(scope="session")
def colour_science() -> Any:
    """colour-science 0.4; its import changes how NumPy prints, which is undone here."""
    settings = np.get_printoptions()
    import colour

    np.set_printoptions(**settings)
    return colour

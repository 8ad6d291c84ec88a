"""One small sweep, drawn by all tests of this folder."""

from __future__ import annotations

import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from reference.small_specification import Case, small_case


@pytest.fixture(scope="session")
def case(tmp_path_factory: pytest.TempPathFactory) -> Case:
    return small_case(tmp_path_factory.mktemp("small-specification"))


@pytest.fixture
def ax() -> Axes:
    return Figure(figsize=(4, 3)).subplots()

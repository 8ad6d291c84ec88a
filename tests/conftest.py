"""Shared by all tests: the import path of tests/reference, how far hypothesis looks, and the quick tier.

Three tiers (see DEVELOPERS.md). `pytest` is the whole but for what is marked slow. `pytest -m quick` is the
part that a change to the circuit, the light or the firmware's arithmetic turns red within a minute: the tests
of the paths in QUICK. `pytest -m slow` is what `.ci/run` adds: long runs on instruction sets, mutants, named
defects.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from hypothesis import settings

TESTS = Path(__file__).parent
sys.path.insert(0, str(TESTS))

# The same examples in every run on every machine; `--hypothesis-profile explore` looks longer, for new ones.
settings.register_profile("default", derandomize=True, deadline=None)
settings.register_profile("explore", derandomize=False, deadline=None, max_examples=2_000, print_blob=True)
settings.load_profile("default")

QUICK = (
    "analog/test_adc.py",
    "analog/test_detector.py",
    "analog/test_rectifier.py",
    "digital/test_followers.py",
    "digital/test_fixed_point.py",
    "engine",
    "light/flashes/test_flash.py",
    "light/test_curve.py",
    "light/test_lightness.py",
    "light/test_table.py",
    "metrics/test_clip_metrics.py",
    "project/test_layers.py",
    "sound/test_interpolate.py",
    "sound/test_level.py",
    "study/specification/test_targets.py",
    "test_chain.py",
    "test_units.py",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark the quick tier; what is slow is never in it."""
    for item in items:
        at = item.path.relative_to(TESTS).as_posix()
        in_quick = any(at == place or at.startswith(f"{place}/") for place in QUICK)
        if in_quick and not any(item.get_closest_marker(name) for name in ("slow", "slow_firmware")):
            item.add_marker("quick")

"""How many examples hypothesis tries: a test's own number, twenty times as many in the profile `explore`."""

from __future__ import annotations

from hypothesis import settings

USUAL = 100


def examples(usual: int) -> settings:
    """Return the settings of a test that usually tries so many examples."""
    return settings(max_examples=usual * (settings.default.max_examples // USUAL))

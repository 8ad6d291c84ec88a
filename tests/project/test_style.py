"""Style, formatting and types of the whole checkout, by the tools that define them."""

from __future__ import annotations


def test_ruff_finds_nothing(run, python):
    run(python, "-m", "ruff", "check", "--no-cache", ".")


def test_ruff_would_change_no_layout(run, python):
    run(python, "-m", "ruff", "format", "--check", "--no-cache", ".")


def test_types_are_strict_and_right(run, python):
    run(python, "-m", "mypy", "envlab")

"""Drivers of the firmware's runtime: one design's files beside a driver that steps them."""

from __future__ import annotations

from pathlib import Path

from .driver import STRICT, Driver


def runtime_driver(
    source: Path,
    files: dict[str, str],
    folder: Path,
    *,
    input_bytes: int,
    record_bytes: int,
    parts: tuple[str, ...] = ("envlab_runtime.c",),
) -> Driver:
    """Write a design's files into `folder` and return a driver of `parts`; every warning is an error."""
    for name, text in files.items():
        (folder / name).write_text(text, "ascii")
    sources = (source, *(folder / part for part in parts))
    return Driver(sources, input_bytes, record_bytes, include=(folder,), warnings=STRICT)

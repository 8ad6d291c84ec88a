"""The command envlab: one verb for each thing that a maker does at the bench, in files by moment.

listening: what the microphone will meet. backwards, choosing: before the board is ordered. multiplying:
before fifty of it are. wiring: before lights and microphone share a supply. returning: the board is back.
returned: what follows from its capture. looking: before the night. export: into the firmware. writing: for
the design file's editor.
"""

from __future__ import annotations

from envlab.cli import bench as returning
from envlab.cli import boards as returned
from envlab.cli import design_sweep as choosing
from envlab.cli import level as listening
from envlab.cli import parts as backwards
from envlab.cli import schema as writing
from envlab.cli import simulate_notebooks as looking
from envlab.cli import table as export
from envlab.cli import tolerance as multiplying
from envlab.cli import wiring
from envlab.cli.group import FLASHING_EXIT, main

__all__ = [
    "FLASHING_EXIT",
    "backwards",
    "choosing",
    "export",
    "listening",
    "looking",
    "main",
    "multiplying",
    "returned",
    "returning",
    "wiring",
    "writing",
]

"""Choose the parts of a microphone envelope detector, judge its lights, export its brightness table.

Every name below loads its module when it is first used, so that `import envlab` itself costs next to nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from envlab.analog.detector import AverageDetector, PeakDetector, detect
    from envlab.analog.rectifier import Rectifier, rectify
    from envlab.chain import Chain, ChainResult
    from envlab.design_file import read_design
    from envlab.light.flashes.flash import count_flashes
    from envlab.light.lightness import lightness_table
    from envlab.light.table import LookupTable
    from envlab.plot.preview.preview import render_preview
    from envlab.sound.recording import Recording, read_recording
    from envlab.study.inverse_design import parts_for
    from envlab.study.sweep.sweep import sweep
    from envlab.study.tolerance.tolerance import tolerance
    from envlab.widget.audition.audition import audition

__version__ = "0.1.0"

__all__ = [
    "AverageDetector",
    "Chain",
    "ChainResult",
    "LookupTable",
    "PeakDetector",
    "Recording",
    "Rectifier",
    "audition",
    "count_flashes",
    "detect",
    "lightness_table",
    "parts_for",
    "read_design",
    "read_recording",
    "rectify",
    "render_preview",
    "sweep",
    "tolerance",
]

_HOMES = {
    "AverageDetector": "envlab.analog.detector",
    "Chain": "envlab.chain",
    "ChainResult": "envlab.chain",
    "LookupTable": "envlab.light.table",
    "PeakDetector": "envlab.analog.detector",
    "Recording": "envlab.sound.recording",
    "Rectifier": "envlab.analog.rectifier",
    "audition": "envlab.widget.audition.audition",
    "count_flashes": "envlab.light.flashes.flash",
    "detect": "envlab.analog.detector",
    "lightness_table": "envlab.light.lightness",
    "parts_for": "envlab.study.inverse_design",
    "read_design": "envlab.design_file",
    "read_recording": "envlab.sound.recording",
    "rectify": "envlab.analog.rectifier",
    "render_preview": "envlab.plot.preview.preview",
    "sweep": "envlab.study.sweep.sweep",
    "tolerance": "envlab.study.tolerance.tolerance",
}

# Hidden from the type checker, which would otherwise let every misspelt name pass.
if not TYPE_CHECKING:

    def __getattr__(name: str) -> object:
        if name not in _HOMES:
            raise AttributeError(f"module 'envlab' has no attribute {name!r}")
        from importlib import import_module

        value = getattr(import_module(_HOMES[name]), name)
        globals()[name] = value
        return value

    def __dir__() -> list[str]:
        return sorted({*globals(), *__all__})

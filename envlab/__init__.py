"""Choose the parts of a microphone envelope detector, judge its lights, export its brightness table.

Every name below loads its module when it is first used, so that `import envlab` itself costs next to nothing.

More names, by what they are for: envlab.stages (what a board is made of), envlab.sound.signals (sounds that
are made), envlab.lights (flashes, current, heat, colour), envlab.judge (metrics and studies of a board),
envlab.study.lessons (what the notebooks explain), envlab.sheets (pictures), envlab.export (tables and C out
and back), envlab.bibliography, envlab.shipped.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from envlab.analog.detector import AverageDetector, PeakDetector, detect
    from envlab.analog.parts import PartRange
    from envlab.analog.rectifiers.ideal import Rectifier, rectify
    from envlab.chain import Chain
    from envlab.design_file import read_design
    from envlab.engine.chain_result import ChainResult
    from envlab.light.flashes.flash import count_flashes
    from envlab.light.lightness import lightness_table
    from envlab.light.table import LookupTable
    from envlab.plot.preview.preview import render_preview
    from envlab.sound.clip import Clip
    from envlab.sound.level import leq_db_spl
    from envlab.sound.recording import Recording, read_recording
    from envlab.study.exported.shown import shown_codes
    from envlab.study.inverse_design import parts_for
    from envlab.study.specification.design_schema import design_schema
    from envlab.study.specification.specification import Judging, Specification, read_specification
    from envlab.study.specification.targets import Target, Targets
    from envlab.study.specification.written import write_specification
    from envlab.study.sweep.choice import Choice, choose
    from envlab.study.sweep.sweep import sweep
    from envlab.study.tolerance.result import ToleranceResult
    from envlab.study.tolerance.tolerance import tolerance
    from envlab.study.tolerance.tolerances import Tolerances
    from envlab.widget.audition.audition import audition
    from envlab.widget.parts_panel import PartsPanel
    from envlab.widget.table_panel import TablePanel

__version__ = "0.3.0"

__all__ = [
    "AverageDetector",
    "Chain",
    "ChainResult",
    "Choice",
    "Clip",
    "Judging",
    "LookupTable",
    "PartRange",
    "PartsPanel",
    "PeakDetector",
    "Recording",
    "Rectifier",
    "Specification",
    "TablePanel",
    "Target",
    "Targets",
    "ToleranceResult",
    "Tolerances",
    "audition",
    "choose",
    "count_flashes",
    "design_schema",
    "detect",
    "leq_db_spl",
    "lightness_table",
    "parts_for",
    "read_design",
    "read_recording",
    "read_specification",
    "rectify",
    "render_preview",
    "shown_codes",
    "sweep",
    "tolerance",
    "write_specification",
]

_HOMES = {
    "AverageDetector": "envlab.analog.detector",
    "Chain": "envlab.chain",
    "ChainResult": "envlab.engine.chain_result",
    "Choice": "envlab.study.sweep.choice",
    "Clip": "envlab.sound.clip",
    "Judging": "envlab.study.specification.specification",
    "LookupTable": "envlab.light.table",
    "PartRange": "envlab.analog.parts",
    "PartsPanel": "envlab.widget.parts_panel",
    "PeakDetector": "envlab.analog.detector",
    "Recording": "envlab.sound.recording",
    "Rectifier": "envlab.analog.rectifiers.ideal",
    "Specification": "envlab.study.specification.specification",
    "TablePanel": "envlab.widget.table_panel",
    "Target": "envlab.study.specification.targets",
    "Targets": "envlab.study.specification.targets",
    "ToleranceResult": "envlab.study.tolerance.result",
    "Tolerances": "envlab.study.tolerance.tolerances",
    "audition": "envlab.widget.audition.audition",
    "choose": "envlab.study.sweep.choice",
    "count_flashes": "envlab.light.flashes.flash",
    "design_schema": "envlab.study.specification.design_schema",
    "detect": "envlab.analog.detector",
    "leq_db_spl": "envlab.sound.level",
    "lightness_table": "envlab.light.lightness",
    "parts_for": "envlab.study.inverse_design",
    "read_design": "envlab.design_file",
    "read_recording": "envlab.sound.recording",
    "read_specification": "envlab.study.specification.specification",
    "rectify": "envlab.analog.rectifiers.ideal",
    "render_preview": "envlab.plot.preview.preview",
    "shown_codes": "envlab.study.exported.shown",
    "sweep": "envlab.study.sweep.sweep",
    "tolerance": "envlab.study.tolerance.tolerance",
    "write_specification": "envlab.study.specification.written",
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

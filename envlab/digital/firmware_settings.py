"""What the exported firmware is asked for beside its table: what moves its window, and its guard."""

from __future__ import annotations

from dataclasses import dataclass

from envlab.digital.auto_level import AutoLevel, LevelControl, OffsetSteps
from envlab.errors import check_choice

SENSITIVITIES = ("none", "steps", "automatic")


@dataclass(frozen=True)
class FirmwareSettings:
    """What is exported beside the table; section [firmware] of a design file.

    Parameters
    ----------
    sensitivity : str
        What moves floor and ceiling in the field: "none" nothing, "steps" a button in steps of 3 dB,
        "automatic" the music.
    guard : str
        "on" or "off": whether the runtime holds a change of the light that would complete a fourth flash
        within a second.

    Raises
    ------
    ParameterError
        For any other word.

    Examples
    --------
    >>> from envlab.stages import FirmwareSettings
    >>> FirmwareSettings(sensitivity="steps").level.steps
    7
    """

    sensitivity: str = "none"
    guard: str = "on"

    def __post_init__(self) -> None:
        check_choice("sensitivity", self.sensitivity, SENSITIVITIES)
        check_choice("guard", self.guard, ("on", "off"))

    @property
    def level(self) -> LevelControl | None:
        """What moves the window, in the runtime's own terms; None where it stays."""
        return level_control(self.sensitivity)

    @property
    def is_guarded(self) -> bool:
        """Whether the flash guard is part of what is exported."""
        return self.guard == "on"


def level_control(sensitivity: str) -> LevelControl | None:
    """Return what moves the window at a sensitivity of SENSITIVITIES; None for "none"."""
    check_choice("sensitivity", sensitivity, SENSITIVITIES)
    if sensitivity == "steps":
        return OffsetSteps()
    return AutoLevel() if sensitivity == "automatic" else None

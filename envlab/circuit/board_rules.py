"""Everything that a bench would show to be wrong with a board: of its stages, its circuit, its amplifiers."""

from __future__ import annotations

from typing import Protocol

from envlab.analog.design_rules import design_rule_warnings
from envlab.analog.rectifiers.active import ActiveRectifier
from envlab.analog.rectifiers.pumps import Bridge
from envlab.circuit.circuit import BoardWithParts, circuit_of
from envlab.circuit.design_rules import amplifier_warnings, circuit_warnings
from envlab.light.curve import BrightnessMap


class BoardAsAsked(BoardWithParts, Protocol):
    """A board with the light that is asked of it; envlab.Chain is one."""

    @property
    def brightness(self) -> BrightnessMap:
        """Levels between which the light moves."""

    def peak_at_rectifier_v(self, level_db_spl: float) -> float:
        """Return the peak at the rectifier of a tone at a level, V."""


def board_warnings(board: BoardAsAsked) -> tuple[str, ...]:
    """Return one sentence for each thing that is wrong with a board; none if it is sound."""
    found = design_rule_warnings(
        board.preamp,
        board.band_filter,
        board.rectifier,
        board.detector_as_built,
        board.adc_as_built,
        board.quiescent_v,
    )
    return (*found, *circuit_warnings(circuit_of(board)), *_of_amplifiers(board))


def _of_amplifiers(board: BoardAsAsked) -> tuple[str, ...]:
    if not isinstance(board.rectifier, (ActiveRectifier, Bridge)):
        return ()
    asked = board.brightness
    peaks_v = [board.peak_at_rectifier_v(level) for level in (asked.floor_db_spl, asked.ceiling_db_spl)]
    return amplifier_warnings(board.rectifier, board.preamp, asked.floor_db_spl, *peaks_v)

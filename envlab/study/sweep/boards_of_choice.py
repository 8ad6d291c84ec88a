"""The boards that a design run takes the time for, once its parts are chosen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from envlab.engine.side_by_side import runs_side_by_side
from envlab.study.specification.specification import Specification
from envlab.study.sweep.choice import Choice
from envlab.study.sweep.verdict_words import eased_words
from envlab.study.tolerance.result import ToleranceResult
from envlab.study.tolerance.tolerance import tolerance as many_boards

# What a design run takes the time for; the verb asks for as many as the design file says.
DESIGN_BOARDS = 300
# Boards that run one by one: what a second of clips takes, measured on two cores, and the time that is taken.
_SECONDS_A_SECOND, _MOST_S, _FEWEST = 6e-3, 60.0, 20


def boards_of_choice(
    specification: Specification, choice: Choice, report: Callable[[str, float], None]
) -> ToleranceResult | None:
    """Return what becomes of a design run's choice on some hundred boards, by the targets that count.

    None if it must not be built, or if its boards have to run one by one and that would take minutes.
    """
    if not choice.flash_safe:
        return None
    most = DESIGN_BOARDS
    if not runs_side_by_side(choice.chain, [choice.chain]):
        length_s = sum(sound.duration_s for sound in specification.sounds)
        # Each board is simulated some six times over, for the yield and for what causes the loss.
        most = int(_MOST_S / (_SECONDS_A_SECOND * length_s) / 6)
    if most < _FEWEST:
        return None
    tolerances = replace(
        specification.tolerance, boards=min(most, DESIGN_BOARDS, specification.tolerance.boards)
    )
    ranked = choice.ranking.specification(specification)
    finals = {} if choice.boards is None else choice.boards.finals
    heard = finals[choice.number].heard if choice.number in finals else None
    result = many_boards(ranked, chain=choice.chain, tolerances=tolerances, heard=heard, progress=report)
    return replace(result, sentences=(*eased_words(choice.ranking.replaced), *result.sentences))

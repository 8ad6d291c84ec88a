"""How loud things usually are, and what ears bear, with where each number comes from.

For somebody who has no meter at hand. Sources: [CDC2022], [NIDCD2022], [Keefe2005]; of ears [WHO2021] and
[NIOSH98-126]. Two groups of people, both of the trade of hearing, state levels of the
same thing 10 dB apart; whoever can, measures.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class UsualLevel:
    """One line of the table.

    what: sounds. low, high: dB, as weighting says. weighting: "A", or "" where the source does not say.
    source: key of the bibliography. hearing: it speaks of what ears bear.
    """

    what: str
    low: float
    high: float
    weighting: str
    source: str
    hearing: bool = False

    @property
    def level(self) -> str:
        """As in "60 to 70 dB(A)", "30 dB"."""
        span = f"{self.low:g}" if self.low == self.high else f"{self.low:g} to {self.high:g}"
        return f"{span} dB" + (f"({self.weighting})" if self.weighting else "")


# The day of work that the recommendation for ears counts with, hours.
WORKDAY_H = 8.0

USUAL_LEVELS = (
    UsualLevel("a whisper", 30, 30, "", "CDC2022"),
    UsualLevel("talking, a step away", 60, 70, "A", "NIDCD2022"),
    UsualLevel("a washing machine", 70, 70, "", "CDC2022"),
    UsualLevel("city traffic, from inside a car", 80, 85, "", "CDC2022"),
    UsualLevel("a film in a cinema", 74, 104, "A", "NIDCD2022"),
    UsualLevel("a motorcycle", 80, 110, "A", "NIDCD2022"),
    UsualLevel("a sports crowd, a concert", 94, 110, "A", "NIDCD2022"),
    UsualLevel("among marching drums, often over", 100, 100, "A", "Keefe2005"),
    UsualLevel("a siren close by", 110, 129, "A", "NIDCD2022"),
    UsualLevel("ears: 40 hours a week for a lifetime", 80, 80, "A", "WHO2021", hearing=True),
    UsualLevel("ears: 8 hours a day", 85, 85, "A", "NIOSH98-126", hearing=True),
    UsualLevel("ears: an hour a day", 94, 94, "A", "NIOSH98-126", hearing=True),
    UsualLevel("ears: a quarter of an hour a day", 100, 100, "A", "NIOSH98-126", hearing=True),
)


def usual_levels_lines() -> tuple[str, ...]:
    """Return the table as text, 79 columns at most: level, what, source."""
    return tuple(f"{one.level:<17}{one.what:<46}[{one.source}]" for one in USUAL_LEVELS)


def usual_levels_table() -> pd.DataFrame:
    """Return the table: what, level, source (key of the bibliography), hearing (whether it is about ears).

    Returns
    -------
    DataFrame
        Levels are text, dB or dB(A), as each source states them.

    Examples
    --------
    >>> from envlab.judge import usual_levels_table
    >>> usual_levels_table().iloc[1]["level"]
    '60 to 70 dB(A)'
    """
    import pandas as pd

    rows = [(one.what, one.level, one.source, one.hearing) for one in USUAL_LEVELS]
    return pd.DataFrame(rows, columns=["what", "level", "source", "hearing"])


def hours_a_day(level_db_a: float) -> float:
    """Return how long ears bear a level in dB(A) each day, hours, at most 24 [NIOSH98-126].

    8 hours at 85 dB(A), halved for every 3 dB more; the recommendation for work, which keeps most people's
    hearing, not everybody's.

    Parameters
    ----------
    level_db_a : float
        dB(A).

    Returns
    -------
    float

    References
    ----------
    [NIOSH98-126] Recommended exposure limit.

    Examples
    --------
    >>> from envlab.sound.metering.usual_levels import hours_a_day
    >>> hours_a_day(85.0), hours_a_day(94.0), hours_a_day(60.0)
    (8.0, 1.0, 24.0)
    """
    return float(min(24.0, WORKDAY_H * 2.0 ** ((85.0 - level_db_a) / 3.0)))

"""What the tool says, as records: of what kind a sentence is, its text, and the numbers behind it.

Whoever shows sentences asks for them by kind. Nobody counts places in a list, and a test looks at the numbers
behind a sentence and not at its wording.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Sentence:
    """One sentence, or two that belong together.

    kind: what it speaks of, as in "verdict". text: for people. behind: the numbers and names that it rests
    on, by name; a metric goes by its key.
    """

    kind: str
    text: str
    behind: Mapping[str, float | str] = field(default_factory=dict)


def of_kind(sentences: Iterable[Sentence], *kinds: str) -> tuple[Sentence, ...]:
    """Return the sentences of these kinds, in the order in which the kinds are named.

    Examples
    --------
    >>> said = (Sentence("yield", "All do."), Sentence("headline", "Chosen."), Sentence("yield", "Buy."))
    >>> [one.text for one in of_kind(said, "headline", "yield")]
    ['Chosen.', 'All do.', 'Buy.']
    """
    listed = tuple(sentences)
    return tuple(one for kind in kinds for one in listed if one.kind == kind)


def texts(sentences: Iterable[Sentence]) -> tuple[str, ...]:
    """Return what the sentences say."""
    return tuple(one.text for one in sentences)

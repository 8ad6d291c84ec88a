"""The report's section on which pixels light: every layout of light on the chosen board."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from envlab.study.layouts.words import HEADINGS, KINDS, table_rows
from envlab.study.sentences import Sentence, of_kind, texts
from envlab.units import keep_together

if TYPE_CHECKING:
    from envlab.study.layouts.comparison import LayoutComparison

IN_SHORT = ("layouts_played", "layouts_over", "layouts_limit")
FAVOURS = ("layouts_near", "layouts_far")


@dataclass(frozen=True)
class LayoutRow:
    """One layout's cells under the headings; whether it is the design's, and keeps what is hard."""

    cells: tuple[str, ...]
    is_worn: bool
    keeps: bool


@dataclass(frozen=True)
class LayoutsSection:
    """Sentences for everybody, what the numbers favour, others for who looks closer; rows of the table."""

    sentences: tuple[str, ...]
    favours: tuple[str, ...]
    details: tuple[str, ...]
    headings: tuple[str, ...]
    rows: tuple[LayoutRow, ...]


def layouts_section(found: LayoutComparison | None) -> LayoutsSection | None:
    """Return the section on a comparison; None without one."""
    if found is None:
        return None
    said = found.sentences
    own = [one for one in of_kind(said, "layouts_region") if one.behind.get("layout") == found.worn]
    others = [kind for kind in KINDS if kind not in (*IN_SHORT, *FAVOURS)]
    return LayoutsSection(
        sentences=_held((*of_kind(said, *IN_SHORT), *own)),
        favours=_held(of_kind(said, *FAVOURS)),
        details=_held(one for one in of_kind(said, *others) if one not in own),
        headings=HEADINGS,
        rows=tuple(
            LayoutRow(cells, one.name == found.worn, found.keeps(one))
            for cells, one in zip(table_rows(found), found.figures, strict=True)
        ),
    )


def _held(said: Iterable[Sentence]) -> tuple[str, ...]:
    return tuple(keep_together(text).replace("L* ", "L*\u00a0") for text in texts(said))

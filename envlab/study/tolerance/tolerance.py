"""What becomes of one design on many boards: parts a little off, cold nights, tired packs.

Each board's parts are drawn within their tolerances (spread.py), and the board is judged as a candidate of
the sweep is, but with the firmware of the design: one table is exported, and every board runs it. Noise is
the same for all, so that boards differ by their parts alone.

Boards of the usual kind run side by side (analog/bank/tolerance_bank.py). Against the exact simulation of the same
boards no reading moves by more than one count, and fewer than one in a hundred by that, one in fifty where
corners lie in the bass (tests/study/tolerance/test_board_run.py measures it); on thirty boards of the parade, all
clips, no figure moved by a thousandth of its spread and no verdict on any target changed. A board as designed
is reproduced to the last bit. Any other boards, as those with passive diodes, run one by one, exactly, which
takes some hundred times longer.

The part that causes most of the loss. For each source of spread half of the boards, 40 to 300 (of those that
run one by one 40), are simulated once more with the same draws of all other sources, and this one as
designed. What the yield gains by it is what one would gain by buying that part exact. The gains need not add
up to the loss: a board may need two parts mended, or either of two. A share of variance would add up, but it
speaks of how a figure spreads, not of boards beyond a limit. Targets that the design itself misses are left
aside: no tighter part mends them. Passed over, gain 0, are sources that move no target's figure by 1 % of
its scale at either of their ends, and those on whose draws it does not visibly depend whether a board meets
its targets (tolerance_tables.shows_in).

Corners. For each figure with a target, every source stands at that of its ends that hurts the figure more,
found one source at a time from the board as designed; where neither end moves it (flashes are whole numbers),
by the sign of the correlation over the boards, if that is beyond chance. That board is simulated exactly. If
a figure is no monotone function of each part, some board may be worse still: the worst of the boards stands
in the table of spread.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from envlab.chain import Chain
from envlab.engine.side_by_side import runs_side_by_side
from envlab.errors import EnvlabError, ParameterError
from envlab.study.specification.specification import Brief
from envlab.study.specification.targets import FLASH_FIGURE, Target
from envlab.study.tolerance.board_metrics import BoardJudge, Columns
from envlab.study.tolerance.tables import FEW, corner_of, meets, shows_in, spread_table, target_table
from envlab.study.tolerance.tolerances import Source, Spread, board_of, draw, sources_of
from envlab.study.tolerance.words import LEAST_GAIN, words_of
from envlab.units import BoolArray, FloatArray

if TYPE_CHECKING:
    import pandas as pd

Progress = Callable[[str, float], None]

# Boards that are simulated again for each cause: the same draws, so that 300 tell a gain of 2 % from none.
CAUSE_BOARDS = 300
CAUSE_BOARDS_ONE_BY_ONE = 40
# Tighter parts are tried for the causes that cost most, if they cost anything.
_TIGHTER = 3
_MOVES = 0.01


@dataclass(frozen=True, eq=False)
class ToleranceResult:
    """What many boards of one design do.

    assumed: how far they lie apart. sources: what differs. boards: one row a board: deviations (units in the
    names), figures, meets_all. nominal: the figures of the board as designed. yield_share: of the boards,
    those that meet all targets and the flash limit, 0 to 1.
    targets: one row a target, the flash limit first: figure, target (words), side, limit, nominal,
    yield_share.
    spread: one row a figure with a target: figure, nominal, low_5, median, high_95, worst, limit.
    causes: one row a source, the costliest first: name, label, range (text), yield_if_exact, gain,
    tighter (text, "" if not tried), yield_if_tighter; of the targets that the design itself meets.
    corners: one row a figure that any source moves: figure, limit, nominal, value, meets, at (text: what
    stands where, what moves the figure most first).
    words: sentences, one a line.
    """

    assumed: Spread
    sources: tuple[Source, ...]
    boards: pd.DataFrame
    nominal: pd.Series
    yield_share: float
    targets: pd.DataFrame
    spread: pd.DataFrame
    causes: pd.DataFrame
    corners: pd.DataFrame
    words: tuple[str, ...] = ()


def tolerance(
    brief: Brief,
    chain: Chain,
    *,
    spread: Spread | None = None,
    workers: int = 2,
    progress: Progress | None = None,
) -> ToleranceResult:
    """Return what becomes of a design on many boards; chain: the design, brief: clips, targets, ranges.

    spread: None takes the brief's. progress: called with what is being done and the share that is done, 0 to
    1. Raises ParameterError for a spread that the board cannot have, EnvlabError where no board works.
    """
    import pandas as pd

    spread = spread or brief.tolerance
    if not brief.clips:
        raise ParameterError("clips", 0, "at least one clip")
    study = _Study(brief, chain, spread, workers, progress or _ignore)
    drawn = draw(study.sources, spread.boards, spread.seed)
    ends = study.ends()
    designed = np.full((1, len(study.sources)), np.nan)
    figures = study.judge(np.concatenate((designed, ends, drawn)), (0.0, 0.5), "Boards")
    nominal, at_ends = figures.iloc[0], figures.iloc[1 : len(ends) + 1]
    boards = figures.iloc[len(ends) + 1 :].reset_index(drop=True)
    if boards[FLASH_FIGURE].isna().all():
        raise EnvlabError("no board works within this spread: some range leaves what a part can be")
    targets = study.targets(nominal)
    met = meets(boards, targets)
    values = pd.DataFrame(drawn, columns=[source.name for source in study.sources])
    all_met: BoolArray = np.logical_and.reduce(met, axis=1)
    result = ToleranceResult(
        assumed=spread,
        sources=tuple(study.sources),
        boards=pd.concat((values, boards), axis=1).assign(meets_all=all_met).rename_axis("board"),
        nominal=nominal,
        yield_share=float(all_met.mean()),
        targets=target_table(targets, nominal, met),
        spread=spread_table(targets, nominal, boards),
        causes=study.causes(drawn, boards, at_ends, nominal, targets),
        corners=study.corners(drawn, boards, at_ends, nominal, targets),
    )
    return replace(result, words=words_of(result, brief))


def _ignore(what: str, share: float) -> None:
    del what, share


@dataclass(frozen=True, eq=False)
class _Study:
    brief: Brief
    chain: Chain
    spread: Spread
    workers: int
    report: Progress

    @functools.cached_property
    def sources(self) -> list[Source]:
        return sources_of(self.chain, self.spread, self.brief.ranges)

    @functools.cached_property
    def near(self) -> BoardJudge:
        recordings = [clip.sound() for clip in self.brief.clips]
        return BoardJudge(self.brief, self.chain, recordings, self.workers)

    def ends(self) -> FloatArray:
        """One board for each end of each source, the others as designed; shape (2·sources, sources)."""
        count = len(self.sources)
        ends = np.full((2 * count, count), np.nan)
        for i, source in enumerate(self.sources):
            ends[2 * i, i], ends[2 * i + 1, i] = source.low, source.high
        return ends

    def board(self, row: FloatArray) -> Chain | None:
        """The board of a row of values, NaN for "as designed"; None if such a board does not work at all."""
        known = ~np.isnan(row)
        sources = [source for source, is_known in zip(self.sources, known, strict=True) if is_known]
        try:
            return board_of(self.chain, sources, row[known])
        except ParameterError:
            return None

    def judge(
        self, values: FloatArray, span: tuple[float, float], what: str, *, exactly: bool = False
    ) -> pd.DataFrame:
        """One row of figures a board; NaN throughout where a board does not work. span: of the progress."""
        import pandas as pd

        made = [self.board(row) for row in values]
        works = np.array([one is not None for one in made])

        def tell(label: str, share: float) -> None:
            self.report(f"{what}: {label}", span[0] + (span[1] - span[0]) * share)

        judge = replace(self.near, one_by_one=exactly)
        # At least the board as designed works; where it is not asked for, it lends the names of the figures.
        boards = [one for one in made if one] or [self.chain]
        figures = judge.figures(boards, tell)
        return pd.DataFrame(_filled(figures, works))

    def targets(self, nominal: pd.Series) -> list[Target]:
        """The flash limit, then every soft target that the clips let one judge."""
        flash = Target(FLASH_FIGURE, "at_most", self.brief.targets.flash_limit, 1.0)
        return [flash, *(t for t in self.brief.targets.soft if np.isfinite(nominal.get(t.figure, np.nan)))]

    def causes(
        self,
        drawn: FloatArray,
        boards: pd.DataFrame,
        at_ends: pd.DataFrame,
        nominal: pd.Series,
        targets: list[Target],
    ) -> pd.DataFrame:
        """What the yield would be with each source exact, and with the costliest parts a class tighter."""
        import pandas as pd

        quick = runs_side_by_side(self.chain, [self.chain])
        some = min(CAUSE_BOARDS, max(FEW, len(drawn) // 2)) if quick else CAUSE_BOARDS_ONE_BY_ONE
        every, drawn = drawn, drawn[:some]
        kept = [t for t in targets if t.violation(np.asarray(nominal[t.figure])) == 0]
        met: BoolArray = np.logical_and.reduce(meets(boards, kept), axis=1)
        whole, before = float(met.mean()), float(met[: len(drawn)].mean())
        places = range(len(self.sources))
        exact = np.full(len(places), whole)
        if before < 1:
            moving = [
                i
                for i in places
                if _moves(at_ends.iloc[2 * i : 2 * i + 2], nominal, kept) and shows_in(every[:, i], met)
            ]
            found = self._yields([_changed(drawn, i, np.nan) for i in moving], kept, (0.5, 0.75))
            exact[moving] = _of_all(found, before, whole)
        order = sorted(places, key=lambda i: (whole - exact[i], i))
        tighter = {
            i: step for i in order if exact[i] >= whole + LEAST_GAIN and (step := self.sources[i].tighter())
        }
        tighter = dict(list(tighter.items())[:_TIGHTER])
        tried = [_changed(drawn, i, drawn[:, i] * share) for i, (share, _) in tighter.items()]
        found = self._yields(tried, kept, (0.75, 0.85))
        then = dict(zip(tighter, _of_all(found, before, whole), strict=True))
        rows = [
            {
                "name": self.sources[i].name,
                "label": self.sources[i].label,
                "range": self.sources[i].range_text,
                "yield_if_exact": exact[i],
                "gain": exact[i] - whole,
                "tighter": tighter[i][1] if i in tighter else "",
                "yield_if_tighter": then.get(i, np.nan),
            }
            for i in order
        ]
        names = ["name", "label", "range", "yield_if_exact", "gain", "tighter", "yield_if_tighter"]
        return pd.DataFrame(rows, columns=names)

    def _yields(
        self, variants: list[FloatArray], targets: list[Target], span: tuple[float, float]
    ) -> FloatArray:
        if not variants:
            return np.empty(0)
        met = meets(self.judge(np.concatenate(variants), span, "Causes"), targets)
        all_met: BoolArray = np.logical_and.reduce(met, axis=1)
        return np.asarray(all_met.reshape(len(variants), -1).mean(axis=1))

    def corners(
        self,
        drawn: FloatArray,
        boards: pd.DataFrame,
        at_ends: pd.DataFrame,
        nominal: pd.Series,
        targets: list[Target],
    ) -> pd.DataFrame:
        """The board with every source at the end that hurts, for each figure that any source moves."""
        import pandas as pd

        found = [
            (target, corner)
            for target in targets
            if (
                corner := corner_of(
                    target, self.sources, drawn, boards[target.figure], at_ends[target.figure]
                )
            )
        ]
        columns = ["figure", "limit", "nominal", "value", "meets", "at"]
        if not found:
            return pd.DataFrame(columns=columns)
        distinct = {corner.values.tobytes(): corner.values for _, corner in found}
        figures = self.judge(np.stack(list(distinct.values())), (0.85, 1.0), "Corners", exactly=True)
        place = {key: i for i, key in enumerate(distinct)}
        table = []
        for target, corner in found:
            at = figures.iloc[[place[corner.values.tobytes()]]]
            met = bool(meets(at, [target])[0, 0])
            value = float(at[target.figure].iloc[0])
            wanted = (target.figure, target.limit, float(nominal[target.figure]))
            table.append((*wanted, value, met, corner.text(self.sources)))
        return pd.DataFrame(table, columns=columns)


def _filled(columns: Columns, works: BoolArray) -> Columns:
    if works.all():
        return columns
    full = {name: np.full(works.size, np.nan) for name in columns}
    for name, values in columns.items():
        full[name][works] = values[: np.count_nonzero(works)]
    return full


def _of_all(found: FloatArray, before: float, whole: float) -> FloatArray:
    """Yields of some boards, which had before, for all boards, which have whole: the loss shrinks alike."""
    return found if before == 1 else np.clip(1 - (1 - whole) * (1 - found) / (1 - before), 0.0, 1.0)


def _changed(values: FloatArray, source: int, column: FloatArray | float) -> FloatArray:
    changed = values.copy()
    changed[:, source] = column
    return changed


def _moves(at_ends: pd.DataFrame, nominal: pd.Series, targets: list[Target]) -> bool:
    """Whether either end moves any target's figure by more than a little of its scale, or is no board."""
    for target in targets:
        moved = np.abs(at_ends[target.figure].to_numpy(float) - float(nominal[target.figure]))
        if not (moved <= _MOVES * target.scale).all():
            return True
    return False

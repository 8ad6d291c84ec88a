"""What becomes of one design on many boards: parts a little off, cold nights, tired packs.

Each board's parts are drawn within their tolerances (drawn_boards.py), and the board is judged as a candidate
of the sweep is, but with the firmware of the design: one table is exported, and every board runs it. Noise is
the same for all, so that boards differ by their parts alone.

Boards of the usual kind run side by side (analog/bank/tolerance_bank.py). Against the exact simulation of the
same boards no reading moves by more than one count, and at most some one in a hundred by that, one in fifty
where corners lie in the bass (tests/study/tolerance/test_board_run.py measures it); on thirty boards of the
parade, all clips, no metric moved by a thousandth of its spread and no verdict on any target changed. A board
as designed is reproduced to the last bit. Boards whose rectifier has amplifiers run so as well, ten times
quicker than one by one. Any other boards, as those with passive diodes, run one by one, exactly, which takes
some hundred times as long as ideal rectifiers side by side.

The part that causes most of the loss. For each varied parameter half of the boards, 40 to 300 (of those that
run one by one 40), are simulated once more with the same draws of all other parameters, and this one as
designed. What the yield gains by it is what one would gain by buying that part exact. The gains need not add
up to the loss: a board may need two parts mended, or either of two. A share of variance would add up, but it
speaks of how a metric spreads, not of boards beyond a limit. Targets that the design itself misses are left
aside: no tighter part mends them. Passed over, gain 0, are parameters that move no target's metric by 1 % of
its scale at either of their ends, and those on whose draws it does not visibly depend whether a board meets
its targets (tables.shows_in).

How sure the clips' levels are (level_uncertainty_db) is one of the things in which nights differ: one draw a
board, by which it hears every clip louder or softer, each in proportion to its own uncertainty. Its bench
signals stay what they are.

Worst cases. For each metric with a target, every parameter stands at that of its ends that hurts the metric
more, found one parameter at a time from the board as designed; where neither end moves it (flashes are whole
numbers), by the sign of the correlation over the boards, if that is beyond chance. That board is simulated
exactly. If a metric is no monotone function of each part, some board may be worse still: the worst of the
boards stands in the table of distributions.
"""

from __future__ import annotations

import functools
import math
import os
from collections.abc import Callable, Sequence, Set
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from envlab.chain import Chain
from envlab.engine.side_by_side import runs_side_by_side
from envlab.errors import EnvlabError, NotJudgedError, ParameterError
from envlab.metrics.catalogue import FLASH_METRIC
from envlab.metrics.judgeable import release_s, why_not_judged
from envlab.study.specification.heard_sounds import sounds_of
from envlab.study.specification.specification import Specification, as_specification
from envlab.study.specification.targets import Target
from envlab.study.tolerance.board_columns import Columns
from envlab.study.tolerance.board_metrics import BoardJudge
from envlab.study.tolerance.drawn_boards import draw, levels_off_db, moved_one_at_a_time, working_board
from envlab.study.tolerance.heard_boards import HeardBoards
from envlab.study.tolerance.operating_conditions import moved_parts
from envlab.study.tolerance.result import ConditionEnd, ToleranceResult
from envlab.study.tolerance.tables import (
    FEW,
    changes,
    distribution_table,
    meets,
    moves,
    of_all,
    shows_in,
    target_table,
    with_column,
    worst_case_of,
)
from envlab.study.tolerance.tolerances import Tolerances, VariedParameter, varied_parameters
from envlab.study.tolerance.words import LEAST_GAIN, sentences_of
from envlab.units import BoolArray, FloatArray

if TYPE_CHECKING:
    import pandas as pd

Progress = Callable[[str, float], None]

# Boards that are simulated again for each cause: the same draws, so that 300 tell a gain of 2 % from none.
CAUSE_BOARDS = 300
CAUSE_BOARDS_ONE_BY_ONE = 40
# Tighter parts are tried for the causes that cost most, if they cost anything.
_TIGHTER = 3


def tolerance(
    specification: Specification | str | os.PathLike[str],
    *,
    chain: Chain | None = None,
    tolerances: Tolerances | None = None,
    heard: HeardBoards | None = None,
    workers: int = 2,
    progress: Progress | None = None,
) -> ToleranceResult:
    """Build many boards of one design in the computer, parts a little off, and judge each.

    Parameters
    ----------
    specification : Specification or path
        What is asked; a path is that of a design file. Its ranges are not swept; they say how far a part
        may lie off.
    chain : Chain
        The design, in place of the specification's own: what a choice made of it.
    tolerances : Tolerances
        How far boards may lie apart, in place of the specification's own.
    heard : HeardBoards
        What these very boards made of the clips already, as a choice keeps it; the result is the same.
    workers : int
        Processor threads, 1 or more.
    progress : callable
        Called with what is being done and the share that is done, 0 to 1.

    Returns
    -------
    ToleranceResult

    Raises
    ------
    FileError
        For a design file or a clip that cannot be read.
    ParameterError
        For no clips, or tolerances that the board cannot have.
    EnvlabError
        Where no board works; NotJudgedError where no clip can show how often the lights flash.

    Examples
    --------
    >>> import envlab
    >>> from envlab.sound.signals import tone
    >>> hum = envlab.Recording(tone(60.0, 1.0, 2.0, 8000.0), 8000.0, name="hum")
    >>> asked = envlab.Specification(
    ...     envlab.Chain(),
    ...     clips=[envlab.Clip(hum, 92.0)],
    ...     targets=envlab.Targets((envlab.Target("ripple_db", "at_most", 1.5, 1.0),)),
    ...     tolerance=envlab.Tolerances(boards=40),
    ... )
    >>> envlab.tolerance(asked)
    <ToleranceResult: 40 boards, 100 % meet 2 targets>
    """
    import pandas as pd

    specification = as_specification(specification)
    chain = specification.chain if chain is None else chain
    tolerances = specification.tolerance if tolerances is None else tolerances
    if not specification.clips:
        raise ParameterError("clips", 0, "at least one clip")
    study = _Study(specification, chain, tolerances, workers, progress or _ignore)
    drawn = draw(study.parameters, tolerances.boards, tolerances.seed)
    moved = moved_one_at_a_time(study.parameters)
    known = None if heard is None else heard.first(len(drawn))
    metrics = study.judge(np.concatenate((moved, drawn)), (0.0, 0.5), "Boards", heard=known)
    nominal, at_ends = metrics.iloc[0], metrics.iloc[1 : len(moved)]
    boards = metrics.iloc[len(moved) :].reset_index(drop=True)
    if math.isnan(nominal[FLASH_METRIC]):
        raise NotJudgedError(f"how many boards are good cannot be said: {_why_not_judged(study)}")
    if boards[FLASH_METRIC].isna().all():
        raise EnvlabError("no board works within these tolerances: some range leaves what a part can be")
    targets = study.targets(nominal)
    met = meets(boards, targets)
    values = pd.DataFrame(drawn, columns=[parameter.name for parameter in study.parameters])
    all_met: BoolArray = np.logical_and.reduce(met, axis=1)
    result = ToleranceResult(
        assumed=tolerances,
        parameters=tuple(study.parameters),
        boards=pd.concat((values, boards), axis=1).assign(meets_all=all_met).rename_axis("board"),
        nominal=nominal,
        yield_share=float(all_met.mean()),
        targets=target_table(targets, nominal, met),
        distribution=distribution_table(targets, nominal, boards),
        causes=study.causes(drawn, boards, at_ends, nominal, targets),
        worst_cases=study.worst_cases(drawn, boards, at_ends, nominal, targets),
        conditions=study.conditions(at_ends, nominal, targets),
    )
    return replace(result, sentences=sentences_of(result, specification))


def _why_not_judged(study: _Study) -> str:
    """Why flashes are judged on no clip."""
    reasons = [
        f"{clip.label}: {why.get('every') or why.get(FLASH_METRIC)}"
        for clip, sound in zip(study.specification.clips, study.near.recordings, strict=True)
        if (why := why_not_judged(clip, sound, release_s(study.chain.detector_as_built)))
    ]
    return f"flashes are judged on no clip ({'; '.join(reasons)})"


def _ignore(what: str, share: float) -> None:
    del what, share


@dataclass(frozen=True, eq=False)
class _Study:
    specification: Specification
    chain: Chain
    tolerances: Tolerances
    workers: int
    report: Progress

    @functools.cached_property
    def parameters(self) -> list[VariedParameter]:
        specification = self.specification
        return varied_parameters(self.chain, self.tolerances, specification.ranges, specification.clips)

    @functools.cached_property
    def near(self) -> BoardJudge:
        sounds = sounds_of(self.specification, self.chain)
        return BoardJudge(self.specification, self.chain, sounds, self.workers)

    def judge(
        self,
        values: FloatArray,
        span: tuple[float, float],
        what: str,
        *,
        exactly: bool = False,
        heard: HeardBoards | None = None,
        wanted: Sequence[Set[str]] | None = None,
    ) -> pd.DataFrame:
        """One row of metrics a board; NaN throughout where a board does not work.

        span: of the progress. wanted: of each board the metrics that will be read, if not all.
        """
        import pandas as pd

        if heard is None:
            made = [working_board(self.chain, self.parameters, row) for row in values]
        else:
            made = heard.built(self.chain, self.parameters, values)
        works = np.array([one is not None for one in made])

        def tell(label: str, share: float) -> None:
            self.report(f"{what}: {label}", span[0] + (span[1] - span[0]) * share)

        judge = replace(self.near, one_by_one=exactly)
        # At least the board as designed works; where it is not asked for, it lends the names of the metrics.
        boards = [one for one in made if one] or [self.chain]
        louder_db = levels_off_db(self.parameters, values)[works] if works.any() else np.zeros(1)
        if wanted is not None:
            wanted = [names for names, does in zip(wanted, works, strict=True) if does] or [set[str]()]
        metrics = judge.metrics(boards, tell, louder_db, heard, wanted)
        return pd.DataFrame(_filled(metrics, works))

    def targets(self, nominal: pd.Series) -> list[Target]:
        """The flash limit, then every soft target that the clips let one judge."""
        flash = Target(FLASH_METRIC, "at_most", self.specification.targets.flash_limit, 1.0)
        return [
            flash,
            *(t for t in self.specification.targets.soft if np.isfinite(nominal.get(t.metric, np.nan))),
        ]

    def conditions(
        self, at_ends: pd.DataFrame, nominal: pd.Series, targets: list[Target]
    ) -> tuple[ConditionEnd, ...]:
        """What the ends of the temperature do to parts and metrics of the board as designed."""
        found = []
        for i, parameter in enumerate(self.parameters):
            if parameter.name != "temperature_c":
                continue
            for row, end_c in ((2 * i, parameter.low), (2 * i + 1, parameter.high)):
                moved = moved_parts(self.chain, end_c)
                if moved:
                    metrics = changes(at_ends.iloc[row], nominal, targets)
                    found.append(ConditionEnd(end_c, moved, metrics))
        return tuple(found)

    def causes(
        self,
        drawn: FloatArray,
        boards: pd.DataFrame,
        at_ends: pd.DataFrame,
        nominal: pd.Series,
        targets: list[Target],
    ) -> pd.DataFrame:
        """What the yield would be with each parameter exact, and with the costliest parts a class tighter."""
        import pandas as pd

        quick = runs_side_by_side(self.chain, [self.chain])
        some = min(CAUSE_BOARDS, max(FEW, len(drawn) // 2)) if quick else CAUSE_BOARDS_ONE_BY_ONE
        every, drawn = drawn, drawn[:some]
        kept = [t for t in targets if t.violation(np.asarray(nominal[t.metric])) == 0]
        met: BoolArray = np.logical_and.reduce(meets(boards, kept), axis=1)
        whole, before = float(met.mean()), float(met[: len(drawn)].mean())
        places = range(len(self.parameters))
        exact = np.full(len(places), whole)
        if before < 1:
            moving = [
                i
                for i in places
                if moves(at_ends.iloc[2 * i : 2 * i + 2], nominal, kept) and shows_in(every[:, i], met)
            ]
            found = self._yields([with_column(drawn, i, np.nan) for i in moving], kept, (0.5, 0.75))
            exact[moving] = of_all(found, before, whole)
        order = sorted(places, key=lambda i: (whole - exact[i], i))
        tighter = {
            i: step
            for i in order
            if exact[i] >= whole + LEAST_GAIN and (step := self.parameters[i].tighter())
        }
        tighter = dict(list(tighter.items())[:_TIGHTER])
        tried = [with_column(drawn, i, drawn[:, i] * share) for i, (share, _) in tighter.items()]
        found = self._yields(tried, kept, (0.75, 0.85))
        then = dict(zip(tighter, of_all(found, before, whole), strict=True))
        rows = [
            {
                "name": self.parameters[i].name,
                "label": self.parameters[i].label,
                "range": self.parameters[i].range_text,
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
        boards = np.concatenate(variants)
        wanted = [{target.metric for target in targets}] * len(boards)
        met = meets(self.judge(boards, span, "Causes", wanted=wanted), targets)
        all_met: BoolArray = np.logical_and.reduce(met, axis=1)
        return np.asarray(all_met.reshape(len(variants), -1).mean(axis=1))

    def worst_cases(
        self,
        drawn: FloatArray,
        boards: pd.DataFrame,
        at_ends: pd.DataFrame,
        nominal: pd.Series,
        targets: list[Target],
    ) -> pd.DataFrame:
        """The board with every parameter at the end that hurts, for each metric that any parameter moves."""
        import pandas as pd

        found = [
            (target, worst_case)
            for target in targets
            if (
                worst_case := worst_case_of(
                    target, self.parameters, drawn, boards[target.metric], at_ends[target.metric]
                )
            )
        ]
        columns = ["metric", "limit", "nominal", "value", "meets", "at"]
        if not found:
            return pd.DataFrame(columns=columns)
        distinct = {worst_case.values.tobytes(): worst_case.values for _, worst_case in found}
        asked = {key: set[str]() for key in distinct}
        for target, worst_case in found:
            asked[worst_case.values.tobytes()].add(target.metric)
        metrics = self.judge(
            np.stack(list(distinct.values())),
            (0.85, 1.0),
            "Worst cases",
            exactly=True,
            wanted=list(asked.values()),
        )
        place = {key: i for i, key in enumerate(distinct)}
        table = []
        for target, worst_case in found:
            at = metrics.iloc[[place[worst_case.values.tobytes()]]]
            met = bool(meets(at, [target])[0, 0])
            value = float(at[target.metric].iloc[0])
            wanted = (target.metric, target.limit, float(nominal[target.metric]))
            table.append((*wanted, value, met, worst_case.text(self.parameters)))
        return pd.DataFrame(table, columns=columns)


def _filled(columns: Columns, works: BoolArray) -> Columns:
    if works.all():
        return columns
    full = {name: np.full(works.size, np.nan) for name in columns}
    for name, values in columns.items():
        full[name][works] = values[: np.count_nonzero(works)]
    return full

"""What many boards of one design say, in sentences for somebody who is about to order some."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from envlab.metrics.catalogue import FLASH_METRIC, METRICS
from envlab.study.tolerance.tables import records

if TYPE_CHECKING:
    from envlab.study.specification.specification import Specification
    from envlab.study.tolerance.result import ToleranceResult

ORDER = 50
_MOST_CORNERS = 3
# A gain of less may be chance.
LEAST_GAIN = 0.02


def words_of(result: ToleranceResult, specification: Specification) -> tuple[str, ...]:
    """Return sentences: the yield, what an order brings, flashes, causes, other targets, worst_cases."""
    lines = [_headline(result), *_dead(result), *_design_itself(result), *_order(result), *_flashes(result)]
    lines += [*_causes(result), *_targets(result), *_worst_cases(result)]
    judged = set(result.targets["metric"])
    left_out = [target for target in specification.targets.soft if target.metric not in judged]
    lines += [f"Not judged: {target.words()}. The clips lack what it needs." for target in left_out]
    return tuple(lines)


def percent_text(share: float) -> str:
    """As in "87 %"; never 100 % where a board is missing, nor 0 % where one is there."""
    if share in (0.0, 1.0) or 0.01 <= share <= 0.99:
        return f"{100 * share:.0f} %"
    return f"{min(max(100 * share, 0.1), 99.9):.1f} %"


def _headline(result: ToleranceResult) -> str:
    count = len(result.boards)
    shape = {"uniform": "evenly", "normal": "normally (the tolerance is three sigmas)"}[result.assumed.shape]
    nights = " and ".join(parameter.range_text for parameter in result.parameters if parameter.is_condition)
    met = round(result.yield_share * count)
    return (
        f"{percent_text(result.yield_share)} of the boards meet every target: {met} of {count}, with parts "
        f"spread {shape} within their tolerances{f', at {nights}' if nights else ''}. All run the table of "
        "this design."
    )


def _dead(result: ToleranceResult) -> list[str]:
    dead = int(result.boards[FLASH_METRIC].isna().sum())
    if dead == 0:
        return []
    share = percent_text(dead / len(result.boards))
    return [f"{share} of the boards do not work at all, as where a load starves the microphone's drain."]


def _design_itself(result: ToleranceResult) -> list[str]:
    missed = [
        f"{row['target']} (it has {METRICS[row['metric']].text(row['nominal'])})"
        for row in records(result.targets)
        if not _design_meets(row)
    ]
    if not missed:
        return []
    return [
        f"The design itself, every part exact, misses {'; '.join(missed)}: no tighter part mends that; "
        "envlab design looks for parts that do."
    ]


def _design_meets(row: dict[str, Any]) -> bool:
    above = row["side"] == "at_least"
    return bool(row["nominal"] >= row["limit"] if above else row["nominal"] <= row["limit"])


def _order(result: ToleranceResult) -> list[str]:
    from scipy.stats import binom

    if not 0 < result.yield_share < 1:
        return []
    good = f"{result.yield_share * ORDER:.0f}"
    surely = int(binom.ppf(0.05, ORDER, result.yield_share))
    return [f"Order {ORDER} and expect {good} that do; in 19 of 20 such orders at least {surely} do."]


def _flashes(result: ToleranceResult) -> list[str]:
    """The hard limit stands in the first row of both tables."""
    row, of = records(result.targets)[0], records(result.distribution)[0]
    if row["yield_share"] == 1:
        return []
    return [
        f"{percent_text(1 - row['yield_share'])} of the boards flash more than {row['limit']:g} times in "
        f"their worst second (the worst {of['worst']:.0f} times). This limit is hard: such a board must not "
        "be worn."
    ]


def _targets(result: ToleranceResult) -> list[str]:
    distribution = {row["metric"]: row for row in records(result.distribution)}
    missed = [row for row in records(result.targets) if row["yield_share"] < 1]
    lines = []
    for row in sorted(missed, key=lambda row: row["yield_share"]):
        metric, of = row["metric"], distribution[row["metric"]]
        if metric == FLASH_METRIC:
            continue
        span = (
            f"{METRICS[metric].text(of['low_5'], with_unit=False)} to {METRICS[metric].text(of['high_95'])}"
        )
        lines.append(
            f"{METRICS[metric].label}: {percent_text(row['yield_share'])} of the boards have "
            f"{row['side'].replace('_', ' ')} {METRICS[metric].text(row['limit'])}. The design has "
            f"{METRICS[metric].text(row['nominal'])}, nine boards in ten {span}, the worst "
            f"{METRICS[metric].text(of['worst'])}."
        )
    if len(missed) < len(result.targets):
        lines.append(f"{'Every other' if missed else 'Every'} target is met by all boards.")
    return lines


def _causes(result: ToleranceResult) -> list[str]:
    costly = [row for row in records(result.causes) if row["gain"] >= LEAST_GAIN]
    if not costly:
        return []
    first, *rest = costly
    before = first["yield_if_exact"] - first["gain"]
    aside = "" if all(map(_design_meets, records(result.targets))) else " that the design itself meets"
    lines = [
        f"Most of the loss comes from {first['label']} ({first['range']}): were it exact, "
        f"{percent_text(first['yield_if_exact'])} of the boards would meet every target{aside}, instead of "
        f"{percent_text(before)}."
    ]
    for row in costly:
        if row["tighter"]:
            gains = row["yield_if_tighter"] - before >= LEAST_GAIN
            effect = f"{percent_text(row['yield_if_tighter'])} do" if gains else "nothing is gained"
            label = row["label"][0].upper() + row["label"][1:]
            lines.append(f"{label} bought at {row['tighter']} instead of {row['range']}: {effect}.")
            if row["name"] == "microphone_db":
                lines.append(
                    "Firmware can do nearly as much: with envlab table --sensitivity steps, each board is "
                    "set on one tone."
                )
    if rest:
        others = ", ".join(f"{row['label']} ({percent_text(row['yield_if_exact'])})" for row in rest)
        lines.append(f"Were another one exact instead: {others}.")
    return lines


def _worst_cases(result: ToleranceResult) -> list[str]:
    worst_cases = records(result.worst_cases)
    if not worst_cases:
        return []
    broken = [row for row in worst_cases if not row["meets"]]
    if not broken:
        return ["Even with every part at its worst end at once, each of these targets is met."]
    return [
        f"Worst worst_case for {METRICS[row['metric']].label.lower()}: {METRICS[row['metric']].text(row['value'])}, "
        f"with {row['at']}."
        for row in broken[:_MOST_CORNERS]
    ]

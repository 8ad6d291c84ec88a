"""What many boards of one design say, in sentences for somebody who is about to order some."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from envlab.metrics.catalogue import FLASH_METRIC, METRICS
from envlab.study.sentences import Sentence
from envlab.study.tolerance.tables import records

if TYPE_CHECKING:
    from envlab.study.specification.specification import Specification
    from envlab.study.tolerance.result import ToleranceResult

ORDER = 50
_MOST_CASES = 3
# A gain of less may be chance.
LEAST_GAIN = 0.02


# What many boards may say, in the order in which it is told.
KINDS = (
    *("yield", "dead", "design", "order", "flashes", "conditions"),
    *("cause", "tighter", "other_causes", "target", "other_targets", "worst_case", "not_judged"),
)
# Whoever wants to know in a few lines reads these.
IN_SHORT = ("yield", "dead", "design", "order", "flashes")


def sentences_of(result: ToleranceResult, specification: Specification) -> tuple[Sentence, ...]:
    """Return what the boards say, as records of KINDS."""
    said = [_yield(result), *_dead(result), *_design_itself(result), *_order(result), *_flashes(result)]
    said += [*_conditions(result), *_causes(result), *_targets(result), *_worst_cases(result)]
    judged = set(result.targets["metric"])
    for target in specification.targets.soft:
        if target.metric not in judged:
            text = f"Not judged: {target.words()}. The clips lack what it needs."
            said.append(Sentence("not_judged", text, {"metric": target.metric}))
    return tuple(said)


def percent_text(share: float) -> str:
    """As in "87 %"; never 100 % where a board is missing, nor 0 % where one is there."""
    if share in (0.0, 1.0) or (0.01 <= share <= 0.99 and round(share, 2) not in (0.0, 1.0)):
        return f"{100 * share:.0f} %"
    return f"{min(max(100 * share, 0.1), 99.9):.1f} %"


def _yield(result: ToleranceResult) -> Sentence:
    count = len(result.boards)
    shape = {"uniform": "evenly", "normal": "normally (the tolerance is three sigmas)"}[result.assumed.shape]
    nights = " and ".join(parameter.range_text for parameter in result.parameters if parameter.is_condition)
    met = round(result.yield_share * count)
    return Sentence(
        "yield",
        f"{percent_text(result.yield_share)} of the boards meet every target: {met} of {count}, with parts "
        f"spread {shape} within their tolerances{f', at {nights}' if nights else ''}. All run the table of "
        "this design.",
        {"yield_share": result.yield_share, "boards": count},
    )


def _dead(result: ToleranceResult) -> list[Sentence]:
    dead = int(result.boards[FLASH_METRIC].isna().sum())
    if dead == 0:
        return []
    share = dead / len(result.boards)
    text = "of the boards do not work at all, as where a load starves the microphone's drain."
    return [Sentence("dead", f"{percent_text(share)} {text}", {"dead_share": share})]


def _design_itself(result: ToleranceResult) -> list[Sentence]:
    missed = [
        f"{row['target']} (it has {METRICS[row['metric']].text(row['nominal'])})"
        for row in records(result.targets)
        if not design_meets(row)
    ]
    if not missed:
        return []
    return [
        Sentence(
            "design",
            f"The design itself, every part exact, misses {'; '.join(missed)}: no tighter part mends that; "
            "envlab design looks for parts that do.",
            {"missed": len(missed)},
        )
    ]


def design_meets(row: dict[str, Any]) -> bool:
    """Whether the design itself meets the target of a row of ToleranceResult.targets."""
    above = row["side"] == "at_least"
    return bool(row["nominal"] >= row["limit"] if above else row["nominal"] <= row["limit"])


def _order(result: ToleranceResult) -> list[Sentence]:
    import numpy as np
    from scipy.special import bdtr

    if not 0 < result.yield_share < 1:
        return []
    good = round(result.yield_share * ORDER)
    surely = int(np.argmax(bdtr(np.arange(ORDER + 1.0), ORDER, result.yield_share) >= 0.05))
    text = f"Order {ORDER} and expect {good or 'hardly one'} that {'does' if good <= 1 else 'do'}"
    text += f"; in 19 of 20 such orders at least {surely} do." if surely else "; it may well be none."
    return [
        Sentence("order", text, {"order": ORDER, "expected": result.yield_share * ORDER, "surely": surely})
    ]


def _flashes(result: ToleranceResult) -> list[Sentence]:
    """The hard limit stands in the first row of both tables."""
    row, of = records(result.targets)[0], records(result.distribution)[0]
    if row["yield_share"] == 1:
        return []
    return [
        Sentence(
            "flashes",
            f"{percent_text(1 - row['yield_share'])} of the boards flash more than {row['limit']:g} times in "
            f"their worst second (the worst {of['worst']:.0f} times). This limit is hard: such a board must "
            "not be worn.",
            {"share": 1 - row["yield_share"], FLASH_METRIC: of["worst"]},
        )
    ]


def _conditions(result: ToleranceResult) -> list[Sentence]:
    """One sentence an end of the temperature; none on a board on which it moves nothing."""
    lines = []
    for end in result.conditions:
        at = f"{end.temperature_c:g} °C".replace("-", "−")
        changed = [
            f"{METRICS[name].name_in_text} from {METRICS[name].text(was)} to {METRICS[name].text(now)}"
            for name, (was, now) in end.metrics.items()
        ]
        effect = (
            f"All else as designed, that moves {', '.join(changed)}." if changed else "No target feels that."
        )
        text = f"At {at} {' and '.join(end.moved)} than as designed. {effect}"
        lines.append(Sentence("conditions", text, {"temperature_c": end.temperature_c}))
    return lines


def _targets(result: ToleranceResult) -> list[Sentence]:
    distribution = {row["metric"]: row for row in records(result.distribution)}
    missed = [row for row in records(result.targets) if row["yield_share"] < 1]
    lines: list[Sentence] = []
    for row in sorted(missed, key=lambda row: row["yield_share"]):
        metric, of = row["metric"], distribution[row["metric"]]
        if metric == FLASH_METRIC:
            continue
        span = (
            f"{METRICS[metric].text(of['low_5'], with_unit=False)} to {METRICS[metric].text(of['high_95'])}"
        )
        text = (
            f"{METRICS[metric].label}: {percent_text(row['yield_share'])} of the boards have "
            f"{row['side'].replace('_', ' ')} {METRICS[metric].text(row['limit'])}. The design has "
            f"{METRICS[metric].text(row['nominal'])}, nine boards in ten {span}, the worst "
            f"{METRICS[metric].text(of['worst'])}."
        )
        lines.append(Sentence("target", text, {"metric": metric, "yield_share": row["yield_share"]}))
    met = [row["target"] for row in records(result.targets) if row["yield_share"] == 1]
    if met and missed:
        text = f"Met by all boards: {'; '.join(met)}."
        lines.append(Sentence("other_targets", text, {"missed": len(missed)}))
    elif met:
        lines.append(Sentence("other_targets", "Every target is met by all boards.", {"missed": 0}))
    return lines


def _causes(result: ToleranceResult) -> list[Sentence]:
    costly = [row for row in records(result.causes) if row["gain"] >= LEAST_GAIN]
    if not costly:
        return []
    first, *rest = costly
    before = first["yield_if_exact"] - first["gain"]
    aside = "" if all(map(design_meets, records(result.targets))) else " that the design itself meets"
    lines = [
        Sentence(
            "cause",
            f"Most of the loss comes from {first['label']} ({first['range']}): were it exact, "
            f"{percent_text(first['yield_if_exact'])} of the boards would meet every target{aside}, instead "
            f"of {percent_text(before)}.",
            {"name": first["name"], "yield_if_exact": first["yield_if_exact"], "yield_share": before},
        )
    ]
    for row in costly:
        if row["tighter"]:
            gains = row["yield_if_tighter"] - before >= LEAST_GAIN
            effect = f"{percent_text(row['yield_if_tighter'])} do" if gains else "nothing is gained"
            label = row["label"][0].upper() + row["label"][1:]
            text = f"{label} bought at {row['tighter']} instead of {row['range']}: {effect}."
            behind = {"name": row["name"], "yield_if_tighter": row["yield_if_tighter"]}
            lines.append(Sentence("tighter", text, behind))
            if row["name"] == "microphone_db":
                text = (
                    "Firmware can do nearly as much: with envlab table --sensitivity steps, each board is "
                    "set on one tone."
                )
                lines.append(Sentence("tighter", text, {"name": row["name"]}))
    if rest:
        others = ", ".join(f"{row['label']} ({percent_text(row['yield_if_exact'])})" for row in rest)
        lines.append(
            Sentence("other_causes", f"Were another one exact instead: {others}.", {"causes": len(rest)})
        )
    return lines


def _worst_cases(result: ToleranceResult) -> list[Sentence]:
    worst_cases = records(result.worst_cases)
    if not worst_cases:
        return []
    broken = [row for row in worst_cases if not row["meets"]]
    if not broken:
        known = {row["metric"] for row in worst_cases}
        missed = [row["target"] for row in records(result.targets) if row["yield_share"] < 1]
        text = "Even with every part at its worst end at once, each of these targets is met"
        text += f": {', '.join(METRICS[row['metric']].name_in_text for row in worst_cases)}."
        if missed:
            # A metric that no part moves evenly, as flashes, can be missed between the ends.
            text = f"Boards miss {'; '.join(missed)} with parts between their ends, not at their worst ends."
        return [Sentence("worst_case", text, {"broken": 0, "metrics": ", ".join(sorted(known))})]
    return [_worst_case(row, result) for row in broken[:_MOST_CASES]]


def _worst_case(row: dict[str, Any], result: ToleranceResult) -> Sentence:
    """One worst case; where the boards that were drawn all meet the target, why both can be true."""
    metric = row["metric"]
    meeting = {one["metric"]: one["yield_share"] for one in records(result.targets)}
    entry = METRICS[metric]
    text = f"Worst case for {entry.name_in_text}: {entry.text(row['value'])}, with {row['at']}."
    if meeting.get(metric) == 1:
        text += (
            f" None of the {len(result.boards)} boards that were drawn lies so far out that it misses this"
        )
        text += "; one with these parts must not be worn." if metric == FLASH_METRIC else "."
    behind = {"metric": metric, "value": row["value"], "yield_share": meeting.get(metric, float("nan"))}
    return Sentence("worst_case", text, behind)

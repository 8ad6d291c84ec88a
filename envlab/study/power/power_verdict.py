"""All that feeds a board on its clips, as one verdict: rows against what is asked, and sentences.

Nothing here changes what is chosen or exported: of most of it the design file knows no more than data sheets
say. What is not kept is said, with what would do.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from envlab.chain import Chain
from envlab.light.power.cells import assumed_cells
from envlab.light.power.pulses import pulses_of
from envlab.light.power.rail import brown_out_v
from envlab.study.chosen_on_clips import ClipLight
from envlab.study.feedback import WARN_FROM
from envlab.study.feedback_verdict import FeedbackVerdict, judge_feedback, share_words
from envlab.study.pack_verdict import judge_pack, loudest_beat
from envlab.study.pack_words import LoudestBeat, PackVerdict, celsius_words
from envlab.study.power.assumed import assumed_sentence
from envlab.study.power.feed_verdict import FeedVerdict, judge_feed
from envlab.study.power.rows import AskedRow
from envlab.study.sentences import Sentence, of_kind, texts
from envlab.study.specification.specification import Specification
from envlab.study.supply_verdict import SupplyVerdict, judge_supply

WARM_C = 25.0
# What speaks of which row.
ABOUT = {
    "margin": ("margin",),
    "droop": ("supply_pulses", "supply_droop", "supply_capacitor", "supply_relief", "supply_trip"),
    "rail": ("pack_rail", "pack_reset"),
    "hours": ("pack_hours", "pack_left"),
    "feed": ("feed_drop", "feed_relief", "feed_loss"),
    "feedback": ("feedback", "feedback_rings", "feedback_mend"),
}


@dataclass(frozen=True)
class PowerVerdict:
    """What feeds a board, part by part.

    margin: asked of the converter's limit, 0 to 0.5. warm, cold: the cells at 25 °C, and at the coldest of
    the design's nights; None with a power bank.
    """

    chain: Chain
    margin: float
    beat: LoudestBeat
    supply: SupplyVerdict
    warm: PackVerdict | None
    cold: PackVerdict | None
    feed: FeedVerdict
    feedback: FeedbackVerdict

    @property
    def drawn_share(self) -> float:
        """What the loudest beat takes in the mean, over the converter's limit."""
        return self.beat.mean_a / self.supply.limit_a

    @property
    def lowest_rail_v(self) -> float:
        """The lowest rail on the loudest beat, from a full pack to the cells' end, warm or cold, V."""
        packs = [one for one in (self.warm, self.cold) if one is not None]
        rails = [v for one in packs for v in (one.rail_full_v, one.rail_after_v, one.rail_end_v)]
        return min(rails, default=self.supply.volts - self.beat.droop_v)

    @property
    def brown_out_v(self) -> float:
        """Below which the controller resets, V."""
        return brown_out_v(self.chain.supply)

    @property
    def rows(self) -> tuple[AskedRow, ...]:
        """Every row, kept or not."""
        return tuple(_rows(self))

    @property
    def missed(self) -> tuple[AskedRow, ...]:
        """The rows that are not kept."""
        return tuple(row for row in self.rows if row.met is False)

    @property
    def sentences(self) -> tuple[Sentence, ...]:
        """What follows, for people: the margin first, what was taken last."""
        return tuple(_told(self))

    def about(self, row: AskedRow) -> tuple[Sentence, ...]:
        """Return what is said of one row, and what would mend it."""
        return of_kind(self.sentences, *ABOUT[row.key])


def judge_power(specification: Specification, chain: Chain, lights: Sequence[ClipLight]) -> PowerVerdict:
    """Return what feeds a board on the clips of a specification.

    Parameters
    ----------
    specification : Specification
        Its clips are the night, its tolerances say how cold that is.
    chain : Chain
        The board.
    lights : sequence of ClipLight
        The board's light on the clips, as light_on_clips gives it.

    Returns
    -------
    PowerVerdict
    """
    pulses = pulses_of(chain.pixels)
    beat = loudest_beat(lights, chain, pulses)
    supply = judge_supply(chain)

    def pack_at(celsius: float) -> PackVerdict | None:
        if chain.supply.is_power_bank:
            return None
        cells = assumed_cells(chain.pack)
        return judge_pack(specification, chain, cells, celsius, pulses=pulses, lights=lights)

    fed_v = max(0.1, chain.supply.volts - supply.droop_v)
    return PowerVerdict(
        chain,
        chain.supply.margin,
        beat,
        supply,
        pack_at(WARM_C),
        pack_at(_coldest_c(specification, chain)),
        judge_feed(chain, fed_v, pulses),
        judge_feedback(chain),
    )


def _coldest_c(specification: Specification, chain: Chain) -> float:
    known = [celsius for celsius, _ in chain.pack.ohm_over_c]
    return min(max(specification.tolerance.temperature_c[0], known[0]), known[-1])


def _rows(verdict: PowerVerdict) -> Iterator[AskedRow]:
    supply, beat, feed = verdict.supply, verdict.beat, verdict.feed
    less = f" less {100 * verdict.margin:g} %" if verdict.margin else ""
    yield AskedRow(
        "margin",
        "Current, loudest beat",
        f"its mean, of the {supply.limit_a:g} A of the {supply.supply_name}{less}",
        f"{beat.mean_a:.3g} A, {100 * verdict.drawn_share:.0f} % of the limit",
        f"at most {supply.usable_a:.3g} A",
        # A table's top may round up by half a code.
        beat.mean_a <= supply.usable_a * (1 + 1e-3),
    )
    yield AskedRow(
        "droop",
        "Rail falls by",
        "in the pixels' pulses, out of the bulk capacitor",
        _pulse(supply),
        f"at most {supply.asked_v:.2g} V",
        supply.keeps,
    )
    yield AskedRow(
        "rail",
        "Lowest rail",
        "loudest beat, full pack to empty; controller resets below",
        f"{verdict.lowest_rail_v:.2f} V",
        f"above {verdict.brown_out_v:.2f} V",
        verdict.lowest_rail_v > verdict.brown_out_v,
    )
    if verdict.warm is not None and verdict.cold is not None:
        meaning = "at the end of the clips"
        yield AskedRow("hours", "Hours left", meaning, _hours(verdict.warm, verdict.cold), "", None)
    yield AskedRow(
        "feed",
        f"Voltage at pixel {feed.pixel}",
        "in a pulse, behind the wires",
        f"{feed.pulse_v:.2f} V",
        f"at least {feed.needs_v:.2g} V",
        feed.keeps,
    )
    yield AskedRow(
        "feedback",
        "Loop gain",
        "lights back through the microphone",
        share_words(verdict.feedback.gain),
        f"under {WARN_FROM:g}",
        verdict.feedback.gain < WARN_FROM,
    )


def _pulse(supply: SupplyVerdict) -> str:
    pulses = f", pulses of {supply.peak_a:.3g} A" if supply.trips else ""
    return f"{supply.droop_v:.2g} V{pulses}"


def _hours(warm: PackVerdict, cold: PackVerdict) -> str:
    return ", ".join(f"{one.hours_after:.1f} h at {celsius_words(one.temperature_c)}" for one in (warm, cold))


def _told(verdict: PowerVerdict) -> Iterator[Sentence]:
    supply = verdict.supply
    stays = f"{100 * verdict.margin:g} % are to stay free" if verdict.margin else "no margin is asked"
    yield Sentence(
        "margin",
        f"The loudest beat takes {verdict.beat.mean_a:.3g} A in the mean, {100 * verdict.drawn_share:.0f} %"
        f" of the {supply.limit_a:g} A that the {supply.supply_name} gives; {stays}.",
        {"mean_a": verdict.beat.mean_a, "drawn_share": verdict.drawn_share, "margin": verdict.margin},
    )
    if not verdict.chain.layout.is_all_alike:
        yield Sentence(
            "power_layout",
            "Pulses, rail and wires are reckoned with all pixels alike, at the layout's own current in"
            " the mean: where it lights fewer at once, their pulses are lower than said here.",
        )
    yield from supply.sentences
    if verdict.warm is not None:
        yield from verdict.warm.sentences
    if verdict.warm is not None and verdict.cold is not None:
        known = texts(verdict.warm.sentences)
        colder = of_kind(verdict.cold.sentences, "pack_hours", "pack_reset")
        yield from (one for one in colder if one.text not in known)
    yield from verdict.feed.sentences
    yield from verdict.feedback.sentences
    yield assumed_sentence(verdict.chain)

"""What the last pixel gets: the drop over the wires, in the mean of the loudest beat and in its pulses.

A pixel that switches takes its whole current or none. While all are on, the wires carry the current of all at
full, however short that is; a capacitor at the converter's end does not help behind them. So the pulse, and
not the mean, decides whether the last pixel still shows its colours. Each data line's chain is taken to be
fed by itself, its wires running along with it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from envlab.chain import Chain
from envlab.errors import ParameterError
from envlab.light.pixels import supply_duty_limit
from envlab.light.power.feed import FED_FROM, Feed, pixel_needs_v, wiring_of
from envlab.light.power.pulses import Pulses, pulsed_current, pulses_of
from envlab.light.power.wiring import wire_drop
from envlab.study.sentences import Sentence

# Cross-sections in which stranded wire is sold, mm² (common practice, no source).
USUAL_MM2 = (0.08, 0.14, 0.22, 0.34, 0.5, 0.75, 1.0, 1.5, 2.5)
FED_WORDS = {"start": "from one end", "both_ends": "from both ends", "middle": "in its middle"}


@dataclass(frozen=True)
class FeedRelief:
    """One change that brings the last pixel up to what it needs: a feed, and its lowest voltage, V."""

    feed: Feed
    lowest_v: float


@dataclass(frozen=True)
class FeedVerdict:
    """What the pixels of the longest chain get.

    feed: as stated. pixels: of that chain. rail_v: at the converter, in a pulse. needs_v: what a pixel needs.
    mean_v, pulse_v: the lowest in the mean at the largest duty, and while all that switch together are on; 0
    where the copper cannot carry that at all. pixel: the one, counted from 1. ways: how the chain is fed →
    its lowest voltage in a pulse. reliefs: each alone does; empty where nothing has to be done, or nothing
    does.
    """

    feed: Feed
    pixels: int
    rail_v: float
    needs_v: float
    mean_v: float
    pulse_v: float
    pixel: int
    ways: dict[str, float]
    reliefs: tuple[FeedRelief, ...]

    @property
    def keeps(self) -> bool:
        """Whether every pixel gets what it needs, in a pulse too."""
        return self.pulse_v >= self.needs_v

    @property
    def sentences(self) -> tuple[Sentence, ...]:
        """What follows, for people."""
        return tuple(_told(self))


def judge_feed(chain: Chain, rail_v: float | None = None, pulses: Pulses | None = None) -> FeedVerdict:
    """Return what the last pixel of a board's longest chain gets at the loudest that its table shows.

    Parameters
    ----------
    chain : Chain
        The board, its pixels and how they are fed.
    rail_v : float or None
        At the converter in a pulse, V; None: the supply's voltage.
    pulses : Pulses or None
        When the pixels switch; None: as the board's pixels state it.

    Returns
    -------
    FeedVerdict

    Examples
    --------
    >>> import envlab
    >>> from envlab.judge import judge_feed
    >>> verdict = judge_feed(envlab.Chain())
    >>> verdict.pixel, verdict.keeps
    (24, False)
    """
    at_v = chain.supply.volts if rail_v is None else rail_v
    switched = pulses_of(chain.pixels) if pulses is None else pulses
    needs_v = pixel_needs_v(chain.feed, chain.pixels)
    pulse_a = _in_a_pulse_a(chain, switched)
    pulse_v, pixel = _lowest(chain, chain.feed, pulse_a, at_v)
    ways = {way: _lowest(chain, replace(chain.feed, fed_from=way), pulse_a, at_v)[0] for way in FED_FROM}
    mean_v, _ = _lowest(chain, chain.feed, _in_the_mean_a(chain), chain.supply.volts)
    reliefs = () if pulse_v >= needs_v else tuple(_reliefs(chain, pulse_a, at_v, needs_v))
    return FeedVerdict(
        chain.feed, chain.pixels.longest_line, at_v, needs_v, mean_v, pulse_v, pixel, ways, reliefs
    )


def _pixel_a(chain: Chain) -> float:
    return chain.pixels.channels * chain.pixels.channel_supply_a(chain.supply.volts)


def _in_the_mean_a(chain: Chain) -> float:
    return chain.pixels.idle_a + supply_duty_limit(chain.pixels, chain.supply) * _pixel_a(chain)


def _in_a_pulse_a(chain: Chain, pulses: Pulses) -> float:
    """What each pixel takes, A, as if the groups that are on at once were spread evenly over the chain."""
    duty = supply_duty_limit(chain.pixels, chain.supply)
    return pulsed_current(duty, chain.pixels, chain.supply, pulses).high_a / chain.pixels.count


def _lowest(chain: Chain, feed: Feed, pixel_a: float, rail_v: float) -> tuple[float, int]:
    """The lowest voltage along the longest chain, V, and its pixel, counted from 1."""
    count = chain.pixels.longest_line
    try:
        drop = wire_drop(np.full(count, pixel_a), wiring_of(feed, count), rail_v)
    except ParameterError:
        return 0.0, count
    return drop.lowest_v, drop.lowest_pixel + 1


def _reliefs(chain: Chain, pixel_a: float, rail_v: float, needs_v: float) -> Iterator[FeedRelief]:
    for way in FED_FROM:
        fed = replace(chain.feed, fed_from=way)
        lowest_v, _ = _lowest(chain, fed, pixel_a, rail_v)
        if lowest_v >= needs_v:
            yield FeedRelief(fed, lowest_v)
    now_mm2 = chain.feed.copper_mm2
    for thicker in (mm2 for mm2 in USUAL_MM2 if mm2 > now_mm2):
        fed = replace(chain.feed, wire_mm2=thicker)
        lowest_v, _ = _lowest(chain, fed, pixel_a, rail_v)
        if lowest_v >= needs_v:
            yield FeedRelief(fed, lowest_v)
            break


def _told(verdict: FeedVerdict) -> Iterator[Sentence]:
    fed = FED_WORDS[verdict.feed.fed_from]
    behind = {
        "pulse_v": verdict.pulse_v,
        "mean_v": verdict.mean_v,
        "needs_v": verdict.needs_v,
        "rail_v": verdict.rail_v,
        "pixel": verdict.pixel,
    }
    wires = f"A chain of {verdict.pixels} fed {fed} over {verdict.feed.copper_mm2:g} mm²"
    if verdict.pulse_v <= 0:
        text = (
            f"{wires} gives its last pixel nothing while all are on: the copper cannot carry their current."
        )
    else:
        text = (
            f"{wires} leaves pixel {verdict.pixel} {verdict.pulse_v:.2f} V of {verdict.rail_v:.2f} V while"
            f" all that switch together are on, {verdict.mean_v:.2f} V in the mean; it needs"
            f" {verdict.needs_v:.2g} V."
        )
    yield Sentence("feed_drop", text, behind)
    others = {way: volts for way, volts in verdict.ways.items() if way != verdict.feed.fed_from}
    said = ", ".join(f"{FED_WORDS[way]} {volts:.2f} V" for way, volts in others.items())
    yield Sentence("feed_ways", f"Fed otherwise it would get: {said}.", verdict.ways)
    for one in verdict.reliefs:
        yield Sentence("feed_relief", _relief(verdict, one), {"lowest_v": one.lowest_v})
    if not verdict.keeps:
        text = "A pixel that gets less turns dim and reddish, blue first, and may read its data wrong."
        yield Sentence("feed_loss", f"{text} Shorter leads or fewer pixels to a chain help, too.")


def _relief(verdict: FeedVerdict, relief: FeedRelief) -> str:
    if relief.feed.fed_from != verdict.feed.fed_from:
        return f"It would do: the chain fed {FED_WORDS[relief.feed.fed_from]} ({relief.lowest_v:.2f} V)."
    return f"It would do: copper of {relief.feed.copper_mm2:g} mm² ({relief.lowest_v:.2f} V)."

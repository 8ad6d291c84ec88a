"""What a board's lights do to its microphone, as a verdict: gain of the loop, by which way, what mends it.

A gain of 1 keeps itself alight. Half of that is what this project asks, for the coupling is a guess until
the board is there (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from envlab.analog.parts import series_values
from envlab.chain import Chain
from envlab.light.flashes.flash import count_flashes
from envlab.light.lightness import lightness_cie1976
from envlab.light.power.coupling import Coupling, coupling_at
from envlab.sound.recording import Recording
from envlab.study.feedback import WARN_FROM, ClosedLoop, gain_of_loop, run_closed
from envlab.study.sentences import Sentence
from envlab.units import format_value, from_db

# What is tried before the microphone: a resistor where there is none, and capacitors in the steps in which
# electrolytics come, up to what fits on a costume's board (common practice, no source).
USUAL_OHM, LARGEST_FARAD, SERIES = 100.0, 1e-3, "E3"
# A knock at full light, then silence; the lights of the last part should be dark.
KNOCK_S, KNOCK_HZ, LISTENED_S, LAST_S = 0.2, 500.0, 2.5, 1.0
_RATE_HZ = 48_000.0
_GROUNDS = 60


@dataclass(frozen=True)
class Mend:
    """A change of the coupling that brings the loop under WARN_FROM: the coupling with it, and its gain."""

    coupling: Coupling
    gain: float


@dataclass(frozen=True)
class FeedbackVerdict:
    """What the lights' current does to the microphone of one board.

    coupling: what was assumed. gain: the largest duty that a duty comes back as, over it. rail_gain,
    ground_gain: the same through the rail alone, and through the shared ground alone. mends: what brings it
    under WARN_FROM, one change each, both together if it takes both; empty where nothing has to be done, or
    nothing does it. lit_after_knock: share of the frames that are lit in the last LAST_S of the silence after
    a knock at full light, (with the lights' own current, without it). rings_at_lstar, rings_flashes: what is
    left of the light in that time, mean L* relative to the brightest state, and its flashes in a second; 0
    both where it dies away.
    """

    coupling: Coupling
    gain: float
    rail_gain: float
    ground_gain: float
    mends: tuple[Mend, ...]
    lit_after_knock: tuple[float, float]
    rings_at_lstar: float
    rings_flashes: int

    @property
    def sentences(self) -> tuple[Sentence, ...]:
        """What follows, for people."""
        return tuple(_told(self))


def judge_feedback(chain: Chain, coupling: Coupling | None = None) -> FeedbackVerdict:
    """Return what the lights of a board do to its microphone, through rail and shared ground.

    Parameters
    ----------
    chain : Chain
        The board.
    coupling : Coupling or None
        How current reaches the signal; None: as the board states it, typical values where it does not.

    Returns
    -------
    FeedbackVerdict

    Examples
    --------
    >>> import envlab
    >>> from envlab.judge import judge_feedback
    >>> judge_feedback(envlab.Chain()).mends
    ()
    """
    coupled = coupling_at(chain.coupling, chain.pixels) if coupling is None else coupling
    after = _after_knock(chain, coupled)
    return FeedbackVerdict(
        coupled,
        gain_of_loop(chain, coupled),
        gain_of_loop(chain, replace(coupled, ground_ohm=0.0)),
        gain_of_loop(chain, replace(coupled, rail_ohm=0.0)),
        tuple(_mends(chain, coupled)),
        after.lit_share(),
        float(lightness_cie1976(after.duty / after.full_duty).mean()),
        count_flashes(after.duty / after.full_duty, chain.frame_rate_hz),
    )


def _mends(chain: Chain, coupling: Coupling) -> Iterator[Mend]:
    if gain_of_loop(chain, coupling) < WARN_FROM:
        return
    single = [mend for mend in (_decoupled(chain, coupling), _grounded(chain, coupling)) if mend is not None]
    yield from single
    if not single:
        both = _decoupled(chain, replace(coupling, ground_ohm=0.0))
        if both is not None:
            yield both


def _decoupled(chain: Chain, coupling: Coupling) -> Mend | None:
    """Return the smallest capacitor of the series that does it, with a resistor where there is none."""
    filtered = coupling.decoupling_ohm > 0
    ohm = coupling.decoupling_ohm if filtered else USUAL_OHM
    for farad in series_values(SERIES, coupling.decoupling_farad, LARGEST_FARAD):
        changed = replace(coupling, decoupling_ohm=ohm, decoupling_farad=farad)
        gain = gain_of_loop(chain, changed)
        if gain < WARN_FROM and changed != coupling:
            return Mend(changed, gain)
    return None


def _grounded(chain: Chain, coupling: Coupling) -> Mend | None:
    """Return the largest shared ground that does it, in twentieths of a decade; none, if it must be."""
    if coupling.ground_ohm == 0:
        return None

    def mend(twentieths: int) -> Mend:
        ohm = coupling.ground_ohm * 10.0 ** (-twentieths / 20) if twentieths < _GROUNDS else 0.0
        changed = replace(coupling, ground_ohm=ohm)
        return Mend(changed, gain_of_loop(chain, changed))

    # The less ground is shared, the less comes back: the first that does it lies between one that does not,
    # and none.
    too_much, found = 0, mend(_GROUNDS)
    if found.gain >= WARN_FROM:
        return None
    least = _GROUNDS
    while least - too_much > 1:
        middle = (too_much + least) // 2
        tried = mend(middle)
        if tried.gain < WARN_FROM:
            least, found = middle, tried
        else:
            too_much = middle
    return found


def _after_knock(chain: Chain, coupling: Coupling) -> ClosedLoop:
    """The last frames of the silence after a knock at full light."""
    time_s = np.arange(round(LISTENED_S * _RATE_HZ)) / _RATE_HZ
    peak_pa = np.sqrt(2) * from_db(chain.brightness.ceiling_db_spl - 94.0)
    knock = peak_pa * np.sin(2 * np.pi * KNOCK_HZ * time_s) * (time_s < KNOCK_S)
    run = run_closed(chain, coupling, Recording(knock, _RATE_HZ))
    last = slice(-round(LAST_S * chain.frame_rate_hz), None)
    return replace(run, duty=run.duty[last], open_duty=run.open_duty[last])


def _told(verdict: FeedbackVerdict) -> Iterator[Sentence]:
    coupling, gain = verdict.coupling, verdict.gain
    kept = gain < WARN_FROM
    behind = {"gain": gain, "asked": WARN_FROM}
    yield Sentence(
        "feedback",
        f"Lights into the microphone: a duty comes back as {share_words(gain)} of itself at most, "
        + (
            f"under the {WARN_FROM:g} that is asked."
            if kept
            else f"where under {WARN_FROM:g} is asked, and 1 keeps itself alight."
        ),
        behind,
    )
    yield Sentence(
        "feedback_ways",
        f"Through the rail alone {share_words(verdict.rail_gain)}, through the shared ground alone "
        f"{share_words(verdict.ground_gain)}.",
        {"rail_gain": verdict.rail_gain, "ground_gain": verdict.ground_gain},
    )
    yield Sentence("feedback_assumed", _assumed(coupling))
    closed, opened = verdict.lit_after_knock
    yield Sentence("feedback_knock", _knock_words(closed, opened), {"closed": closed, "open": opened})
    if closed > opened:
        behind = {"lstar": verdict.rings_at_lstar, "flashes": verdict.rings_flashes}
        yield Sentence("feedback_rings", _rings(verdict), behind)
    for mend in verdict.mends:
        yield Sentence("feedback_mend", _mended(coupling, mend), {"gain": mend.gain})
    if not kept and not verdict.mends:
        yield Sentence(
            "feedback_mend",
            f"No capacitor up to {format_value(LARGEST_FARAD, 'F')} and no ground of its own bring it there: "
            "a supply of its own for the microphone, or a higher floor.",
            {"largest_farad": LARGEST_FARAD},
        )


def share_words(gain: float) -> str:
    """Return a gain as a sentence says it."""
    return f"{gain:.2f}" if gain >= 0.005 else "under 0.01"


def _assumed(coupling: Coupling) -> str:
    ground = _wiring(coupling.ground_ohm) if coupling.ground_ohm else "none"
    return (
        f"Taken for that: {_wiring(coupling.rail_ohm)} of shared rail, {coupling.rail_rejection_db:g} dB of"
        f" the regulator, {_filter(coupling)} before the microphone, which rejects"
        f" {coupling.microphone_rejection_db:g} dB; shared ground: {ground}; the pixels switch at"
        f" {coupling.pwm_hz:g} Hz, all together."
    )


def _filter(coupling: Coupling) -> str:
    if coupling.decoupling_ohm == 0:
        return "no filter"
    ohm, farad = coupling.decoupling_ohm, coupling.decoupling_farad
    return f"{format_value(ohm, 'ohm')} and {format_value(farad, 'F')}"


def _wiring(ohm: float) -> str:
    """Resistance of copper, which no part stands for."""
    return f"{ohm:.3g} Ω" if ohm >= 1 else f"{1e3 * ohm:.2g} mΩ"


def _rings(verdict: FeedbackVerdict) -> str:
    """What the audition, in which no current comes back, does not show."""
    flickers = f"flash {verdict.rings_flashes} times a second" if verdict.rings_flashes else "stand still"
    return (
        f"The audition goes dark there, for no current comes back in it; with it the lights would stay at"
        f" {verdict.rings_at_lstar:.0f} L* and {flickers}, until the supply is switched off."
    )


def _knock_words(closed: float, opened: float) -> str:
    if closed > opened:
        return (
            f"In the last second of a silence after a knock at full light {100 * closed:.0f} % of the frames"
            f" are lit by the lights' own current; without it {100 * opened:.0f} %."
        )
    return (
        f"In the last second of a silence after a knock at full light {100 * closed:.0f} % of the frames are"
        f" lit; without the lights' own current {100 * opened:.0f} %."
    )


def _mended(before: Coupling, mend: Mend) -> str:
    after, changes = mend.coupling, []
    if _filter(after) != _filter(before):
        changes.append(f"{_filter(after)} before the microphone in the place of {_filter(before)}")
    if after.ground_ohm > 0 and after.ground_ohm != before.ground_ohm:
        changes.append(f"at most {_wiring(after.ground_ohm)} of shared ground")
    elif after.ground_ohm != before.ground_ohm:
        changes.append("a ground of its own for the pixels, up to the pack")
    return f"With {' and '.join(changes)}: {share_words(mend.gain)}."

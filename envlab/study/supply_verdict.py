"""What the pixels' pulses ask of converter and bulk capacitor, as a verdict with what would do.

The table keeps the mean current under the converter's limit, less a margin. Of pixels that switch together
the mean is not what flows (light/power/pulses.py). Asked is a rail that falls by no more than is stated, a
twentieth where nothing is (a rule of this project, the one that the bulk capacitor on the parts list is
chosen by).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from envlab.analog.parts import series_values
from envlab.chain import Chain
from envlab.circuit.supplies import BULK_DROOP_SHARE, bulk_farad
from envlab.errors import check_range
from envlab.light.pixels import full_current_a, idle_current_a, supply_duty_limit
from envlab.light.power.pulses import (
    PulsedCurrent,
    Pulses,
    charge_beyond_c,
    droop_v,
    pulsed_current,
    pulses_of,
    scatter_a,
)
from envlab.study.sentences import Sentence
from envlab.units import format_value

# The largest bank of electrolytics that one wears, F (common practice, no source), and its series.
LARGEST_FARAD, SERIES = 10e-3, "E3"
FASTEST_HZ = 1e6
_AT_LIMIT = 1 + 1e-9


@dataclass(frozen=True)
class Relief:
    """One change that keeps the droop: kind ("capacitor", "pwm", "phases", "duty"), value, the droop then."""

    kind: str
    value: float
    droop_v: float


@dataclass(frozen=True)
class SupplyVerdict:
    """What pulses ask of a board's supply at the largest duty that its table has.

    limit_a, usable_a: of the converter, and what is planned with. standing_a: what controller and dark pixels
    take. bulk_farad: of the capacitor that is there. duty: the largest that all pixels may have at once.
    current: of the pixels, one pulse at it. controller_a: what flows beside it. full_a: all pixels at full.
    droop_v: by how much the rail falls, at most volts. asked_v: at most so much is asked. needed_farad: the
    capacitor that just does it; 0 where none is needed. carried_pixels: whole pixels at full at once that
    stay under the limit. trip_phases: the fewest groups, one after the other, whose pulses do; 0 for none.
    scatter_a, over_share: standard deviation of the current where every pixel's PWM begins when it likes, and
    how much of the time it is then over the limit. reliefs: each alone keeps what is asked; empty where
    nothing has to be done.
    """

    limit_a: float
    usable_a: float
    standing_a: float
    controller_a: float
    supply_name: str
    pulses: Pulses
    bulk_farad: float
    duty: float
    full_a: float
    current: PulsedCurrent
    droop_v: float
    volts: float
    asked_v: float
    needed_farad: float
    carried_pixels: int
    trip_phases: int
    scatter_a: float
    over_share: float
    reliefs: tuple[Relief, ...]

    @property
    def peak_a(self) -> float:
        """The most that is asked of the converter at once, A: a pulse, and the controller."""
        return self.current.high_a + self.controller_a

    @property
    def trips(self) -> bool:
        """Whether a pulse asks for more than the converter's limit: one that switches off there, does."""
        return self.peak_a > self.limit_a * _AT_LIMIT

    @property
    def keeps(self) -> bool:
        """Whether the rail falls by no more than is asked."""
        return self.droop_v <= self.asked_v

    @property
    def sentences(self) -> tuple[Sentence, ...]:
        """What follows, for people."""
        return tuple(_told(self))


def judge_supply(
    chain: Chain, pulses: Pulses | None = None, *, bulk: float | None = None, asked_v: float | None = None
) -> SupplyVerdict:
    """Return what the pixels' pulses ask of a board's converter and bulk capacitor.

    Parameters
    ----------
    chain : Chain
        The board, with its pixels and its supply.
    pulses : Pulses or None
        When the pixels switch; None: as the board's pixels state it, together at 400 Hz where they do not.
    bulk : float or None
        Of the bulk capacitor, F; None: as the supply states it, or that of the parts list.
    asked_v : float or None
        By how much the rail may fall, V; None: as the supply states it, or a twentieth of its voltage.

    Returns
    -------
    SupplyVerdict

    Examples
    --------
    >>> import envlab
    >>> from envlab.judge import judge_supply
    >>> verdict = judge_supply(envlab.Chain())
    >>> verdict.keeps, round(verdict.current.high_a, 1)
    (False, 10.8)
    """
    switched = pulses_of(chain.pixels) if pulses is None else pulses
    pixels, supply = chain.pixels, chain.supply
    farad = bulk_farad(supply, pixels) if bulk is None else bulk
    duty = supply_duty_limit(pixels, supply)
    asked = _asked_v(chain) if asked_v is None else asked_v
    check_range("droop_v", asked, 1e-3, supply.volts, unit="V")
    falls_v = droop_v(duty, pixels, supply, switched, farad)
    return SupplyVerdict(
        limit_a=supply.limit_a,
        usable_a=supply.usable_a,
        standing_a=supply.counted_controller_a + idle_current_a(pixels),
        controller_a=supply.counted_controller_a,
        supply_name=supply.name,
        pulses=switched,
        bulk_farad=farad,
        duty=duty,
        full_a=full_current_a(pixels, volts=supply.volts),
        current=pulsed_current(duty, pixels, supply, switched),
        droop_v=falls_v,
        volts=supply.volts,
        asked_v=asked,
        needed_farad=charge_beyond_c(duty, pixels, supply, switched) / asked,
        carried_pixels=_carried(chain),
        trip_phases=_trip_phases(chain, switched, duty),
        scatter_a=scatter_a(duty, pixels, supply),
        over_share=_over_share(chain, duty),
        reliefs=() if falls_v <= asked else tuple(_reliefs(chain, switched, farad, duty, asked)),
    )


def _asked_v(chain: Chain) -> float:
    supply = chain.supply
    return BULK_DROOP_SHARE * supply.volts if supply.droop_v is None else supply.droop_v


def _spare_at_limit_a(chain: Chain) -> float:
    """What the limit itself leaves for light, the margin not taken off."""
    supply = chain.supply
    return supply.limit_a - supply.counted_controller_a - idle_current_a(chain.pixels)


def _pixel_a(chain: Chain) -> float:
    return chain.pixels.channels * chain.pixels.channel_supply_a(chain.supply.volts)


def _carried(chain: Chain) -> int:
    return max(0, min(chain.pixels.count, math.floor(_spare_at_limit_a(chain) / _pixel_a(chain) + 1e-9)))


def _trip_phases(chain: Chain, pulses: Pulses, duty: float) -> int:
    given_a = (chain.supply.limit_a - chain.supply.counted_controller_a) * _AT_LIMIT
    for phases in range(1, chain.pixels.count + 1):
        current = pulsed_current(duty, chain.pixels, chain.supply, replace(pulses, phases=phases))
        if current.high_a <= given_a:
            return phases
    return 0


def _over_share(chain: Chain, duty: float) -> float:
    """How likely it is that of independent pixels, each on for the share duty, too many are on at once."""
    # Of the binomial law, which scipy.stats has too, and takes a third of a second to import.
    from scipy.special import bdtrc

    return float(bdtrc(_carried(chain), chain.pixels.count, duty))


def _reliefs(chain: Chain, pulses: Pulses, farad: float, duty: float, asked_v: float) -> Iterator[Relief]:
    pixels, supply = chain.pixels, chain.supply
    charge_c = charge_beyond_c(duty, pixels, supply, pulses)
    if charge_c / asked_v <= LARGEST_FARAD:
        larger = series_values(SERIES, charge_c / asked_v, 10 * LARGEST_FARAD)[0]
        yield Relief("capacitor", larger, droop_v(duty, pixels, supply, pulses, larger))
    faster_hz = pulses.pwm_hz * charge_c / (farad * asked_v)
    if faster_hz <= FASTEST_HZ:
        faster = replace(pulses, pwm_hz=faster_hz)
        yield Relief("pwm", faster_hz, droop_v(duty, pixels, supply, faster, farad))
    for phases in range(pulses.phases + 1, pixels.count + 1):
        spread_v = droop_v(duty, pixels, supply, replace(pulses, phases=phases), farad)
        if spread_v <= asked_v:
            yield Relief("phases", phases, spread_v)
            break
    if pulses.phases == 1:
        # The height of the pulse is the same at every duty, its charge goes with the duty.
        dimmer = duty * asked_v * farad / charge_c
        yield Relief("duty", dimmer, droop_v(dimmer, pixels, supply, pulses, farad))


def _told(verdict: SupplyVerdict) -> Iterator[Sentence]:
    current, pulses = verdict.current, verdict.pulses
    together = "together" if pulses.phases == 1 else f"in {pulses.phases} groups, one after the other"
    yield Sentence(
        "supply_mean",
        f"All pixels at full take {verdict.full_a:.3g} A; up to a duty of {verdict.duty:.3g}, the most that"
        f" all have at once, the mean stays within {_planned(verdict)}.",
        {
            "full_a": verdict.full_a,
            "duty": verdict.duty,
            "limit_a": verdict.limit_a,
            "usable_a": verdict.usable_a,
            "standing_a": verdict.standing_a,
        },
    )
    pulse = {"high_a": current.high_a, "high_s": current.high_s, "low_a": current.low_a}
    if not verdict.trips:
        yield Sentence("supply_pulses", "No pulse of the pixels asks for more than that.", pulse)
    else:
        yield Sentence(
            "supply_pulses",
            f"What flows are pulses: pixels that switch {together}, at {pulses.pwm_hz:g} Hz, take"
            f" {current.high_a:.3g} A for {1e3 * current.high_s:.2g} ms, then {current.low_a:.2g} A for"
            f" {1e3 * current.low_s:.2g} ms.",
            pulse,
        )
        behind = {"droop_v": verdict.droop_v, "asked_v": verdict.asked_v}
        yield Sentence("supply_droop", _droop(verdict), behind)
        if verdict.needed_farad:
            least = _farad(verdict.needed_farad)
            text = f"At most {verdict.asked_v:.2g} V takes a capacitor of {least} or more."
            yield Sentence("supply_capacitor", text, {"needed_farad": verdict.needed_farad})
        yield Sentence("supply_trip", _trip(verdict), _behind_trip(verdict))
    for one in verdict.reliefs:
        yield Sentence("supply_relief", _relief(one), {one.kind: one.value, "droop_v": one.droop_v})
    yield Sentence("supply_assumed", _assumed(verdict), {"pwm_hz": pulses.pwm_hz})
    if verdict.full_a > verdict.limit_a:
        behind = {"scatter_a": verdict.scatter_a, "over_share": verdict.over_share}
        yield Sentence("supply_scatter", _scatter(verdict), behind)


def _planned(verdict: SupplyVerdict) -> str:
    whole = f"the {verdict.limit_a:g} A of the {verdict.supply_name}"
    if verdict.usable_a == verdict.limit_a and not verdict.controller_a:
        return whole
    left = "" if verdict.usable_a == verdict.limit_a else f"{verdict.usable_a:.3g} A of "
    return f"{left}{whole}, of which controller and dark pixels take {verdict.standing_a:.2g} A"


def _assumed(verdict: SupplyVerdict) -> str:
    return (
        "The PWM's frequency and whether pixels begin together stand in their data sheet;"
        f" {verdict.pulses.pwm_hz:g} Hz is what was taken. Measure the rail at the pixels with an"
        " oscilloscope before the night."
    )


def _scatter(verdict: SupplyVerdict) -> str:
    """Of independent pixels, how many are on at once is binomial."""
    return (
        "Pixels with an oscillator of their own drift apart. At the largest duty the current then scatters by"
        f" some {verdict.scatter_a:.2g} A, and is above the {verdict.limit_a:g} A for"
        f" {100 * verdict.over_share:.2g} % of the time."
    )


def _droop(verdict: SupplyVerdict) -> str:
    gives = f"The {verdict.supply_name} gives {verdict.limit_a:g} A of it"
    bulk = f"the bulk capacitor of {format_value(verdict.bulk_farad, 'F')}"
    asked = f"asked is at most {verdict.asked_v:.2g} V"
    if verdict.droop_v >= verdict.volts:
        return f"{gives}; {bulk} is empty before the pulse ends, and the rail breaks down; {asked}."
    falls = f"the rail falls by at least {verdict.droop_v:.2g} V"
    return f"{gives}; the rest comes out of {bulk}, and {falls}; {asked}."


def _farad(farad: float) -> str:
    """Two digits, rounded up."""
    step = 10.0 ** (math.floor(math.log10(farad)) - 1)
    return format_value(math.ceil(farad / step - 1e-9) * step, "F")


def _trip(verdict: SupplyVerdict) -> str:
    whole = f"{verdict.carried_pixels} whole pixel{'s' * (verdict.carried_pixels != 1)} at full"
    groups = (
        f"; it takes {verdict.trip_phases} groups, one after the other, for pulses that stay under it"
        if verdict.trip_phases
        else ""
    )
    return (
        f"A {verdict.supply_name} that switches off at its limit, where this one is taken to hold its"
        f" current, trips at the first pulse: {whole} at once are all that it carries{groups}. Its data sheet"
        " says which of both it does (hiccup, or constant current)."
    )


def _behind_trip(verdict: SupplyVerdict) -> dict[str, float]:
    return {
        "peak_a": verdict.peak_a,
        "limit_a": verdict.limit_a,
        "carried_pixels": verdict.carried_pixels,
        "trip_phases": verdict.trip_phases,
    }


def _relief(relief: Relief) -> str:
    return {
        "capacitor": f"It would do: a bulk capacitor of {format_value(relief.value, 'F')}.",
        "pwm": f"It would do: pixels whose PWM has {_khz(relief.value)} or more.",
        "phases": f"It would do: pixels that switch in {relief.value:g} groups, one after the other.",
        "duty": f"It would do: a largest duty of {relief.value:.2g}, for all pixels at once.",
    }[relief.kind]


def _khz(hz: float) -> str:
    """Two digits, rounded up."""
    step = 10.0 ** (math.floor(math.log10(hz)) - 1)
    return f"{math.ceil(hz / step - 1e-9) * step / 1e3:g} kHz"

"""What the pixels' pulses ask of converter and bulk capacitor, as a verdict with what would do.

The table keeps the mean current under the converter's limit. Of pixels that switch together the mean is not
what flows (light/power/pulses.py). Asked is a rail that falls by no more than a twentieth (a rule of this
project, the one that the bulk capacitor on the parts list is chosen by).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from envlab.analog.parts import series_values
from envlab.chain import Chain
from envlab.circuit.supplies import BULK_DROOP_SHARE, bulk_farad
from envlab.light.pixels import full_current_a, supply_duty_limit
from envlab.light.power.pulses import (
    PulsedCurrent,
    Pulses,
    charge_beyond_c,
    droop_v,
    pulsed_current,
    scatter_a,
)
from envlab.study.sentences import Sentence
from envlab.units import format_value

# The largest bank of electrolytics that one wears, F (common practice, no source), and its series.
LARGEST_FARAD, SERIES = 10e-3, "E3"
FASTEST_HZ = 1e6


@dataclass(frozen=True)
class Relief:
    """One change that keeps the droop: kind ("capacitor", "pwm", "phases", "duty"), value, the droop then."""

    kind: str
    value: float
    droop_v: float


@dataclass(frozen=True)
class SupplyVerdict:
    """What pulses ask of a board's supply at the largest duty that its table has.

    bulk_farad: of the capacitor that is there. duty: the largest that all pixels may have at once. current:
    one pulse at it. full_a: all pixels at full. droop_v: by how much the rail falls, at most volts. asked_v:
    at most so much is asked. scatter_a: standard deviation of the current where every pixel's PWM begins when
    it likes. reliefs: each alone keeps what is asked; empty where nothing has to be done.
    """

    limit_a: float
    supply_name: str
    pulses: Pulses
    bulk_farad: float
    duty: float
    full_a: float
    current: PulsedCurrent
    droop_v: float
    volts: float
    asked_v: float
    scatter_a: float
    reliefs: tuple[Relief, ...]

    @property
    def keeps(self) -> bool:
        """Whether the rail falls by no more than is asked."""
        return self.droop_v <= self.asked_v

    @property
    def sentences(self) -> tuple[Sentence, ...]:
        """What follows, for people."""
        return tuple(_told(self))


def judge_supply(chain: Chain, pulses: Pulses | None = None, *, bulk: float | None = None) -> SupplyVerdict:
    """Return what the pixels' pulses ask of a board's converter and bulk capacitor.

    Parameters
    ----------
    chain : Chain
        The board, with its pixels and its supply.
    pulses : Pulses or None
        When the pixels switch; None: together, at 400 Hz.
    bulk : float or None
        Of the bulk capacitor, F; None: that of the parts list.

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
    switched = Pulses() if pulses is None else pulses
    pixels, supply = chain.pixels, chain.supply
    farad = bulk_farad(supply, pixels) if bulk is None else bulk
    duty = supply_duty_limit(pixels, supply)
    asked_v = BULK_DROOP_SHARE * supply.volts
    falls_v = droop_v(duty, pixels, supply, switched, farad)
    return SupplyVerdict(
        supply.limit_a,
        supply.name,
        switched,
        farad,
        duty,
        full_current_a(pixels, volts=supply.volts),
        pulsed_current(duty, pixels, supply, switched),
        falls_v,
        supply.volts,
        asked_v,
        scatter_a(duty, pixels, supply),
        () if falls_v <= asked_v else tuple(_reliefs(chain, switched, farad, duty, asked_v)),
    )


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
        f" all have at once, the mean stays within the {verdict.limit_a:g} A of the {verdict.supply_name}.",
        {"full_a": verdict.full_a, "duty": verdict.duty, "limit_a": verdict.limit_a},
    )
    pulse = {"high_a": current.high_a, "high_s": current.high_s, "low_a": current.low_a}
    if current.high_a <= verdict.limit_a * (1 + 1e-9):
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
    for one in verdict.reliefs:
        yield Sentence("supply_relief", _relief(one), {one.kind: one.value, "droop_v": one.droop_v})
    yield Sentence("supply_assumed", _assumed(verdict), {"pwm_hz": pulses.pwm_hz})
    if verdict.full_a > verdict.limit_a:
        yield Sentence("supply_scatter", _scatter(verdict), {"scatter_a": verdict.scatter_a})


def _assumed(verdict: SupplyVerdict) -> str:
    return (
        "The PWM's frequency and whether pixels begin together stand in their data sheet;"
        f" {verdict.pulses.pwm_hz:g} Hz is what was taken. Measure the rail at the pixels with an"
        " oscilloscope before the night."
    )


def _scatter(verdict: SupplyVerdict) -> str:
    """At the largest duty the mean stands at the limit: the sum of many pixels passes it half of the time."""
    return (
        "Pixels with an oscillator of their own drift apart. At the largest duty the current then scatters by"
        f" some {verdict.scatter_a:.2g} A around the {verdict.limit_a:g} A, above it about as often as below."
    )


def _droop(verdict: SupplyVerdict) -> str:
    gives = f"The {verdict.supply_name} gives {verdict.limit_a:g} A of it"
    bulk = f"the bulk capacitor of {format_value(verdict.bulk_farad, 'F')}"
    asked = f"asked is at most {verdict.asked_v:.2g} V"
    if verdict.droop_v >= verdict.volts:
        return f"{gives}; {bulk} is empty before the pulse ends, and the rail breaks down; {asked}."
    falls = f"the rail falls by at least {verdict.droop_v:.2g} V"
    return f"{gives}; the rest comes out of {bulk}, and {falls}; {asked}."


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

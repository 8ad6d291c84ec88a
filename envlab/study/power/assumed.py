"""What was taken for values that a design file does not state, so that nobody takes it for measured."""

from __future__ import annotations

from collections.abc import Iterator

from envlab.chain import Chain
from envlab.light.power.cell_tables import ASSUMED_CELL_OHM
from envlab.light.power.feed import ASSUMED_LEAD_M, ASSUMED_PITCH_M, WIRE_MM2, pixel_needs_v
from envlab.light.power.pulses import USUAL_PWM_HZ
from envlab.light.power.rail import brown_out_v, least_input_v
from envlab.study.sentences import Sentence


def assumed_sentence(chain: Chain) -> Sentence:
    """Return what was taken for what a board does not state, each with the key that would state it."""
    taken = dict(_taken(chain))
    if not taken:
        return Sentence("power_assumed", "Every value of the supply that is reckoned with is stated.")
    said = "; ".join(f"{key}: {text}" for key, (text, _) in taken.items())
    text = (
        f"Not stated, and taken for it (common practice, no source; a data sheet goes before that): {said}."
    )
    return Sentence("power_assumed", text, {key: value for key, (_, value) in taken.items()})


def _taken(chain: Chain) -> Iterator[tuple[str, tuple[str, float]]]:
    supply, pack, feed, pixels = chain.supply, chain.pack, chain.feed, chain.pixels
    if pixels.pwm_hz is None:
        yield "[pixels] pwm_hz", (f"{USUAL_PWM_HZ:g} Hz", USUAL_PWM_HZ)
    if supply.controller_a is None:
        yield "[supply] controller_a", (_milli(supply.counted_controller_a, "A"), supply.counted_controller_a)
    if supply.light_load_a is None:
        yield (
            "[supply] light_load_efficiency",
            (f"{supply.efficiency:g}, the one for all loads", supply.efficiency),
        )
    if supply.brown_out_v is None:
        volts = brown_out_v(supply)
        yield "[supply] brown_out_v", (f"{volts:.2g} V", volts)
    if not supply.is_power_bank:
        if supply.least_input_v is None:
            volts = least_input_v(supply, pack)
            yield "[supply] least_input_v", (f"{volts:.2g} V", volts)
        if pack.cell_ohm is None:
            yield "[pack] cell_ohm", (_milli(ASSUMED_CELL_OHM, "Ω"), ASSUMED_CELL_OHM)
    if feed.pitch_m is None:
        yield "[feed] pitch_m", (f"{100 * ASSUMED_PITCH_M:g} cm", ASSUMED_PITCH_M)
    if feed.wire_mm2 is None:
        yield "[feed] wire_mm2", (f"{WIRE_MM2:g} mm²", WIRE_MM2)
    if feed.lead_m is None:
        yield "[feed] lead_m", (f"{ASSUMED_LEAD_M:g} m", ASSUMED_LEAD_M)
    if feed.pixel_needs_v is None:
        volts = pixel_needs_v(feed, pixels)
        yield "[feed] pixel_needs_v", (f"{volts:.2g} V", volts)


def _milli(value: float, unit: str) -> str:
    return f"{1e3 * value:g} m{unit}"

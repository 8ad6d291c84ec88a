"""What could stand in the way of a target, each as changes of one thing, the mild ones first.

A change takes a board and its clips and gives others. Nothing here knows which target a change would help:
that is found by trying (obstacles.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from envlab.analog.parts import PartRange, series_values
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.light.pixels import full_current_a, idle_current_a
from envlab.metrics.catalogue import METRICS
from envlab.sound.clip import Clip
from envlab.study.specification.parts_list import parts_list
from envlab.study.specification.ranges import values_of
from envlab.study.specification.specification import Specification
from envlab.study.specification.targets import Target
from envlab.units import value_of_key

Clips = tuple[Clip, ...]
# How far things are tried, our own choice.
_LEVELS_DB = (3.0, 6.0, 10.0, 15.0, 20.0)
_FACTORS = (1.5, 2.2, 4.7, 10.0)
_PARTS = ("preamp.feedback_ohm", "detector.hold_farad", "detector.attack_ohm", "detector.release_ohm")
_LOUDEST_DB_SPL, _HIGHER_V = 140.0, 5.0


@dataclass(frozen=True)
class Change:
    """One thing made other. text: what it would be, as in "pixels of 12 bit". make: the board and its clips.

    make raises ParameterError where such a board cannot be.
    """

    text: str
    make: Callable[[Chain, Clips], tuple[Chain, Clips]]


@dataclass(frozen=True)
class Cause:
    """One thing that may stand in the way. key: short. text: as in "the pixels' depth (8 bit)".

    changes: the mild ones first. of_the_sound: it is a fact of the music and its levels, not of the board.
    """

    key: str
    text: str
    changes: tuple[Change, ...]
    of_the_sound: bool = False


def causes_of(chain: Chain, specification: Specification, targets: Sequence[Target]) -> list[Cause]:
    """Return everything that is tried on a board for targets that nobody meets."""
    found = [*_depth(chain), *_converter(chain), *_supply(chain, targets), *_map(chain)]
    found += [*_ranges(chain, specification), *_frames(chain), *_front(chain)]
    found += _levels(specification)
    return [cause for cause in found if cause.changes]


def _stage(text: str, stage: str, **values: Any) -> Change:
    """A change of one stage's fields."""

    def make(chain: Chain, clips: Clips) -> tuple[Chain, Clips]:
        changed: Any = {stage: replace(getattr(chain, stage), **values)}
        return replace(chain, **changed), clips

    return Change(text, make)


def _own(text: str, **values: Any) -> Change:
    """A change of the chain's own fields."""

    def make(chain: Chain, clips: Clips) -> tuple[Chain, Clips]:
        return replace(chain, **values), clips

    return Change(text, make)


def _depth(chain: Chain) -> Iterator[Cause]:
    if chain.pixel_bits >= 16:
        return
    bits = [bits for bits in (10, 12, 16) if bits > chain.pixel_bits]
    dither = [more for more in (1, 2, 3, 4) if more > chain.dither_bits and chain.pixel_bits >= 8]
    changes = [_own(f"dither of {more} bit", dither_bits=more) for more in dither]
    changes += [_own(f"pixels of {more} bit", pixel_bits=more, dither_bits=0) for more in bits]
    yield Cause("pixel depth", f"pixels of {chain.pixel_bits} bit", tuple(changes))


def _converter(chain: Chain) -> Iterator[Cause]:
    finer = [chain.adc.bits + more for more in (2, 4) if chain.adc.bits + more <= 16]
    some = tuple(_stage(f"a converter of {bits} bit", "adc", bits=bits) for bits in finer)
    yield Cause("converter", f"a converter of {chain.adc.bits} bit", some)
    if chain.adc.noise_lsb > 0:
        quiet = _stage("a converter without noise", "adc", noise_lsb=0.0)
        yield Cause("converter noise", f"{chain.adc.noise_lsb:g} LSB of noise in the converter", (quiet,))


def _supply(chain: Chain, targets: Sequence[Target]) -> Iterator[Cause]:
    full_a = full_current_a(chain.pixels, volts=chain.supply.volts)
    idle_a = idle_current_a(chain.pixels)
    now_a, share = chain.supply.limit_a, 1 - chain.supply.margin
    standing_a = chain.supply.counted_controller_a + idle_a
    # The limit of a supply that feeds all of it behind its margin.
    whole_a = (full_a + chain.supply.counted_controller_a) / share

    def limits(values_a: Sequence[float]) -> tuple[Change, ...]:
        return tuple(_stage(f"a supply limit of {a:.3g} A", "supply", limit_a=a) for a in values_a)

    if now_a < whole_a:
        text = f"a supply of {now_a:.3g} A for pixels that take {full_a:.3g} A"
        steps = [now_a * factor for factor in _FACTORS if now_a * factor < whole_a]
        yield Cause("supply", text, limits([*steps, whole_a]))
    asked = [one.limit for one in targets if METRICS[one.metric].unit == "A" and one.side == "at_most"]
    most_a = min(now_a, whole_a)
    lower = sorted(limit_a / share for limit_a in asked if standing_a < limit_a < most_a * share)
    yield Cause("full light", f"full light of {most_a * share:.3g} A", limits(lower))


def _map(chain: Chain) -> Iterator[Cause]:
    for name in ("floor", "ceiling"):
        now = float(getattr(chain.brightness, f"{name}_db_spl"))
        for way, sign in (("high", -1.0), ("low", 1.0)):
            levels = [now + sign * step for step in _LEVELS_DB]
            changes = tuple(
                _stage(f"a {name} of {level:g} dB SPL", "brightness", **{f"{name}_db_spl": level})
                for level in levels
            )
            yield Cause(f"{name} too {way}", f"a {name} of {now:g} dB SPL", changes)


def _ranges(chain: Chain, specification: Specification) -> Iterator[Cause]:
    """Parts beyond what was swept, or other values of those that were not."""
    names = {part.key: part for part in parts_list(chain)}
    swept = {
        key: [float(value) for value in values_of(key, choices)]
        for key, choices in specification.ranges.items()
        if key in names
    }
    for key in dict.fromkeys((*swept, *(key for key in _PARTS if key in names))):
        stage, _, field = key.partition(".")
        values = swept.get(key, [float(getattr(getattr(chain, stage), field))])
        what = f"{names[key].reference} ({field.rsplit('_', 1)[0].replace('_', ' ')})"
        asked = specification.ranges.get(key)
        series = asked.series if isinstance(asked, PartRange) else "E6"
        for way, end in (("low", max(values)), ("high", min(values))):
            most = "" if key not in swept else " at most" if way == "low" else " at least"
            changes = tuple(
                _stage(f"{what} = {value_of_key(key, value)}", stage, **{field: value})
                for value in _beyond(series, end, way)
            )
            yield Cause(f"{key} too {way}", f"{what} of {value_of_key(key, end)}{most}", changes)


def _beyond(series: str, end: float, way: str) -> list[float]:
    """Values of a series beyond an end, near each of _FACTORS times it, the nearest first."""
    low, high = (end, 11 * end) if way == "low" else (end / 11, end)
    values = np.array([one for one in series_values(series, low, high) if abs(one / end - 1) > 1e-6])
    wanted = [end * factor if way == "low" else end / factor for factor in _FACTORS]
    near = [float(values[np.abs(values / aim - 1).argmin()]) for aim in wanted if values.size]
    return list(dict.fromkeys(near))


def _frames(chain: Chain) -> Iterator[Cause]:
    rates = [factor * chain.frame_rate_hz for factor in (1.5, 2.0, 4.0)]
    some = tuple(
        _own(f"{rate:g} frames a second", frame_rate_hz=rate)
        for rate in rates
        if rate <= min(1000.0, chain.adc.rate_hz)
    )
    yield Cause("frame rate", f"{chain.frame_rate_hz:g} frames a second", some)


def _front(chain: Chain) -> Iterator[Cause]:
    """Microphone, amplifier and rectifier, each made better than it is."""
    now_db, offset_v, supply_v = (
        chain.microphone.signal_to_noise_db, chain.preamp.input_offset_v, chain.preamp.supply_v,
    )  # fmt: skip
    quiet = tuple(
        _stage(f"a microphone of {db:g} dB signal to noise", "microphone", signal_to_noise_db=db)
        for db in (now_db + 6, now_db + 12)
    )
    yield Cause("microphone noise", f"{now_db:g} dB signal to noise of the microphone", quiet)
    if offset_v != 0:
        none = _stage("an amplifier without offset", "preamp", input_offset_v=0.0)
        yield Cause("offset", f"{1e3 * offset_v:g} mV of offset in the amplifier", (none,))
    if supply_v < 0.98 * _HIGHER_V:
        wide = Change(f"an analog supply of {_HIGHER_V:g} V", _on_higher_supply)
        yield Cause("headroom", f"an analog supply of {supply_v:g} V", (wide,))
    if not chain.rectifier.scales_with_level:
        exact = _own("a rectifier without loss", rectifier=Rectifier())
        yield Cause("rectifier", "what the rectifier loses", (exact,))


def _on_higher_supply(chain: Chain, clips: Clips) -> tuple[Chain, Clips]:
    preamp = replace(chain.preamp, supply_v=_HIGHER_V, bias_v=0.5 * _HIGHER_V)
    return replace(chain, preamp=preamp, adc=replace(chain.adc, reference_v=_HIGHER_V)), clips


def _levels(specification: Specification) -> Iterator[Cause]:
    """Each kind of clip softer or louder than is said."""
    clips = specification.clips
    kinds = {
        f"the {tag} clips": frozenset(clip.label for clip in clips if tag in clip.tags)
        for tag in ("beat", "quiet", "walking", "room")
    }
    levels = [clip.unweighted_db_spl for clip in clips]
    if max(levels) > min(levels):
        for name, level in (("loudest", max(levels)), ("softest", min(levels))):
            kinds[f"the {name} clip"] = frozenset(c.label for c in clips if c.unweighted_db_spl == level)
    for name, labels in kinds.items():
        if not labels:
            continue
        for way, sign, wrong in (("louder", 1.0, "low"), ("softer", -1.0, "high")):
            changes = tuple(
                Change(f"{name} {step:g} dB {way}", _moved(labels, sign * step)) for step in _LEVELS_DB
            )
            key = f"level of {name} too {wrong}"
            yield Cause(key, f"the level of {name}", changes, of_the_sound=True)


def _moved(labels: frozenset[str], by_db: float) -> Callable[[Chain, Clips], tuple[Chain, Clips]]:
    def make(chain: Chain, clips: Clips) -> tuple[Chain, Clips]:
        return chain, tuple(
            replace(clip, level_db_spl=min(_LOUDEST_DB_SPL, max(0.0, clip.level_db_spl + by_db)))
            if clip.label in labels
            else clip
            for clip in clips
        )

    return make

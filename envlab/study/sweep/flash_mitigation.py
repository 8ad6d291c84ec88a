"""What to change when a board's lights flash too often: each mitigation computed, tried on every clip.

And named.

Three ways: a longer release, with the next larger values of an E series, through the simulated chain; a limit
on how fast the brightness moves; less depth, that is a light that stays on when all is quiet. The smallest
change is the one that moves the light least in L*, averaged over the clip that flashes most.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from envlab.analog.detector import PeakDetector
from envlab.analog.parts import PartRange, series_values
from envlab.chain import Chain
from envlab.errors import ParameterError
from envlab.light.flashes.flash import FLASHES_ALLOWED_PER_S, count_flashes
from envlab.light.flashes.mitigations import (
    Mitigation,
    depth_mitigation,
    first_that_passes,
    least_change,
    limit_slope,
    raise_rest,
    slope_mitigation,
)
from envlab.metrics.metrics_of_clip import clip_seed, frame_envelopes
from envlab.seeds import Seed, seed_number
from envlab.sound.clip import Clip
from envlab.study.sentences import Sentence, texts
from envlab.study.specification.ranges import with_values
from envlab.study.specification.specification import Specification
from envlab.study.sweep.choice import Choice
from envlab.units import FloatArray, format_value

# Beyond this the board's own leakage empties the capacitor (common practice, no source).
LARGEST_OHM = 10e6
_LONGEST = 100.0


@dataclass(frozen=True, eq=False)
class FlashMitigations:
    """What was found for one chain on its clips.

    worst_clip, flashes_per_s: the clip with most flashes in a second, and how many. release (setting in ohm),
    slope (L* a second), depth (base light, 0..1): the mildest setting that passes on every clip, with the
    light of the worst one; None where none passes. All are None where the chain passes as it is, and then
    sentences is empty; else records of the kind "mitigation", and words their texts.
    """

    worst_clip: str
    flashes_per_s: int
    release: Mitigation | None
    slope: Mitigation | None
    depth: Mitigation | None
    sentences: tuple[Sentence, ...]

    @property
    def words(self) -> tuple[str, ...]:
        """What they say, one sentence or two a line."""
        return texts(self.sentences)

    @property
    def smallest(self) -> Mitigation | None:
        """The mitigation that changes the light least; None where none passes or none is needed."""
        found = [
            mitigation for mitigation in (self.release, self.slope, self.depth) if mitigation is not None
        ]
        return least_change(found) if found else None


def find_mitigations(
    chain: Chain,
    clips: Sequence[Clip],
    *,
    seed: Seed = 1,
    allowed: float = FLASHES_ALLOWED_PER_S,
    series: str = "E6",
    workers: int = 2,
) -> FlashMitigations:
    """Return what brings a chain's flashes on these clips (at least one) down to those allowed in any second.

    Parameters
    ----------
    chain : Chain
        The board.
    clips : sequence of Clip
        What is played to the board.
    seed : int or numpy Generator
        Of the noise, as in a sweep of the same clips.
    allowed : float
        Flashes in any second.
    series : str
        Of the release resistor, or of the smoothing resistor where the detector averages.
    workers : int
        Processor threads, 1 or more.

    Returns
    -------
    FlashMitigations
    """
    if not clips:
        raise ParameterError("clips", 0, "at least one clip")
    noise = seed_number(seed)
    lights = [_relative_light(clip, [chain], clip_seed(noise, n), workers)[0] for n, clip in enumerate(clips)]
    counts = [count_flashes(light, chain.frame_rate_hz) for light in lights]
    worst = int(np.argmax(counts))
    found = FlashMitigations(clips[worst].label, counts[worst], None, None, None, ())
    if found.flashes_per_s <= allowed:
        return found
    trial = _Trial(lights, worst, chain.frame_rate_hz, allowed)
    release = _longer_release(chain, clips, trial, seed=noise, series=series, workers=workers)
    found = replace(found, release=release, slope=_slower(trial), depth=_shallower(trial))
    return replace(found, sentences=tuple(_sentences(found, chain, allowed)))


def with_mitigations(choice: Choice, specification: Specification, *, workers: int = 2) -> Choice:
    """Return a choice that breaks the flash limit with sentences on what helps.

    A choice that keeps the limit comes back as it is.
    """
    if choice.flash_safe:
        return choice
    release = specification.ranges.get(
        "detector.release_ohm", specification.ranges.get("detector.smoothing_ohm")
    )
    mitigations = find_mitigations(
        choice.chain,
        specification.clips,
        seed=specification.judging.seed,
        allowed=specification.targets.flash_limit,
        series=release.series if isinstance(release, PartRange) else "E6",
        workers=workers,
    )
    return replace(choice, sentences=(*choice.sentences, *mitigations.sentences))


@dataclass(frozen=True, eq=False)
class _Trial:
    """lights: relative luminance of each clip as it is, shape (frames,) each. worst: place of the worst."""

    lights: list[FloatArray]
    worst: int
    frame_rate_hz: float
    allowed: float

    def mildest(
        self,
        name: str,
        unit: str,
        settings: Sequence[float],
        light_of: Callable[[float, int], FloatArray],
    ) -> Mitigation | None:
        """First setting at which every clip passes. light_of: of a setting on the clip at a place."""

        def passes(setting: float, place: int) -> bool:
            return count_flashes(light_of(setting, place), self.frame_rate_hz) <= self.allowed

        others = [place for place in range(len(self.lights)) if place != self.worst]
        calm = [setting for setting in settings if all(passes(setting, place) for place in others)]
        return first_that_passes(
            name,
            unit,
            calm,
            lambda setting: light_of(setting, self.worst),
            self.lights[self.worst],
            self.frame_rate_hz,
            allowed=self.allowed,
        )

    def settings(self, find: Callable[..., Mitigation | None]) -> list[float]:
        """What each clip that flashes too often needs by itself."""
        alone = [find(light, self.frame_rate_hz, allowed=self.allowed) for light in self.lights]
        return [one.setting for one in alone if one is not None and one.mean_change_lstar > 0]


def _relative_light(clip: Clip, chains: list[Chain], seed: tuple[int, ...], workers: int) -> list[FloatArray]:
    envelopes, _ = frame_envelopes(clip.sound(), chains, seed=seed, workers=workers)
    lights = []
    for chain, envelope in zip(chains, envelopes, strict=True):
        table = chain.brightness_table()
        lights.append(table.look_up(envelope) / table.brightest_code)
    return lights


def _longer_release(
    chain: Chain, clips: Sequence[Clip], trial: _Trial, *, seed: int, series: str, workers: int
) -> Mitigation | None:
    name, now_ohm = _release_resistor(chain)
    most_ohm = min(LARGEST_OHM, _LONGEST * now_ohm)
    if now_ohm >= most_ohm:
        return None
    larger = [ohm for ohm in series_values(series, now_ohm, most_ohm) if ohm > now_ohm * (1 + 1e-6)]
    if not larger:
        return None
    chains = [with_values(chain, (f"detector.{name}",), (ohm,)) for ohm in larger]
    rows = [_relative_light(clip, chains, clip_seed(seed, n), workers) for n, clip in enumerate(clips)]
    return trial.mildest("longer release", "ohm", larger, lambda ohm, place: rows[place][larger.index(ohm)])


def _release_resistor(chain: Chain) -> tuple[str, float]:
    if isinstance(chain.detector, PeakDetector):
        return "release_ohm", chain.detector.release_ohm
    return "smoothing_ohm", chain.detector.smoothing_ohm


def _slower(trial: _Trial) -> Mitigation | None:
    # Whole L* a second, rounded to the strong side: what is named is what was tried.
    wanted = sorted({float(math.floor(slope)) for slope in trial.settings(slope_mitigation)}, reverse=True)
    return trial.mildest(
        "slope limit",
        "L* per second",
        [slope for slope in wanted if slope > 0],
        lambda slope, place: limit_slope(trial.lights[place], trial.frame_rate_hz, slope),
    )


def _shallower(trial: _Trial) -> Mitigation | None:
    wanted = sorted({math.ceil(1000 * rest) / 1000 for rest in trial.settings(depth_mitigation)})
    return trial.mildest(
        "smaller depth",
        "of full light",
        [rest for rest in wanted if rest < 1],
        lambda rest, place: raise_rest(trial.lights[place], rest),
    )


def _sentences(found: FlashMitigations, chain: Chain, allowed: float) -> Iterator[Sentence]:
    yield Sentence(
        "mitigation",
        f"{found.worst_clip} flashes most, {found.flashes_per_s} times in one second where {allowed:g} are "
        "allowed. These changes were computed and tried on every clip:",
        {"clip": found.worst_clip, "flashes_per_s": found.flashes_per_s, "allowed": allowed},
    )
    for name, mitigation, text in (
        ("release", found.release, _release_words(found.release, chain)),
        ("slope", found.slope, _slope_words(found.slope)),
        ("depth", found.depth, _depth_words(found.depth)),
    ):
        yield Sentence("mitigation", text, {"tried": name} | _behind(mitigation))
    yield Sentence(
        "mitigation", _advice(found), {"smallest": found.smallest.name if found.smallest else "none"}
    )


def _behind(mitigation: Mitigation | None) -> dict[str, float | str]:
    if mitigation is None:
        return {"passes": "no"}
    return {"passes": "yes", "setting": mitigation.setting, "flashes_per_s": mitigation.flashes_per_s}


def _advice(found: FlashMitigations) -> str:
    best = found.smallest
    if best is None:
        return "None of them is enough alone: choose calmer parts, or show steady light."
    line = f"The smallest change that passes is the {best.name}."
    if best is found.release:
        line += " Put it into the design and run it again, for the other targets are not judged here."
    else:
        line += " The design file has no key for it: your own code must do it, between table and pixels."
    return f"{line} Passing is no medical clearance."


def _release_words(mitigation: Mitigation | None, chain: Chain) -> str:
    name, now_ohm = _release_resistor(chain)
    reference = "R5" if name == "release_ohm" else "R6"
    if mitigation is None:
        return f"Longer release: no larger value of {reference} passes."
    was_ms, is_ms = (1e3 * chain.detector.hold_farad * ohm for ohm in (now_ohm, mitigation.setting))
    return (
        f"Longer release: {reference} = {format_value(mitigation.setting, 'ohm')} instead of "
        f"{format_value(now_ohm, 'ohm')}, a time constant of {is_ms:.3g} ms instead of {was_ms:.3g} ms, "
        f"leaves {_price(mitigation)}."
    )


def _slope_words(mitigation: Mitigation | None) -> str:
    if mitigation is None:
        return "Slope limit on brightness: none passes."
    return (
        f"Slope limit on brightness: at most {mitigation.setting:.0f} L* a second up and down, so that dark "
        f"to full takes {100 / mitigation.setting:.2g} s, leaves {_price(mitigation)}."
    )


def _depth_words(mitigation: Mitigation | None) -> str:
    if mitigation is None:
        return "Smaller depth: no base light passes."
    return (
        f"Smaller depth: {100 * mitigation.setting:.1f} % of full light stays on when all is quiet; that "
        f"leaves {_price(mitigation)}."
    )


def _price(mitigation: Mitigation) -> str:
    flashes = "1 flash" if mitigation.flashes_per_s == 1 else f"{mitigation.flashes_per_s} flashes"
    return f"{flashes} and moves the light by {mitigation.mean_change_lstar:.1f} L* on average"

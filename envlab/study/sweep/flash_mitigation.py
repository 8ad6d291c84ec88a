"""What to change when a board's lights flash too often: each mitigation computed, tried on every clip.

And named.

Three ways: a longer release, with the next larger values of an E series, through the simulated chain; a limit
on how fast the brightness moves; less depth, that is a light that stays on when all is quiet. The smallest
change is the one that moves the light least in L*, averaged over the clip that flashes most.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from envlab.analog.adc import instant_count
from envlab.analog.detector import PeakDetector
from envlab.analog.parts import PartRange, series_values
from envlab.chain import Chain
from envlab.engine.followed_envelopes import FollowedReadings
from envlab.engine.play import play
from envlab.engine.reading_schedule import every_reading, frame_readings
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
from envlab.light.table import LookupTable
from envlab.metrics.metrics_of_clip import clip_seed
from envlab.seeds import Seed, seed_number
from envlab.sound.clip import Clip
from envlab.sound.stream import Sound
from envlab.study.sentences import Sentence, texts
from envlab.study.specification.heard_sounds import sounds_of
from envlab.study.specification.ranges import with_values
from envlab.study.specification.specification import Specification
from envlab.study.sweep.choice import Choice
from envlab.units import FloatArray, IntArray, format_value

# Beyond this the board's own leakage empties the capacitor (common practice, no source).
LARGEST_OHM = 10e6
_LONGEST = 100.0
# Shares of the time that are over once the chain has played as it is, and with all longer releases.
_AS_IT_IS, _WITH_OTHERS = 0.4, 0.9


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
    sounds: Sequence[Sound] | None = None,
    workers: int = 2,
    progress: Callable[[float], None] | None = None,
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
    sounds : sequence of Sound or None
        Of the clips, at the internal rates at which others heard them; None: at the full rate.
    workers : int
        Processor threads, 1 or more.
    progress : callable
        Called with the share that is done, 0 to 1.

    Returns
    -------
    FlashMitigations
    """
    if not clips:
        raise ParameterError("clips", 0, "at least one clip")
    noise, tell = seed_number(seed), progress or _nobody
    heard = [clip.sound() for clip in clips] if sounds is None else sounds
    shown = _shown_on_clips(heard, [chain], noise, workers, lambda share: tell(_AS_IT_IS * share))
    lights = [codes.light(0) for codes in shown]
    counts = [count_flashes(light, chain.frame_rate_hz) for light in lights]
    worst = int(np.argmax(counts))
    found = FlashMitigations(clips[worst].label, counts[worst], None, None, None, ())
    if found.flashes_per_s <= allowed:
        return found
    trial = _Trial(lights, worst, chain.frame_rate_hz, allowed)

    def tell_of_release(share: float) -> None:
        tell(_AS_IT_IS + (_WITH_OTHERS - _AS_IT_IS) * share)

    release = _longer_release(chain, heard, trial, noise, series, workers, tell_of_release)
    tell(_WITH_OTHERS)
    found = replace(found, release=release, slope=_slower(trial), depth=_shallower(trial))
    tell(1.0)
    return replace(found, sentences=tuple(_sentences(found, chain, allowed)))


def with_mitigations(
    choice: Choice,
    specification: Specification,
    *,
    workers: int = 2,
    progress: Callable[[str, float], None] | None = None,
) -> Choice:
    """Return a choice that breaks the flash limit with sentences on what helps.

    A choice that keeps the limit comes back as it is. progress: called with what is being done and the share
    of it that is done, 0 to 1.
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
        sounds=sounds_of(specification, choice.chain),
        workers=workers,
        progress=None if progress is None else functools.partial(progress, "What mends the flashes"),
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


class _Shown:
    """What some chains show on a clip, as codes of 16 bit: of two hours 1.4 MB a chain. See play.Reader."""

    def __init__(self, chains: Sequence[Chain], frames: int) -> None:
        self._tables = [chain.brightness_table() for chain in chains]
        self._rate_hz, self._follower = chains[0].adc.rate_hz, chains[0].follower
        self._asked = frame_readings(chains[0], frames)
        self._codes = np.empty((len(chains), frames), dtype=np.uint16)

    def reader_of(self, places: IntArray) -> _ShownOfSome:
        """Return the reader of some of the chains."""
        followed = FollowedReadings(self._follower, self._rate_hz, self._asked)
        return _ShownOfSome(self._codes, places, self._tables, followed)

    def light(self, place: int) -> FloatArray:
        """Return the relative luminance of one chain, 0 to 1, shape (frames,)."""
        light: FloatArray = self._codes[place].astype(np.float64) / self._tables[place].brightest_code
        return light


@dataclass(eq=False)
class _ShownOfSome:
    codes: NDArray[np.uint16]
    places: IntArray
    tables: Sequence[LookupTable]
    followed: FollowedReadings
    done: int = 0

    def take(self, counts: NDArray[np.int32]) -> None:
        """counts: of all readings, shape (some chains, readings)."""
        envelopes = self.followed.after(counts)
        here = slice(self.done, self.done + envelopes.shape[1])
        for place, envelope in zip(self.places, envelopes, strict=True):
            self.codes[place, here] = self.tables[place].look_up(envelope)
        self.done = here.stop


def _shown_on_clips(
    sounds: Sequence[Sound],
    chains: list[Chain],
    seed: int,
    workers: int,
    tell: Callable[[float], None],
) -> list[_Shown]:
    """What chains that differ in their detectors alone show on each clip; tell: of find_mitigations."""
    whole_s, before_s, rows = sum(sound.duration_s for sound in sounds), 0.0, []
    for number, sound in enumerate(sounds):
        shown = _Shown(chains, instant_count(sound.duration_s, chains[0].frame_rate_hz))

        def tell_of(share: float, before_s: float = before_s, sound: Sound = sound) -> None:
            tell((before_s + share * sound.duration_s) / whole_s)

        readings = every_reading(instant_count(sound.duration_s, chains[0].adc.rate_hz))
        noise = clip_seed(seed, number)
        play(sound, chains, readings, shown.reader_of, seed=noise, workers=workers, progress=tell_of)
        before_s += sound.duration_s
        rows.append(shown)
    return rows


def _longer_release(
    chain: Chain,
    sounds: Sequence[Sound],
    trial: _Trial,
    seed: int,
    series: str,
    workers: int,
    tell: Callable[[float], None],
) -> Mitigation | None:
    name, now_ohm = _release_resistor(chain)
    most_ohm = min(LARGEST_OHM, _LONGEST * now_ohm)
    if now_ohm >= most_ohm:
        return None
    larger = [ohm for ohm in series_values(series, now_ohm, most_ohm) if ohm > now_ohm * (1 + 1e-6)]
    if not larger:
        return None
    chains = [with_values(chain, (f"detector.{name}",), (ohm,)) for ohm in larger]
    rows = _shown_on_clips(sounds, chains, seed, workers, tell)
    return trial.mildest(
        "longer release", "ohm", larger, lambda ohm, place: rows[place].light(larger.index(ohm))
    )


def _nobody(share: float) -> None:
    del share


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

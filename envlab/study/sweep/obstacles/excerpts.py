"""Excerpts of long clips, on which a search goes many times quicker than on all of a song or a night.

Of each clip of LONG_S or more, EXCERPTS of EXCERPT_S are looked at, evenly spread. The one is taken on which
the choice misses the targets, and flashes, most nearly as it does on the whole clip. Where it misses on none
of them what it misses on the whole, the whole is played. What a search finds on an excerpt is then played on
all of the clips before anybody is told of it (Lab.mend).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from envlab.chain import Chain
from envlab.sound.clip import Clip
from envlab.sound.feed import Feed
from envlab.sound.recording import Recording
from envlab.sound.stream import Sound
from envlab.study.specification.specification import Specification
from envlab.study.sweep.obstacles.lab import Lab, Memory
from envlab.units import FloatArray, from_db

EXCERPTS, EXCERPT_S = 6, 20.0
LONG_S = EXCERPTS * EXCERPT_S
# What fades in does not begin with an edge that the music has not.
_FADE_S = 0.02

# Numbers of clips, and which of its excerpts stands for each.
_Taken = tuple[tuple[int, int], ...]


@dataclass(eq=False)
class Excerpts:
    """Of the clips of a specification; whole: the memory of what boards did on all of these."""

    specification: Specification
    whole: Memory
    _cuts: dict[int, list[Recording]] = field(default_factory=dict)
    _memories: dict[_Taken, Memory] = field(default_factory=dict)

    def lab_on(self, lab: Lab, choice: Chain, tell: Callable[[float], None]) -> Lab:
        """Return a lab that searches on excerpts and then asks the given one; that one if no clip is long.

        choice: a board that it has played on all clips. tell: called with the share that is done.
        """
        lengths_s = self.whole.lengths_s
        long = [number for number, length_s in enumerate(lengths_s) if length_s >= LONG_S]
        taken = []
        for turn, number in enumerate(long):

            def tell_of(share: float, turn: int = turn) -> None:
                tell((turn + share) / len(long))

            nearest = self._nearest(lab, choice, number, tell_of)
            if nearest is not None:
                taken.append((number, nearest))
        if not taken:
            return lab
        memory, numbers = self._memory(tuple(taken)), {number for number, _ in taken}
        memory.heard |= {one: found for one, found in self.whole.heard.items() if one[1] not in numbers}
        return replace(lab, memory=memory, whole=lab)

    def _nearest(self, lab: Lab, choice: Chain, number: int, tell: Callable[[float], None]) -> int | None:
        """Which excerpt of a clip is the one on which a board does most nearly what it does on all of it."""
        was = lab.misses_on(choice, number)
        apart = np.full(EXCERPTS, np.inf)
        for place in range(EXCERPTS):
            now = replace(lab, memory=self._memory(((number, place),))).misses_on(choice, number)
            # What is missed on the whole and not here could not be seen to be mended.
            if not ((was.targets > 0) & (now.targets == 0)).any():
                apart[place] = now.apart(was)
            tell((place + 1) / EXCERPTS)
        return int(apart.argmin()) if np.isfinite(apart).any() else None

    def _memory(self, taken: _Taken) -> Memory:
        if taken not in self._memories:
            lengths_s = list(self.whole.lengths_s)
            for number, _ in taken:
                lengths_s[number] = EXCERPT_S

            def sound_of(number: int, clip: Clip) -> Sound:
                return self._sound(dict(taken).get(number), number, clip)

            self._memories[taken] = replace(
                self.whole, lengths_s=tuple(lengths_s), sound_of=sound_of, heard={}, too_often=set()
            )
        return self._memories[taken]

    def _sound(self, place: int | None, number: int, clip: Clip) -> Sound:
        """What is played for a clip, which may be louder or softer than the specification's."""
        if place is None:
            return clip.sound()
        if number not in self._cuts:
            self._cuts[number] = _cut_up(self.specification.sounds[number])
        cut = self._cuts[number][place]
        louder = from_db(clip.level_db_spl - self.specification.clips[number].level_db_spl)
        return replace(cut, pressure_pa=louder * cut.pressure_pa)


def _cut_up(sound: Sound) -> list[Recording]:
    """EXCERPTS of a sound, which is read once."""
    rate_hz = sound.sample_rate_hz
    length = round(EXCERPT_S * rate_hz)
    feed, at, cuts, fades = Feed(sound.pieces()), 0, [], _fades(length, rate_hz)
    for first in np.linspace(0, sound.samples - length, EXCERPTS).astype(int).tolist():
        feed.skip(first - at)
        cuts.append(Recording(fades * feed.take_padded(length), rate_hz, sound.name, sound.notes))
        at = first + length
    return cuts


def _fades(length: int, rate_hz: float) -> FloatArray:
    """What an excerpt is multiplied by, 0 to 1."""
    fading = round(_FADE_S * rate_hz)
    rising = 0.5 - 0.5 * np.cos(np.pi * np.arange(fading) / fading)
    fades = np.ones(length)
    fades[:fading], fades[-fading:] = rising, rising[::-1]
    return fades

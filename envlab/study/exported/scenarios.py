"""What goes before a clip: the switch, a quiet minute, a shout; as readings of the board's ADC.

Every scenario is made of readings, one stretch after the other, as if one sound stopped and the next began
within one reading. What the detector still holds of the sound before is therefore left out; it is gone
within its release, and what the firmware remembers is what is looked at here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from threading import Lock

import numpy as np

from envlab.chain import Chain
from envlab.metrics.judgeable import why_flashes_not_judged
from envlab.metrics.metrics_of_clip import clip_seed
from envlab.sound.clip import Clip
from envlab.sound.recording import Recording
from envlab.sound.signals import pink_noise
from envlab.study.exported.shown import ShortCounts, short_readings
from envlab.study.specification.heard_sounds import hearing_of, sounds_of
from envlab.study.specification.specification import Specification
from envlab.units import FloatArray, pressure_rms_pa

QUIET_S = 60.0
SHOUT_S = 3.0
BEFORE_SHOUT_S = 20.0
AFTER_SHOUT_S = 45.0
# How far above the ceiling a shout stands: it makes full light of whatever the window is.
SHOUT_OVER_CEILING_DB = 6.0
_LOUDEST_SHOUT_DB_SPL = 140.0
_OWN_RATE_HZ = 48_000.0
_QUIET_STREAM, _SHOUT_STREAM = 2, 3


@dataclass(frozen=True, eq=False)
class Heard:
    """What a board reads in each stretch; counts, whole, at the ADC's rate.

    clips: of each clip that can be judged. not_judged: the other clips, each with the reason. silence:
    QUIET_S of the board's own noise. quiet: QUIET_S of the room that quiet_name says. shout: SHOUT_S.
    """

    clips: dict[Clip, ShortCounts]
    not_judged: dict[str, str]
    silence: ShortCounts
    quiet: ShortCounts
    quiet_name: str
    shout: ShortCounts


def heard_by(
    chain: Chain,
    specification: Specification,
    *,
    workers: int = 2,
    progress: Callable[[float], None] | None = None,
) -> Heard:
    """Return what a board reads on every clip of a specification and in what may go before it.

    progress: called with the share of the clips that is done, from several threads, one at a time.
    """
    first = specification.judging.seed
    sounds = sounds_of(specification, chain)
    shares, in_turn = np.zeros(len(sounds)), Lock()

    def one(number: int) -> ShortCounts | str:
        sound = sounds[number]
        reason = why_flashes_not_judged(sound)
        if reason:
            return reason

        def heard_of(share: float) -> None:
            with in_turn:
                shares[number] = share
                if progress is not None:
                    progress(float(shares.mean()))

        return short_readings(chain, sound, np.random.default_rng(clip_seed(first, number)), heard_of)

    shouted = shout(chain, np.random.default_rng((first, _SHOUT_STREAM)))
    # The longest first, so that none is left to one thread alone at the end.
    longest_first = sorted(range(len(sounds)), key=lambda number: -sounds[number].duration_s)
    with ThreadPoolExecutor(workers) as pool:
        silent = pool.submit(own_noise, chain, np.random.default_rng((first, _QUIET_STREAM)))
        read = dict(zip(longest_first, pool.map(one, longest_first), strict=True))
        after = pool.submit(short_readings, chain, shouted, np.random.default_rng(first))
    silence, readings = silent.result(), [read[number] for number in range(len(sounds))]
    clips = {clip: r for clip, r in zip(specification.clips, readings, strict=True) if not isinstance(r, str)}
    refused = zip(specification.clips, readings, strict=True)
    rooms = [clip for clip in clips if "room" in clip.tags]
    quiet = lasting(clips[rooms[0]], QUIET_S, chain) if rooms else silence
    return Heard(
        clips=clips,
        not_judged={clip.label: r for clip, r in refused if isinstance(r, str)},
        silence=silence,
        quiet=quiet,
        quiet_name=rooms[0].label if rooms else "the board's own noise",
        shout=after.result(),
    )


def own_noise(chain: Chain, rng: np.random.Generator) -> ShortCounts:
    """Return what the board reads in QUIET_S of silence, its own noise alone: counts (readings,)."""
    silent = Recording(np.zeros(round(QUIET_S * _OWN_RATE_HZ)), _OWN_RATE_HZ, "silence")
    return short_readings(chain, hearing_of(chain, {}).of(silent), rng)


def shout(chain: Chain, rng: np.random.Generator) -> Recording:
    """Return SHOUT_S of pink noise, SHOUT_OVER_CEILING_DB above the ceiling.

    Its length and kind are our own choice, no source.
    """
    level = min(chain.brightness.ceiling_db_spl + SHOUT_OVER_CEILING_DB, _LOUDEST_SHOUT_DB_SPL)
    noise: FloatArray = pink_noise(pressure_rms_pa(level), SHOUT_S, _OWN_RATE_HZ, rng)
    return Recording(noise, _OWN_RATE_HZ, "shout")


def lasting(readings: ShortCounts, duration_s: float, chain: Chain) -> ShortCounts:
    """Return readings (n,), whole counts, played again and again, for so long."""
    looped: ShortCounts = np.resize(readings, round(duration_s * chain.adc.rate_hz))
    return looped


def joined(stretches: Sequence[ShortCounts]) -> ShortCounts:
    """Return stretches of readings, counts (n,) each, one after the other."""
    return stretches[0] if len(stretches) == 1 else np.concatenate(stretches)

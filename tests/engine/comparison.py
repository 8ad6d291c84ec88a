"""What it means that a path and Chain.run agree: values in pairs, and how far rounding may part them."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from zoo import strokes

from envlab.chain import Chain, ChainResult
from envlab.errors import EnvlabWarning
from envlab.sound.recording import Recording

SEED = (7, 1, 0)
SOUND = strokes()
ROUNDING = np.finfo(float).eps / 2
Seed = tuple[int, ...] | None
Values = np.ndarray


@dataclass(frozen=True, eq=False)
class Pair:
    """What a path says and what Chain.run says of the same, any shape.

    within: how far apart they may be, in the unit of both; 0 is bit for bit.
    lsb: of counts, what Chain.run's converter saw before it rounded: they may then differ by one count, and
    only where this lies within `within` of the edge of a count.
    """

    path: Values
    chain: Values
    within: float | Values = 0.0
    lsb: Values | None = None


Seen = dict[str, Pair]
Run = Callable[[Chain, Recording, Seed], Seen]


@dataclass(frozen=True)
class Path:
    """run: the path. seeds: of the noise that it adds as Chain.run does with a generator; None: no noise.
    suits: which boards take it. sound: what it is tried on."""

    run: Run
    seeds: tuple[Seed, ...] = (None, SEED)
    suits: Callable[[Chain], bool] = lambda _: True
    sound: Recording = field(default=SOUND)


# A board is taken along all paths before the next: a few runs are enough to keep, at 8 MB each.
@lru_cache(maxsize=16)
def truth(chain: Chain, sound: Recording, seed: Seed) -> ChainResult:
    """Chain.run, its cautions aside: some boards of the zoo are there because they deserve them."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", EnvlabWarning)
        return chain.run(sound, None if seed is None else np.random.default_rng(seed))


def above_quiescent(chain: Chain, run: ChainResult) -> Values:
    return np.maximum(run.adc_counts - chain.quiescent_counts, 0)


def seen_lsb(chain: Chain, run: ChainResult, seed: Seed) -> Values:
    """What the converter saw in LSB before it rounded, at every reading."""
    read_v = detector_at_readings(run, chain)
    adc = chain.adc
    # Behind a rectifier that parts make, the pin's buffer ends at 15 mV: of the class, from memory.
    lowest_v = -np.inf if adc.buffered == "no" or chain.rectifier.topology == "ideal" else 0.015
    pin_v, codes = np.maximum(read_v, lowest_v) * adc.settled_share, 2.0**adc.bits
    line = (pin_v - adc.dead_low_v) * codes / (adc.reference_v - adc.dead_low_v - adc.dead_high_v)
    line *= 1 + adc.gain_error_percent / 100
    along = np.clip(line / codes, 0, 1)
    lsb = line + adc.bow_lsb * 4 * along * (1 - along) + adc.offset_lsb
    if seed is None:
        return lsb
    _, _, of_adc = np.random.default_rng(seed).spawn(3)
    return lsb + chain.adc.noise_lsb * of_adc.standard_normal(lsb.size)


def detector_at_readings(run: ChainResult, chain: Chain) -> Values:
    """The detector at the ADC's instants, V: output n is stamped (n + ½)/rate, before the first it rests."""
    stamps = np.arange(-1, run.detector_v.size) + 0.5
    volts = np.concatenate(([chain.quiescent_v], run.detector_v))
    instants = np.arange(run.adc_counts.size) / run.adc_rate_hz * run.internal_rate_hz
    return np.asarray(np.interp(instants, stamps, volts))


def rounding_lsb(chain: Chain, run: ChainResult) -> float:
    """How far two orders of the same arithmetic may part at the detector, in LSB.

    A step v ← max(bleed·v, charge·v + gain·u) rounds three products and a sum, each to half a unit in the
    last place of at most the peak, in either way of computing it; what was wrong before, a step does not
    enlarge (both keeps are at most 1). So after n steps: 2·4·n·eps/2 of the peak. A diode's step takes ω
    from a table to 2e-12 of itself (envlab/analog/kernels/diode_kernels.py), which moves the capacitor by the
    same share of what flows: 1e-11 of the peak is more than both ways together can be wrong.
    """
    peak_v = max(float(np.abs(run.detector_v).max()), float(np.abs(run.rectified_v).max()))
    wrong_v = (8 * run.detector_v.size * ROUNDING + 1e-11) * peak_v
    return wrong_v * chain.adc.settled_share / chain.adc.lsb_v


def drawn_apart_lsb(chain: Chain, run: ChainResult) -> float:
    """The same where the preamp's noise is interpolated by itself, and added afterwards.

    The interpolation's two spectra of 2^14 points round 14 times each way, half a unit of the largest
    pressure a time; the front hands that on with its gain, the limits only take from it.
    """
    wrong_pa = 2 * 2 * 14 * ROUNDING * float(np.abs(run.pressure_pa).max())
    gain = chain.microphone.sensitivity_v_pa * chain.preamp.gain
    return rounding_lsb(chain, run) + wrong_pa * gain * chain.adc.settled_share / chain.adc.lsb_v


def counts_pair(path: Values, chain: Chain, run: ChainResult, seed: Seed, within: float = 0.0) -> Pair:
    """Counts above the quiescent count at every reading."""
    lsb = None if within == 0 else seen_lsb(chain, run, seed)
    return Pair(path, above_quiescent(chain, run), within, lsb)


def detector_pair(detector_v: Values, chain: Chain, run: ChainResult) -> Pair:
    """The detector's voltage at every reading.

    Chain.run's has the reference node's voltage in it: taking it off and adding it again rounds thrice.
    """
    rounding_v = 4 * ROUNDING * float(run.detector_v.max())
    return Pair(detector_v, detector_at_readings(run, chain), rounding_v)


def near_an_edge(chain: Chain, run: ChainResult, seed: Seed) -> bool:
    """Whether any reading lies so near to the edge of a count that rounding decides."""
    lsb = seen_lsb(chain, run, seed)
    return bool(np.any(np.abs(lsb - np.round(lsb)) <= rounding_lsb(chain, run)))


def largest_step(chain: Chain) -> float:
    """Largest rise of duty over one count."""
    table = chain.brightness_table()
    counts = np.arange(chain.adc.top_code + 1, dtype=np.float64)
    return float(np.diff(table.look_up(counts) / table.full_code).max())

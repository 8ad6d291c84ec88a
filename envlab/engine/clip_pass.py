"""One clip through many chains at once, block by block, and nothing of it kept.

The wave between the samples is computed once; each front (microphone, preamp, rectifier) once; the detectors
of a front run side by side, in banks. What each bank's converter reads goes to a reader, which makes of it
what it likes. While the banks work on one block, the wave of the next is made ready.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from envlab.analog.bank.envelope_bank import EnvelopeBank
from envlab.analog.detector import Detector, hold_step
from envlab.analog.front_end import FrontEndState, drive_from
from envlab.analog.microphone import MicrophoneState, hear, is_overloaded
from envlab.analog.noise import NoiseStreams, noise_streams
from envlab.chain import Chain
from envlab.engine.reading_schedule import Block, Due, Wanted
from envlab.errors import ParameterError, check_range
from envlab.sound.interpolate import internal_rate_hz, interpolated_pieces
from envlab.sound.stream import Sound
from envlab.units import BoolArray, FloatArray, IntArray

BLOCK = 65_536
BEHAVIOUR_RATE_HZ = 384e3
# Detectors of one bank: with more of them a front alone would leave processors idle.
BANK = 256


class Reader(Protocol):
    """Takes what a bank's chains read, in the order of time."""

    def take(self, counts: NDArray[np.int32]) -> None:
        """counts: shape (chains, readings of a block), 32-bit, ADC counts above quiescent, not negative."""


def behaviour(detector: Detector) -> tuple[float, float, float]:
    """Return logarithm of what is kept in a step while charging, gain, and the logarithm of what bleed keeps.

    Detectors with equal steps (at BEHAVIOUR_RATE_HZ) behave alike; 12 digits, as parts' products differ in
    the last bits.
    """
    step = hold_step(detector, BEHAVIOUR_RATE_HZ)
    # A part so quick that it forgets all within a step keeps 0 of it, and so does every quicker one.
    charge, bleed = (math.log(keep) if keep else -math.inf for keep in (step.charge_keep, step.bleed_keep))
    return float(f"{charge:.12g}"), float(f"{step.charge_gain:.12g}"), float(f"{bleed:.12g}")


def read_through(
    sound: Sound,
    chains: list[Chain],
    readings: Wanted,
    reader_of: Callable[[IntArray], Reader],
    *,
    seed: tuple[int, ...] | None = None,
    workers: int = 2,
    progress: Callable[[float], None] | None = None,
) -> FloatArray:
    """Play a clip to every chain; return the clipped share, shape (chains,).

    Clipped share: of the internal samples, those at which microphone or preamp was at its limit. chains: at
    least one; all share ADC and microphone, and have the same preamp noise. reader_of: called once for each
    bank with the places of its chains; its reader gets what they read at the readings wanted. seed: of the
    generator whose streams give microphone, preamp and ADC noise, the same to every chain, as Chain.run
    draws it; None for no noise. progress: called with the share of this clip that is done, 0 to 1.
    """
    check_alike(chains)
    check_range("workers", workers, 1)
    noise = None if seed is None else noise_streams(np.random.default_rng(seed))
    rate_hz = internal_rate_hz(sound.sample_rate_hz)
    samples = round(sound.duration_s * rate_hz)
    due = Due(readings, chains[0].adc, samples, rate_hz, None if noise is None else noise.adc)
    fronts = _fronts(chains, rate_hz, reader_of)
    banks = [bank for front in fronts for bank in front.banks]
    waves = _waves(sound, chains[0], rate_hz, noise)
    with ThreadPoolExecutor(workers) as pool:
        wave: _Wave | None = next(waves)
        while wave is not None:
            for _ in pool.map(_Front.drive, fronts, [wave] * len(fronts)):
                pass
            end = wave.start + wave.microphone_v.size
            block = due.before(wave.start, end)
            following = pool.submit(next, waves, None)
            for _ in pool.map(_Bank.read, banks, [block] * len(banks)):
                pass
            if progress is not None:
                progress(end / samples)
            wave = following.result()
    clipped_share = np.empty(len(chains))
    for front in fronts:
        for bank in front.banks:
            clipped_share[bank.places] = front.limited / samples
    return clipped_share


@dataclass(frozen=True, eq=False)
class _Wave:
    """What the microphone gives in one block; overloaded: where it could not follow. Shape (n,)."""

    start: int
    microphone_v: FloatArray
    overloaded: BoolArray


def _waves(sound: Sound, chain: Chain, rate_hz: float, noise: NoiseStreams | None) -> Iterator[_Wave]:
    state = MicrophoneState()
    pieces = sound.pieces() if noise is None else _noisy(sound, chain, noise)
    for start, fine_pa in interpolated_pieces(pieces, sound.samples, sound.sample_rate_hz, BLOCK):
        overloaded = is_overloaded(fine_pa, chain.microphone)
        microphone_v, state = hear(fine_pa, chain.microphone, sample_rate_hz=rate_hz, state=state)
        yield _Wave(start, microphone_v, overloaded)


def _noisy(sound: Sound, chain: Chain, noise: NoiseStreams) -> Iterator[FloatArray]:
    for piece in sound.pieces():
        yield piece + chain.noise_pa(piece.size, sound.sample_rate_hz, noise)


class _Front:
    """Chains that share microphone, preamp and rectifier; carries their state from block to block."""

    def __init__(
        self, chains: list[Chain], places: list[int], rate_hz: float, reader_of: Callable[[IntArray], Reader]
    ) -> None:
        self._chain, self._rate_hz, self._state = chains[places[0]], rate_hz, FrontEndState()
        self.limited = 0
        self.drive_v: FloatArray = np.empty(0)
        self.banks = [_Bank(self, chains, groups, reader_of, rate_hz) for groups in _banks(chains, places)]

    def drive(self, wave: _Wave) -> None:
        """Set drive_v, what the detectors are offered in this block."""
        nodes = drive_from(
            wave.microphone_v,
            wave.overloaded,
            self._chain.preamp,
            self._chain.band_filter,
            self._chain.rectifier,
            sample_rate_hz=self._rate_hz,
            state=self._state,
        )
        self._state, self.limited = nodes.end, self.limited + nodes.limited
        self.drive_v = nodes.drive_v


class _Bank:
    """Some chains of a front and their detectors, of which equal ones run once."""

    def __init__(
        self,
        front: _Front,
        chains: list[Chain],
        groups: list[list[int]],
        reader_of: Callable[[IntArray], Reader],
        rate_hz: float,
    ) -> None:
        """groups: places of chains, each with the same detector."""
        first = chains[groups[0][0]]
        self.places = np.concatenate(groups)
        self._front, self._reader = front, reader_of(self.places)
        self._adc, self._quiescent_v = first.adc, first.rectifier.reference_node_v
        self._quiescent_counts = np.array([chains[place].quiescent_counts for place in self.places])
        self._lanes = np.repeat(np.arange(len(groups)), [len(group) for group in groups])
        detectors = tuple(chains[group[0]].detector_as_built for group in groups)
        self._bank = EnvelopeBank(detectors, first.rectifier, rate_hz, first.preamp.bias_v)

    def read(self, block: Block) -> None:
        """Follow the front's drive over a block and hand the counts to the reader."""
        from envlab.engine import count_kernels

        read_v = self._bank.read(self._front.drive_v, block.upper, block.fraction)
        counts = count_kernels.counts_above_quiescent(
            np.ascontiguousarray(read_v.T),
            self._lanes,
            self._quiescent_v,
            self._adc.settled_share,
            self._adc.lsb_v,
            self._adc.offset_lsb,
            block.noise_lsb,
            self._adc.top_code,
            self._quiescent_counts,
        )
        self._reader.take(counts)


def _alike(chain: Chain) -> object:
    """Only where the drive does not depend on the capacitor do equal time constants mean equal volts."""
    detector = chain.detector_as_built
    return behaviour(detector) if chain.rectifier.scales_with_level else detector


def _banks(chains: list[Chain], places: list[int]) -> list[list[list[int]]]:
    """Share out a front's chains among banks, those with equal detectors in one group; groups that charge
    alike come into the same bank."""
    groups: dict[object, list[int]] = {}
    for place in places:
        groups.setdefault(_alike(chains[place]), []).append(place)
    order = list(groups)
    banks = -(-len(order) // BANK)
    if banks > 1 and chains[places[0]].rectifier.scales_with_level:
        order.sort(key=_charging)
    edges = np.linspace(0, len(order), banks + 1).round().astype(int)
    return [[groups[key] for key in order[first:last]] for first, last in itertools.pairwise(edges)]


def _charging(steps: object) -> tuple[float, object]:
    """How long a detector charges for how long it bleeds; steps as behaviour gives them."""
    assert isinstance(steps, tuple)
    charge, _, bleed = steps
    return (0.0 if charge == -math.inf else bleed / charge), steps


def _fronts(chains: list[Chain], rate_hz: float, reader_of: Callable[[IntArray], Reader]) -> list[_Front]:
    places: dict[object, list[int]] = {}
    for place, chain in enumerate(chains):
        shared = (chain.microphone, chain.preamp, chain.band_filter, chain.rectifier)
        places.setdefault(shared, []).append(place)
    return [_Front(chains, same, rate_hz, reader_of) for same in places.values()]


def check_alike(chains: list[Chain]) -> None:
    """Raise ParameterError unless the chains hear and are read alike, noise included."""
    first = chains[0]
    for chain in chains:
        if chain.adc != first.adc or chain.microphone != first.microphone:
            raise ParameterError(
                "chains", "chains with several ADCs or microphones", "chains with the same ones"
            )
        density = chain.preamp.noise_density_v_per_rthz
        if density != first.preamp.noise_density_v_per_rthz:
            raise ParameterError("noise_v_per_rthz", density, "the same for all chains")

"""One clip through many chains at once: what each chain's ADC reads.

The wave between the samples is computed once; each front (microphone, preamp, rectifier) once; the detectors
of a front run side by side. It gives what Chain.run gives chain by chain.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from envlab.analog.adc import in_lsb, instants_s, stamps_of
from envlab.analog.detector import Detector
from envlab.analog.envelope_bank import EnvelopeBank
from envlab.analog.front import FrontState, drive_from
from envlab.analog.microphone import MicrophoneState, hear, is_overloaded
from envlab.chain import Chain
from envlab.errors import ParameterError, check_range
from envlab.sound.interpolate import internal_rate_hz, interpolated_blocks
from envlab.sound.recording import Recording
from envlab.units import BoolArray, FloatArray, IntArray

BLOCK = 65_536


@dataclass(frozen=True, eq=False)
class Readings:
    """counts: shape (chains, readings), ADC counts above rest, not negative.

    clipped_share: shape (chains,), share of internal samples at which microphone or preamp was at its limit.
    """

    counts: IntArray
    clipped_share: FloatArray


class _Front:
    """Chains that share microphone, preamp and rectifier; carries their state from block to block."""

    def __init__(self, chains: list[Chain], places: list[int], rate_hz: float) -> None:
        first = chains[places[0]]
        self.preamp, self.band_filter, self.rectifier = first.preamp, first.band_filter, first.rectifier
        detectors: dict[object, Detector] = {}
        self.places, self.lanes = np.array(places), np.empty(len(places), dtype=np.int64)
        self.rest_counts = np.array([[chains[place].rest_counts] for place in places])
        keys: dict[object, int] = {}
        for i, place in enumerate(places):
            detector = chains[place].detector_as_built
            # Only where the drive does not depend on the capacitor do equal time constants mean equal volts.
            key = behaviour(detector) if self.rectifier.scales_with_level else detector
            detectors.setdefault(key, detector)
            self.lanes[i] = keys.setdefault(key, len(keys))
        self.bank = EnvelopeBank(tuple(detectors.values()), self.rectifier, rate_hz, self.preamp.bias_v)
        self.rate_hz, self.state = rate_hz, FrontState()
        self.limited = 0

    def read(
        self, microphone_v: FloatArray, overloaded: BoolArray, upper: IntArray, fraction: FloatArray
    ) -> FloatArray:
        """Return volts above the foot, shape (places, readings of this block)."""
        nodes = drive_from(
            microphone_v,
            overloaded,
            self.preamp,
            self.band_filter,
            self.rectifier,
            sample_rate_hz=self.rate_hz,
            state=self.state,
        )
        self.state, self.limited = nodes.end, self.limited + nodes.limited
        read_v = self.bank.read(nodes.drive_v, upper, fraction)
        return np.ascontiguousarray(read_v.T[self.lanes])


def behaviour(detector: Detector) -> tuple[float, float, float]:
    """Detectors with equal steps behave alike; 12 digits, as parts' products differ in the last bits."""
    from envlab.analog.detector import hold_step

    step = hold_step(detector, 384e3)
    # A part so quick that it forgets all within a step keeps 0 of it, and so does every quicker one.
    charge, bleed = (math.log(keep) if keep else -math.inf for keep in (step.charge_keep, step.bleed_keep))
    return float(f"{charge:.12g}"), float(f"{step.charge_gain:.12g}"), float(f"{bleed:.12g}")


def read_chains(
    recording: Recording,
    chains: list[Chain],
    reading_index: IntArray,
    *,
    seed: tuple[int, ...] | None = None,
    workers: int = 2,
    progress: Callable[[float], None] | None = None,
) -> Readings:
    """Return the ADC counts of every chain at the readings named (0 is at time 0, 1 one ADC period later).

    chains: at least one; all share ADC and microphone, and have the same preamp noise. reading_index: rising,
    shape (readings,). seed: of the generator that gives microphone, preamp and ADC noise, the same noise to
    every chain, in the order in which Chain.run draws it; None for no noise. progress: called with the share
    of this clip that is done, 0 to 1.
    """
    first = chains[0]
    _check_alike(chains)
    check_range("workers", workers, 1)
    rate_hz = internal_rate_hz(recording.sample_rate_hz)
    rng = None if seed is None else np.random.default_rng(seed)
    pressure_pa = recording.pressure_pa
    if rng is not None:
        pressure_pa = pressure_pa + first.noise_pa(pressure_pa.size, recording.sample_rate_hz, rng)
    all_times_s = instants_s(recording.duration_s, first.adc.rate_hz)
    times_s = all_times_s[reading_index]
    noise_lsb = np.zeros(times_s.size)
    if rng is not None:
        noise_lsb = first.adc.noise_lsb * rng.standard_normal(all_times_s.size)[reading_index]
    samples = round(recording.duration_s * rate_hz)
    upper, fraction = stamps_of(times_s, samples, rate_hz)

    fronts = _fronts(chains, rate_hz)
    counts = np.empty((len(chains), times_s.size), dtype=np.int32)
    microphone_state = MicrophoneState()
    with ThreadPoolExecutor(workers) as pool:
        for start, fine_pa in interpolated_blocks(pressure_pa, recording.sample_rate_hz, BLOCK):
            overloaded = is_overloaded(fine_pa, first.microphone)
            microphone_v, microphone_state = hear(
                fine_pa, first.microphone, sample_rate_hz=rate_hz, state=microphone_state
            )
            due = slice(*np.searchsorted(upper, (start, start + fine_pa.size)))

            def run(
                front: _Front,
                v: FloatArray = microphone_v,
                over: BoolArray = overloaded,
                due: slice = due,
                start: int = start,
            ) -> None:
                read_v = front.rectifier.rest_v + front.read(v, over, upper[due] - start, fraction[due])
                lsb = in_lsb(read_v, first.adc) + noise_lsb[due]
                limited = np.clip(np.floor(lsb), 0, first.adc.top_code)
                counts[front.places, due] = np.maximum(limited - front.rest_counts, 0)

            list(pool.map(run, fronts))
            if progress is not None:
                progress((start + fine_pa.size) / samples)
    clipped_share = np.empty(len(chains))
    for front in fronts:
        clipped_share[front.places] = front.limited / samples
    return Readings(counts.astype(np.int64), clipped_share)


def _fronts(chains: list[Chain], rate_hz: float) -> list[_Front]:
    places: dict[object, list[int]] = {}
    for place, chain in enumerate(chains):
        shared = (chain.microphone, chain.preamp, chain.band_filter, chain.rectifier)
        places.setdefault(shared, []).append(place)
    return [_Front(chains, same, rate_hz) for same in places.values()]


def _check_alike(chains: list[Chain]) -> None:
    first = chains[0]
    for chain in chains:
        if chain.adc != first.adc or chain.microphone != first.microphone:
            raise ParameterError(
                "chains", "chains with several ADCs or microphones", "chains with the same ones"
            )
        density = chain.preamp.noise_density_v_per_rthz
        if density != first.preamp.noise_density_v_per_rthz:
            raise ParameterError("noise_v_per_rthz", density, "the same for all chains")

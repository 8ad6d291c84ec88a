"""The seconds round a playhead, before the whole clip is computed: how the board comes to know its past.

Three stretches, one behind the other. Over the longest memory of the detector the circuit runs at an eighth
of the rate, which is rough (a peak between two samples is missed) and costs an eighth. Then it runs as it
does over the whole clip, long enough for the roughness to be forgotten; then come the seconds shown.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from envlab.analog.adc import instants_s, read_at
from envlab.analog.envelope import HoldState, hold_rectified
from envlab.analog.preamps.board_preamp import BoardPreamp
from envlab.analog.stage import AnalogStage, Surroundings
from envlab.chain import Chain
from envlab.engine.board import front_end_of
from envlab.engine.front_end import FrontEnd, front_end
from envlab.study.listening.light import BoardLight, light_from_readings, prepare_light
from envlab.study.listening.wave import KeptRectified, KeptWave
from envlab.units import FloatArray

BEFORE_S = 0.3
AFTER_S = 1.05
# Before the detector is asked, the corners of microphone and preamp settle.
_LEAD_S = 0.1
_ROUGH_MOST_S = 6.0
_ROUGH_MEMORIES = 7.0
# One in so many samples of the wave: 44.1 to 50 thousand a second, whatever the file's rate.
_ROUGH_STEP = 8
# Samples that one processor hands to the other.
_PIECE = 65_536


@dataclass(frozen=True)
class Span:
    """frames: those to show. readings: those to compute, the first one where the rough run begins.
    exact_from_s: where the circuit runs as over the whole clip; rough_from_s: where it runs at all."""

    frames: range
    readings: range
    rough_from_s: float
    exact_from_s: float


def span_of(chain: Chain, playhead_s: float, duration_s: float, *, rectified_known: bool) -> Span:
    """Return what to compute for a playhead, s; rectified_known: the front end needs not be run anew."""
    total = instants_s(duration_s, chain.frame_rate_hz).size
    rate_hz = chain.frame_rate_hz
    first = min(max(0, int((playhead_s - BEFORE_S) * rate_hz)), total - 1)
    last = min(max(first + 1, int((playhead_s + AFTER_S) * rate_hz) + 1), total)
    exact_from_s = max(0.0, first / rate_hz - _warm_up_s(chain, rectified_known))
    rough_s = min(_ROUGH_MOST_S, _ROUGH_MEMORIES * chain.detector_as_built.slowest_s)
    rough_from_s = max(0.0, exact_from_s - rough_s)
    first_reading = int(np.ceil(rough_from_s * chain.adc.rate_hz - 1e-9))
    last_reading = int(chain.reading_of_frame(last)[-1])
    return Span(range(first, last), range(first_reading, last_reading + 1), rough_from_s, exact_from_s)


def _warm_up_s(chain: Chain, rectified_known: bool) -> float:
    """Seconds that all but fill the time a move may take, by what a second of this circuit costs."""
    slow_front = isinstance(chain.preamp, BoardPreamp)
    if not chain.rectifier.scales_with_level:
        return 0.4 if slow_front and not rectified_known else 0.8
    if rectified_known:
        return 1.2
    return 0.6 if slow_front else 0.9


def window_light(
    chain: Chain, wave: KeptWave, rectified: KeptRectified | None, playhead_s: float
) -> BoardLight:
    """Return the light round a playhead, s from the clip's start, not exact.

    rectified: of this chain's front end, as far as it is known; None: of no use here.
    """
    recording = wave.recording
    total = instants_s(recording.duration_s, chain.frame_rate_hz).size
    span = span_of(chain, playhead_s, recording.duration_s, rectified_known=rectified is not None)
    start = int(span.exact_from_s * wave.rate_hz) // _ROUGH_STEP * _ROUGH_STEP
    last_s = span.readings[-1] / chain.adc.rate_hz
    stop = min(wave.samples, int(last_s * wave.rate_hz) + 3)
    if rectified is not None and rectified.filled < stop:
        rectified = None
    times_s = np.array(span.readings) / chain.adc.rate_hz
    rough = times_s * wave.rate_hz < start
    rough_v, held_v, silent_v = _side_by_side(
        lambda: _rough(chain, wave, span.rough_from_s, start, times_s[rough]),
        _rectified_from_rest(chain, wave, start, stop)
        if rectified is None
        else iter([rectified.piece(start, stop)]),
        chain,
        wave.rate_hz,
        lambda: prepare_light(chain),
    )
    fine_s = times_s[~rough] - start / wave.rate_hz
    fine_v = read_at(held_v, fine_s, sample_rate_hz=wave.rate_hz, start_v=silent_v)
    return light_from_readings(
        chain,
        np.concatenate((rough_v, fine_v)),
        first_reading=span.readings.start,
        frames=span.frames,
        total_frames=total,
        exact=False,
    )


def _side_by_side(
    rough: Callable[[], tuple[FloatArray, HoldState]],
    rectified: Iterator[FloatArray],
    chain: Chain,
    rate_hz: float,
    meanwhile: Callable[[], None],
) -> tuple[FloatArray, FloatArray, float]:
    """Return (V of the rough past, V held at every rectified sample, V before the first of them).

    One processor goes through the rough past and then holds the rectified voltage, while the other makes it
    and then does what else is wanted meanwhile.
    """
    rectifier, detector = chain.rectifier_as_built, chain.detector_as_built
    with ThreadPoolExecutor(1) as beside:
        past = beside.submit(rough)

        def held(
            rectified_v: FloatArray, before: Future[tuple[FloatArray, HoldState]]
        ) -> tuple[FloatArray, HoldState]:
            _, state = before.result()
            return hold_rectified(rectified_v, rectifier, detector, sample_rate_hz=rate_hz, state=state)

        steps = [past]
        for rectified_v in rectified:
            steps.append(beside.submit(held, rectified_v, steps[-1]))
        meanwhile()
        held_v = np.concatenate([step.result()[0] for step in steps[1:]])
    rough_v, end = past.result()
    return rough_v, held_v, end.held_v


def _rectified_from_rest(chain: Chain, wave: KeptWave, start: int, stop: int) -> Iterator[FloatArray]:
    """Yield the rectified voltage from one sample to another, piece by piece, V."""
    lead = max(0, start - int(_LEAD_S * wave.rate_hz))
    fine_pa, stages = wave.piece(lead, stop), front_end(chain, wave.rate_hz)
    for first in range(lead, stop, _PIECE):
        some_pa = fine_pa[first - lead : first - lead + _PIECE]
        rectified_v = np.empty(some_pa.size)
        stages.fill(some_pa, None, rectified_v)
        if first + rectified_v.size > start:
            yield rectified_v[max(0, start - first) :]


def _rough(
    chain: Chain, wave: KeptWave, from_s: float, stop: int, times_s: FloatArray
) -> tuple[FloatArray, HoldState]:
    """Return (V above the reference node at times_s, state of the capacitors) at sample stop of the wave."""
    rate_hz = wave.rate_hz / _ROUGH_STEP
    start = int(from_s * rate_hz) * _ROUGH_STEP
    silent = chain.quiescent_state
    if stop <= start:
        return np.empty(0), replace(silent, samples=stop)
    rough: dict[str, AnalogStage] = {}
    for name, stage in front_end_of(chain).items():
        rough |= {f"{name} {n}": part for n, part in enumerate(stage.roughly(rate_hz))}
    done = FrontEnd(rough, Surroundings(rate_hz)).advance(_thinned(wave, start, stop))
    held_v, end = hold_rectified(
        done.nodes[list(rough)[-1]],
        chain.rectifier_as_built,
        chain.detector_as_built,
        sample_rate_hz=rate_hz,
        state=replace(silent, samples=start // _ROUGH_STEP),
    )
    read_v = read_at(
        held_v,
        times_s - start / wave.rate_hz,
        sample_rate_hz=rate_hz,
        start_v=silent.held_v,
    )
    # Readings are found by the count of samples at the wave's own rate.
    return read_v, replace(end, samples=stop)


def _thinned(wave: KeptWave, start: int, stop: int) -> FloatArray:
    """Every _ROUGH_STEP-th sample of the wave; from the file alone where all of them stand in it."""
    if _ROUGH_STEP % wave.factor:
        return wave.piece(start, stop)[::_ROUGH_STEP].copy()
    first, last, step = start // wave.factor, stop // wave.factor, _ROUGH_STEP // wave.factor
    return np.ascontiguousarray(wave.recording.pressure_pa[first:last:step])

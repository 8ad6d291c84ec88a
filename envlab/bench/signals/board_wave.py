"""The bench signal as it stands at a design's rectifier, before any limit."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from envlab.analog.stage import AnalogStage, Surroundings
from envlab.bench.signals.program import FULL_SCALE, MAIN_HZ, SAMPLE_RATE_HZ, BenchProgram
from envlab.chain import Chain
from envlab.engine.board import front_end_of
from envlab.engine.front_end import FrontEnd
from envlab.sound.interpolate import interpolate
from envlab.units import FloatArray

# The loudest tone's peak as a share of what swing and converter bear: a microphone 3 dB too loud still fits.
TOP_SHARE = 0.6
# So far under every limit that a stage is linear; the answer is scaled back.
_SMALL = 1e-4


def stages_heard(chain: Chain, way: str) -> dict[str, AnalogStage]:
    """Return name → stage of what lies between where the signal is put in and the rectifier."""
    stages = dict(list(front_end_of(chain).items())[:-1])
    if way == "wire":
        stages.pop("microphone")
    return stages


def top_v(chain: Chain) -> float:
    """Return the peak of the loudest tone at the rectifier, V round the bias."""
    preamp, adc = chain.preamp, chain.adc
    swing_v = min(preamp.swing_up_v, preamp.swing_down_v)
    room_v = adc.reference_v - chain.quiescent_v
    return TOP_SHARE * min(swing_v, room_v / chain.tone_response().settled_ratio)


def response_at(chain: Chain, way: str, frequency_hz: float) -> float:
    """Return volts at the rectifier per volt at the input capacitor, or per pascal; without limits."""
    product: complex = 1.0
    for stage in stages_heard(chain, way).values():
        product *= stage.response(frequency_hz)
    return abs(product)


def input_peak(chain: Chain, way: str) -> float:
    """Return the loudest tone's peak where it is put in: V at the input capacitor, or Pa."""
    return top_v(chain) / response_at(chain, way, MAIN_HZ)


def input_level_db_spl(chain: Chain) -> float:
    """Return how loud the loudest tone is to be at the microphone, dB SPL."""
    return 20 * math.log10(input_peak(chain, "acoustic") / math.sqrt(2) / 20e-6)


def with_corners_up(chain: Chain, times: float) -> Chain:
    """Return a design whose capacitors before the rectifier are smaller by times, their corners up by it."""
    preamp = chain.preamp
    smaller = {
        one.name: getattr(preamp, one.name) / times
        for one in dataclasses.fields(preamp)
        if one.name.endswith("_farad") and getattr(preamp, one.name)
    }
    return dataclasses.replace(chain, preamp=dataclasses.replace(preamp, **smaller))


def wave_at_rectifier(
    chain: Chain, program: BenchProgram, *, peak: float | None = None, wave: FloatArray | None = None
) -> FloatArray:
    """Return the signal at the rectifier's input at the internal rate, V round the bias, without limits.

    wave: shape (n,), share of full scale, at SAMPLE_RATE_HZ; None: the program's own. peak: of the
    loudest tone where it is put in, V or Pa; None: as input_peak says.
    """
    samples = program.samples() if wave is None else wave
    fine = interpolate(samples / FULL_SCALE, SAMPLE_RATE_HZ)
    stages = stages_heard(chain, program.way)
    rate_hz = fine.size / samples.size * SAMPLE_RATE_HZ
    scale = _SMALL * (input_peak(chain, program.way) if peak is None else peak)
    around = Surroundings(rate_hz)
    out = np.empty_like(fine)
    FrontEnd(stages, around).fill(scale * fine, None, out)
    # What stands at the output without a signal, offsets for instance, is no part of the wave.
    at_rest = np.empty(4096)
    FrontEnd(stages, around).fill(np.zeros(at_rest.size), None, at_rest)
    return np.asarray((out - at_rest[-1]) / _SMALL)

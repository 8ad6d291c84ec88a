"""What is read at the pin: Chain.run's counts against the nodal solution of all that leads to the pin.

The buffer is the description's: an amplifier with a pole, whose output ends where output_low_v says. Behind
it stands a converter that is ideal but for rounding: floor(v/LSB).
"""

from __future__ import annotations

import math
import warnings
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from circuit.nodal_board import BASE_HZ, netlist_of
from circuit.nodal_boards import BOARDS, Stretch, recording_of
from reference.nodal.solve import Circuit as Solver
from reference.nodal.waves import sampled

from envlab.analog.adc import Adc
from envlab.chain import Chain
from envlab.circuit.circuit import PIN, circuit_of
from envlab.errors import EnvlabWarning
from envlab.sound.recording import Recording

WITHIN_DB, WITHIN_COUNTS = 0.15, 1.0
SILENCE_S = 0.01
STRETCHES = (Stretch(1000.0, 62.0, 0.02), Stretch(1000.0, 78.0, 0.02), Stretch(400.0, 96.0, 0.03))
# With and without an amplifier before the buffer; on ground, lifted, on the bias; one buffer by its own data
# sheet, which comes nearer to ground.
NAMES = (
    "schottky, coupled",
    "germanium, coupled, slow",
    "silicon on the bias",
    "doubler, schottky",
    "transistor",
    "differences on ground",
    "differences lifted",
)


def sound() -> Recording:
    tones = recording_of(STRETCHES)
    silence = np.zeros(round(SILENCE_S * tones.sample_rate_hz))
    return Recording(
        np.concatenate((silence, tones.pressure_pa)), tones.sample_rate_hz, "silence, three tones"
    )


def board(name: str) -> Chain:
    """The board, its converter without noise; "near": its buffer comes to 3 mV of ground."""
    known, _, near = name.partition("; ")
    chain = BOARDS[known]
    return replace(chain, adc=replace(chain.adc, noise_lsb=0.0, buffer_low_v=0.003 if near else None))


@cache
def nodal_lsb(name: str) -> np.ndarray:
    """What stands at the pin at the converter's instants but the first, in LSB, not rounded."""
    chain, heard = board(name), sound()
    solver = Solver(netlist_of(circuit_of(chain), to_pin=True))
    solver.settle()
    rate_hz = chain.adc.rate_hz
    per_reading = math.ceil(BASE_HZ / rate_hz)
    last_s = (math.ceil(heard.duration_s * rate_hz) - 1) / rate_hz
    wave = sampled(heard.pressure_pa, heard.sample_rate_hz)
    solved = solver.run(wave, last_s, [PIN], base_s=1 / (rate_hz * per_reading), every=per_reading)
    return np.asarray(solved.volts[PIN] / chain.adc.lsb_v)


def read(name: str) -> np.ndarray:
    """Counts at the same instants."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", EnvlabWarning)
        return board(name).run(sound()).adc_counts[1:]


def apart(nodal: np.ndarray, read: np.ndarray) -> tuple[float, float]:
    """Return the worst difference, dB where more than 10 counts are read, else counts; rounding left out."""
    above, below = np.maximum(read - nodal, 0.0), np.maximum(nodal - (read + 1), 0.0)
    off, loud = above + below, nodal > 10
    worst_db = 20 * np.log10(1 + off[loud] / nodal[loud]).max() if loud.any() else 0.0
    return float(worst_db), float(off[~loud].max()) if not loud.all() else 0.0


@pytest.mark.parametrize("name", [*NAMES, "schottky, coupled; near"])
def test_counts_are_those_of_the_boards_own_parts(name: str) -> None:
    nodal = nodal_lsb(name)
    worst_db, worst_counts = apart(nodal, read(name))
    assert nodal.max() > 60
    assert worst_db <= WITHIN_DB
    assert worst_counts <= WITHIN_COUNTS


def test_a_diode_on_ground_reads_the_buffers_end_in_silence() -> None:
    """15 mV are 4.65 LSB of 10 bit on 3.3 V, 3 mV are 0.93."""
    quiet = slice(0, round(SILENCE_S * 2000.0) - 1)
    for name, lsb in (("schottky, coupled", 4.65), ("schottky, coupled; near", 0.93)):
        np.testing.assert_allclose(nodal_lsb(name)[quiet], lsb, atol=0.01)
        assert set(read(name)[quiet]) == {math.floor(lsb)}


@pytest.mark.parametrize("low_v", [None, 0.003, 0.05])
def test_model_and_description_have_one_buffer(low_v: float | None) -> None:
    """None: 15 mV, typical of rail-to-rail parts, whatever rectifies; an ideal rectifier's reaches ground."""
    ideal = Chain()
    for chain in (ideal, *BOARDS.values()):
        one = replace(chain, adc=replace(chain.adc, buffer_low_v=low_v, buffered="yes"))
        described_v = circuit_of(one).component("U5").data["output_low_v"]
        usual_v = 0.0 if chain is ideal else 0.015
        assert described_v == max(one.adc_as_built.lowest_pin_v, 0.0)
        assert described_v == (usual_v if low_v is None else low_v)


def test_another_buffer_than_the_described_one_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Adc, "behind", lambda adc, _: adc)
    _, worst_counts = apart(nodal_lsb("schottky, coupled"), read("schottky, coupled"))
    assert worst_counts > WITHIN_COUNTS

"""Boards that nobody soldered, for trying things out: played by envlab's own engine, seeded.

They show how a capture is read. That what is read is right they cannot show, since the same engine makes and
reads them; that is held against boards in continuous time (tests/reference/invented_board.py).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from envlab.analog.microphone import Microphone
from envlab.bench.captures.capture import Capture
from envlab.bench.signals.board_wave import input_peak
from envlab.bench.signals.program import FULL_SCALE, SAMPLE_RATE_HZ, bench_program
from envlab.chain import CALIBRATION_HZ, Chain
from envlab.errors import check_range
from envlab.seeds import generator_of
from envlab.sound.recording import Recording
from envlab.study.tolerance.drawn_boards import board_of, draw
from envlab.study.tolerance.tolerances import Tolerances, varied_parameters
from envlab.units import FloatArray

# Nothing but a wire: as wide as a microphone may be.
_WIRE = Microphone(-20.0, 90.0, 160.0, low_corner_hz=1.0, high_corner_hz=100e3)
_BEHIND_S = 0.5


def invented_capture(
    design: Chain,
    board: Chain,
    way: str = "wire",
    *,
    seed: int = 1,
    clock: float = 0.0,
    delay_s: float = 0.5,
) -> Capture:
    """Return what a board logs while its design's bench signal plays.

    Parameters
    ----------
    design : Chain
        The design that the bench signal is for.
    board : Chain
        The board as it is.
    way : str
        "wire" or "acoustic".
    seed : int
        Of the noise, 0 or more.
    clock : float
        How much too fast the board's clock runs, as a share, −0.02 to 0.02.
    delay_s : float
        How long before the signal the log begins, 0 to 5 s.

    Returns
    -------
    Capture

    Examples
    --------
    >>> import envlab
    >>> from envlab.bench.returned import invented_capture
    >>> chain = envlab.Chain(detector=envlab.PeakDetector(4.7e3, 100e-9, 220e3))
    >>> invented_capture(chain, chain, delay_s=1.0).node
    'adc_counts'
    """
    check_range("clock", clock, -0.02, 0.02)
    check_range("delay_s", delay_s, 0, 5, unit="s")
    wave = bench_program(design, way).samples() * (input_peak(design, way) / FULL_SCALE)
    if way == "wire":
        board = replace(board, microphone=_WIRE)
        wave = wave / abs(_WIRE.response(CALIBRATION_HZ))
    silence = [np.zeros(round(some_s * SAMPLE_RATE_HZ)) for some_s in (delay_s, _BEHIND_S)]
    return logged_song(board, np.concatenate((silence[0], wave, silence[1])), seed=seed, clock=clock)


def logged_song(board: Chain, pressure_pa: FloatArray, *, seed: int = 1, clock: float = 0.0) -> Capture:
    """Return what a board logs of a sound, on its own clock.

    Parameters
    ----------
    board : Chain
        The board.
    pressure_pa : ndarray of float
        Shape (n,), Pa at the microphone, at 48 kHz.
    seed : int
        Of the noise, 0 or more.
    clock : float
        How much too fast the board's clock runs, as a share, −0.02 to 0.02.

    Returns
    -------
    Capture
    """
    rate_hz = board.adc.rate_hz
    off = replace(board, adc=replace(board.adc, rate_hz=rate_hz * (1 + clock)))
    run = off.run(Recording(pressure_pa, SAMPLE_RATE_HZ), generator_of(seed))
    counts = run.adc_counts.astype(float)
    return Capture("adc_counts", np.arange(counts.size) / rate_hz, counts, "invented", rate_hz=rate_hz)


def drawn_boards(chain: Chain, tolerances: Tolerances) -> list[Chain]:
    """Return boards of one design, drawn within tolerances at the temperature of a bench.

    Parameters
    ----------
    chain : Chain
        The design.
    tolerances : Tolerances
        How far boards may lie apart, how many, and from which seed.

    Returns
    -------
    list of Chain
    """
    asked = replace(tolerances, temperature_c=(18.0, 30.0))
    parameters = varied_parameters(chain, asked)
    return [board_of(chain, parameters, row) for row in draw(parameters, asked.boards, asked.seed)]

"""Boards of one design side by side: each part a little off, the front end computed once.

Boards with a plain preamp run so, behind an ideal rectifier that is at once (analog/bank/tolerance_bank.py) a
hundred times quicker than one by one, behind one with amplifiers (half_wave_tolerance_bank.py) or a passive
diode (diode_tolerance_bank.py) some ten to twenty times; against that no reading moves by more than one
count, and few by that. A board as designed is reproduced to the last bit, behind amplifiers to 1 nV, behind a
diode to 1e-12 of its drive.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from envlab.analog.bank.diode_tolerance_bank import DiodeBoard, DiodeSpreadBank
from envlab.analog.bank.half_wave_tolerance_bank import AmplifierBoard, HalfWaveSpreadBank, kind_of
from envlab.analog.bank.tolerance_bank import Board as BankBoard
from envlab.analog.bank.tolerance_bank import (
    BoardBlock,
    HeardFront,
    NominalFront,
    SpreadBank,
    alike_enough,
    noise_apart,
)
from envlab.analog.detector import readings_of
from envlab.analog.electret import Electret
from envlab.analog.preamps.preamp import input_noise_v
from envlab.analog.rectifiers.active import ActiveRectifier
from envlab.analog.rectifiers.half_waves import HalfWaves
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.stage import Surroundings
from envlab.engine.board import Board, front_end_of
from envlab.engine.front_end import NO_NOISE
from envlab.engine.one_pass import is_bare
from envlab.engine.quantiser import Quantiser
from envlab.engine.reading_schedule import Due
from envlab.engine.waves import Wave
from envlab.sound.stream import Sound
from envlab.units import FloatArray

Take = Callable[[NDArray[np.int32]], None]


def runs_side_by_side(design: Board, boards: Sequence[Board]) -> bool:
    """Whether the quick way is close enough for these boards; else they are run one by one."""
    for board in (design, *boards):
        working = [name for name, stage in front_end_of(board).items() if not stage.is_wire]
        if working != ["microphone", "preamp", "rectifier"]:
            return False
        if readings_of(board.detector_as_built) is not None:
            return False
    if not _rectifiers_alike(design, boards):
        return False
    return alike_enough(_bank_board(design), [_bank_board(one) for one in boards])


def run_side_by_side(design: Board, boards: Sequence[Board], sound: Sound) -> bool:
    """Whether that holds on this sound, too: no electret's drain clips, or all at the same pressure."""
    return runs_side_by_side(design, boards) and _drains_alike(design, boards, sound)


def _rectifiers_alike(design: Board, boards: Sequence[Board]) -> bool:
    """Whether some bank knows the rectifier, and the boards differ from the design in numbers only."""
    if isinstance(design.rectifier, Rectifier):
        return design.rectifier.scales_with_level or design.rectifier.diode != "none"
    if not isinstance(design.rectifier, ActiveRectifier):
        return False
    kinds = {kind_of(built) for built in map(_half_waves, (design, *boards)) if built is not None}
    return len(kinds) == 1


def _half_waves(board: Board) -> HalfWaves | None:
    built = board.rectifier_as_built
    return built if isinstance(built, HalfWaves) else None


def _bank_of(
    design: Board, boards: Sequence[Board], rate_hz: float
) -> SpreadBank | DiodeSpreadBank | HalfWaveSpreadBank:
    nominal = _bank_board(design)
    if isinstance(design.rectifier, Rectifier) and design.rectifier.diode != "none":
        with_diodes = [
            DiodeBoard(_bank_board(board), board.rectifier, board.quiescent_state)
            for board in boards
            if isinstance(board.rectifier, Rectifier)
        ]
        return DiodeSpreadBank(nominal, with_diodes, rate_hz)
    built = [_half_waves(board) for board in boards]
    if built[0] is None:
        ideal = Rectifier(design.rectifier.kind, design.rectifier.reference_node_v)
        return SpreadBank(nominal, [_bank_board(one) for one in boards], ideal, rate_hz)
    with_amplifiers = [
        AmplifierBoard(_bank_board(board), half_waves, board.quiescent_state)
        for board, half_waves in zip(boards, built, strict=True)
        if half_waves is not None
    ]
    return HalfWaveSpreadBank(nominal, with_amplifiers, rate_hz)


def _bank_board(board: Board) -> BankBoard:
    return BankBoard(board.microphone, board.preamp, board.detector_as_built)


def _drains_alike(design: Board, boards: Sequence[Board], sound: Sound) -> bool:
    if not isinstance(design.microphone, Electret):
        return True
    limits = {one.microphone.loudest_pa for one in (design, *boards)}
    narrowest = min(min(-low, high) for low, high in limits)
    # Between its samples a wave rises a little above them.
    return len(limits) == 1 or 1.5 * sound.largest_pa < narrowest


def play_side_by_side(
    told: Iterator[Wave],
    due: Due,
    samples: int,
    rate_hz: float,
    design: Board,
    boards: Sequence[Board],
    take: Take,
    *,
    workers: int,
    progress: Callable[[float], None] | None,
    enough: Callable[[float], bool] | None = None,
) -> FloatArray:
    """Run the boards through a sound; return at how many samples each was at a limit, shape (boards,).

    told: the sound. due: which readings are wanted. samples: of the whole, at rate_hz, Hz. take: gets the
    counts of all boards above the design's zero, shape (boards, readings of a block). enough: as play's.
    """
    bank = _bank_of(design, boards, rate_hz)
    quantiser = Quantiser(boards, [design] * len(boards))
    blocks = _heard(told, design, rate_hz)
    with ThreadPoolExecutor(workers) as pool:
        block = next(blocks, None)
        while block is not None:
            wave, nodes = block
            at = due.before(wave.start, wave.end)
            # While the boards work on one block, the wave of the next is made ready. A thread of its own that
            # is further ahead took 6 % more processor time, measured: what it makes has left the cache.
            following = pool.submit(next, blocks, None)
            take(quantiser.counts(bank.read(nodes, at.upper, at.fraction, pool, workers), at.noise_lsb))
            if progress is not None:
                progress(wave.end / samples)
            block = following.result()
            if enough is not None and enough(wave.end / samples):
                break
    return bank.limited


def _heard(told: Iterator[Wave], design: Board, rate_hz: float) -> Iterator[tuple[Wave, BoardBlock]]:
    microphone, apart = front_end_of(design)["microphone"], noise_apart(_bank_board(design), design.adc.lsb_v)
    if is_bare(microphone) and not apart:
        at_once = HeardFront(microphone, design.preamp, rate_hz)
        for wave in told:
            yield wave, at_once.block(wave.pressure_pa, wave.white)
        return
    front, around, state = NominalFront(design.preamp, rate_hz, apart), Surroundings(rate_hz), None
    for wave in told:
        heard = microphone.advance(wave.pressure_pa, around, state)
        state = heard.state
        over = np.zeros(wave.pressure_pa.size, dtype=bool) if heard.limited is None else heard.limited
        noise_v = NO_NOISE
        if wave.white.size:
            noise_v = input_noise_v(design.preamp, wave.white, rate_hz)
        yield wave, front.block(heard.signal, noise_v, over)

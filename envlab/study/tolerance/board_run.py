"""One clip through many boards of one design: what each board's firmware makes of its readings.

Every board runs the nominal design's firmware: its table, its resting count, its follower. All hear the same
noise, so that boards differ by their parts alone.

Boards with a plain preamp and a precision rectifier run side by side (analog/bank/tolerance_bank.py); any others, as
those with a passive diode or a limited amplifier, run one by one, exactly as Chain.run does.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from envlab.analog.adc import in_lsb
from envlab.analog.bank.envelope_bank import EnvelopeBank
from envlab.analog.bank.tolerance_bank import Board, BoardBlock, SpreadBank, alike_enough, noise_apart
from envlab.analog.electret import Electret
from envlab.analog.front_end import FrontEndState, drive_from
from envlab.analog.microphone import MicrophoneState, hear, is_overloaded, self_noise_pa
from envlab.analog.noise import NoiseStreams, noise_streams
from envlab.analog.preamp import input_noise_v
from envlab.chain import Chain
from envlab.engine.followed_envelopes import way_to
from envlab.engine.reading_schedule import Block, Due, Wanted
from envlab.sound.interpolate import internal_rate_hz, interpolated_pieces
from envlab.sound.stream import Sound
from envlab.units import FloatArray, IntArray

BLOCK = 65_536
Progress = Callable[[float], None]
Take = Callable[[NDArray[np.int32]], None]


@dataclass(frozen=True, eq=False)
class BoardReadings:
    """What many boards read.

    envelope_counts: shape (boards, readings), counts above the nominal rest, followed. clipped_share: shape
    (boards,), share of internal samples at which microphone or preamp was at its limit.
    """

    envelope_counts: FloatArray
    clipped_share: FloatArray


def runs_side_by_side(nominal: Chain, boards: Sequence[Chain]) -> bool:
    """Whether the quick way is close enough for these boards; else they are run one by one."""
    plain = nominal.rectifier.scales_with_level and not nominal.band_filter.sections
    return plain and alike_enough(_bank_board(nominal), [_bank_board(one) for one in boards])


def play_to_boards(
    sound: Sound,
    nominal: Chain,
    boards: Sequence[Chain],
    readings: Wanted,
    take: Take,
    *,
    seed: tuple[int, ...] | None = None,
    workers: int = 2,
    one_by_one: bool = False,
    progress: Progress | None = None,
) -> FloatArray:
    """Play a clip to every board; return the clipped share, shape (boards,).

    Clipped share: of internal samples, those at which microphone or preamp was at its limit. nominal, boards:
    at least one board; the boards differ from nominal in part values, not in kind. take: gets what the boards
    read at the readings wanted, block by block: shape (boards, readings of a block), 32-bit, counts above the
    nominal rest, not negative. seed: of the noise, as in study.readings; None: no noise. one_by_one: exactly,
    whatever the boards are.
    """
    quick = not one_by_one and runs_side_by_side(nominal, boards) and _drains_alike(nominal, boards, sound)
    apart = not quick or _noise_apart(nominal, boards)
    run = _side_by_side if quick else _one_by_one
    return run(_Played(sound, nominal, seed, readings, apart), nominal, boards, take, workers, progress)


def read_boards(
    sound: Sound,
    nominal: Chain,
    boards: Sequence[Chain],
    reading_index: IntArray,
    *,
    seed: tuple[int, ...] | None = None,
    workers: int = 2,
    one_by_one: bool = False,
    progress: Progress | None = None,
) -> BoardReadings:
    """Return what each board's firmware makes of the readings named, followed.

    reading_index: rising whole numbers, shape (readings,); 0 is the reading at time 0.
    Arguments as play_to_boards.
    """
    readings, reader = way_to(sound, [nominal], reading_index)
    counts = np.empty((len(boards), reading_index.size))
    firmware = reader(counts, np.arange(len(boards)), [nominal] * len(boards), reading_index)
    share = play_to_boards(
        sound, nominal, boards, readings, firmware.take,
        seed=seed, workers=workers, one_by_one=one_by_one, progress=progress,
    )  # fmt: skip
    return BoardReadings(counts, share)


@dataclass(frozen=True, eq=False)
class _Wave:
    """One block at the internal rate, shape (n,): pressure with microphone noise, Pa; preamp noise, V.

    noise_v: no samples where it is not told apart; the pressure then has it as the nominal board hears it.
    end: index after its last sample. due: readings in it.
    """

    end: int
    pressure_pa: FloatArray
    noise_v: FloatArray
    due: Block


@dataclass(frozen=True, eq=False)
class _Played:
    """One clip, to be heard by any board; the noise is that of the sweep.

    apart: whether the preamp's noise comes by itself.
    """

    sound: Sound
    nominal: Chain
    seed: tuple[int, ...] | None
    readings: Wanted
    apart: bool

    @property
    def rate_hz(self) -> float:
        return internal_rate_hz(self.sound.sample_rate_hz)

    @property
    def samples(self) -> int:
        return round(self.sound.duration_s * self.rate_hz)

    def waves(self) -> Iterator[_Wave]:
        nominal, count, file_rate_hz = self.nominal, self.sound.samples, self.sound.sample_rate_hz
        noise = None if self.seed is None else noise_streams(np.random.default_rng(self.seed))
        converter = None if noise is None else noise.adc
        due = Due(self.readings, nominal.adc, self.samples, self.rate_hz, converter)

        def heard_pa() -> Iterator[FloatArray]:
            for piece in self.sound.pieces():
                if noise is None:
                    yield piece
                elif self.apart:
                    yield piece + self_noise_pa(
                        nominal.microphone, piece.size, file_rate_hz, noise.microphone
                    )
                else:
                    yield piece + nominal.noise_pa(piece.size, file_rate_hz, noise)

        def added_v(streams: NoiseStreams) -> Iterator[FloatArray]:
            for piece in self.sound.pieces():
                yield input_noise_v(nominal.preamp, piece.size, file_rate_hz, streams.preamp)

        added = None
        if noise is not None and self.apart:
            added = interpolated_pieces(added_v(noise), count, file_rate_hz, BLOCK)
        for start, fine_pa in interpolated_pieces(heard_pa(), count, file_rate_hz, BLOCK):
            fine_v = np.empty(0) if added is None else next(added)[1]
            end = start + fine_pa.size
            yield _Wave(end, fine_pa, fine_v, due.before(start, end))


def _above_quiescent(lsb: FloatArray, nominal: Chain) -> NDArray[np.int32]:
    code = np.clip(np.floor(lsb), 0, nominal.adc.top_code)
    return np.asarray(np.maximum(code - nominal.quiescent_counts, 0), dtype=np.int32)


def _bank_board(chain: Chain) -> Board:
    return Board(chain.microphone, chain.preamp, chain.detector_as_built)


def _drains_alike(nominal: Chain, boards: Sequence[Chain], sound: Sound) -> bool:
    """Whether no electret's drain clips on this sound, or all at the same pressure."""
    if not isinstance(nominal.microphone, Electret):
        return True
    limits = {one.microphone.limits_pa for one in (nominal, *boards)}
    narrowest = min(min(-low, high) for low, high in limits)
    largest = max(float(np.abs(piece).max(initial=0.0)) for piece in sound.pieces())
    # Between its samples a wave rises a little above them.
    return len(limits) == 1 or 1.5 * largest < narrowest


def _noise_apart(nominal: Chain, boards: Sequence[Chain]) -> bool:
    return noise_apart(_bank_board(nominal), [_bank_board(one) for one in boards], nominal.adc.lsb_v)


def _side_by_side(
    played: _Played,
    nominal: Chain,
    boards: Sequence[Chain],
    take: Take,
    workers: int,
    progress: Progress | None,
) -> FloatArray:
    bank = SpreadBank(
        _bank_board(nominal), [_bank_board(one) for one in boards], nominal.rectifier, played.rate_hz
    )
    rest_lsb, per_volt = _converters(boards)

    def heard() -> Iterator[tuple[_Wave, BoardBlock]]:
        microphone, state, noise_state = nominal.microphone, MicrophoneState(), MicrophoneState()
        for wave in played.waves():
            offered_pa, noise_v = wave.pressure_pa, wave.noise_v
            if noise_v.size:
                noise_pa = noise_v / microphone.sensitivity_v_pa
                offered_pa = offered_pa + noise_pa
                noise_v, noise_state = hear(
                    noise_pa, microphone, sample_rate_hz=played.rate_hz, state=noise_state
                )
            over = is_overloaded(offered_pa, microphone)
            heard_v, state = hear(offered_pa, microphone, sample_rate_hz=played.rate_hz, state=state)
            yield wave, bank.block(heard_v, noise_v, over)

    blocks = heard()
    with ThreadPoolExecutor(workers) as pool:
        block = next(blocks, None)
        while block is not None:
            # While the boards work on one block, the wave of the next is made ready.
            following = pool.submit(next, blocks, None)
            wave, nodes = block
            read_v = bank.read(nodes, wave.due.upper, wave.due.fraction, pool, workers)
            lsb = rest_lsb + per_volt * read_v + wave.due.noise_lsb
            take(_above_quiescent(lsb, nominal))
            if progress is not None:
                progress(wave.end / played.samples)
            block = following.result()
    return bank.limited / played.samples


def _converters(boards: Sequence[Chain]) -> tuple[FloatArray, FloatArray]:
    """Return (reading at rest, counts per volt above it) of each board's ADC, shape (boards, 1)."""
    at_rest = np.array(
        [[float(in_lsb(np.asarray(one.rectifier.reference_node_v), one.adc))] for one in boards]
    )
    return at_rest, np.array([[one.adc.settled_share / one.adc.lsb_v] for one in boards])


class _Exact:
    """One board, block by block, as Chain.run does it."""

    def __init__(self, board: Chain, rate_hz: float) -> None:
        self._board, self._rate_hz = board, rate_hz
        self._bank = EnvelopeBank((board.detector_as_built,), board.rectifier, rate_hz, board.preamp.bias_v)
        self._microphone, self._front = MicrophoneState(), FrontEndState()
        self.limited = 0

    def read(self, wave: _Wave) -> FloatArray:
        """Return volts above the reference node at the readings due, shape (readings,)."""
        board = self._board
        offered_pa = wave.pressure_pa
        if wave.noise_v.size:
            offered_pa = offered_pa + wave.noise_v / board.microphone.sensitivity_v_pa
        heard_v, self._microphone = hear(
            offered_pa, board.microphone, sample_rate_hz=self._rate_hz, state=self._microphone
        )
        nodes = drive_from(
            heard_v,
            is_overloaded(offered_pa, board.microphone),
            board.preamp,
            board.band_filter,
            board.rectifier,
            sample_rate_hz=self._rate_hz,
            state=self._front,
        )
        self._front, self.limited = nodes.end, self.limited + nodes.limited
        return self._bank.read(nodes.drive_v, wave.due.upper, wave.due.fraction)[:, 0]


def _one_by_one(
    played: _Played,
    nominal: Chain,
    boards: Sequence[Chain],
    take: Take,
    workers: int,
    progress: Progress | None,
) -> FloatArray:
    exact = [_Exact(board, played.rate_hz) for board in boards]
    with ThreadPoolExecutor(workers) as pool:
        for wave in played.waves():

            def run(place: int, wave: _Wave = wave) -> NDArray[np.int32]:
                board = boards[place]
                lsb = in_lsb(board.rectifier.reference_node_v + exact[place].read(wave), board.adc)
                return _above_quiescent(lsb + wave.due.noise_lsb, nominal)

            take(np.stack(list(pool.map(run, range(len(boards))))))
            if progress is not None:
                progress(wave.end / played.samples)
    return np.array([one.limited for one in exact]) / played.samples

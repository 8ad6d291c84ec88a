"""One sound through many boards at once, block by block, and nothing of it kept.

The wave between the samples is computed once, and every stage that boards share once; the detectors behind
one rectified voltage run side by side. What each board's converter reads goes to a reader, which makes of it
what it likes. While the boards work on a block, the waves of the next are made ready; and boards that are
done with it go on to the next, so that nobody waits for the slowest.
"""

from __future__ import annotations

import queue
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from envlab.analog.noise import noise_streams
from envlab.engine import waves as sound_waves
from envlab.engine.board import Board
from envlab.engine.front_end import Branch, trunk_of
from envlab.engine.hold_stage import HoldStage, shared_out
from envlab.engine.quantiser import Quantiser
from envlab.engine.reading_schedule import Block, Due, Wanted
from envlab.engine.side_by_side import play_side_by_side, run_side_by_side
from envlab.engine.waves import AHEAD, Wave, made_ahead, waves
from envlab.errors import ParameterError, check_range
from envlab.sound.stream import Sound
from envlab.units import BoolArray, FloatArray, IntArray

Progress = Callable[[float], None]
# Blocks that boards hear at a time, each board one after the other.
_IN_USE = 2
_Heard = tuple[FloatArray, BoolArray | None]


class Reader(Protocol):
    """Takes what some boards read, in the order of time."""

    def take(self, counts: NDArray[np.int32]) -> None:
        """counts: shape (boards, readings of a block), 32-bit, counts above zero, not negative."""


def play(
    sound: Sound,
    boards: Sequence[Board],
    readings: Wanted,
    reader_of: Callable[[IntArray], Reader],
    *,
    design: Board | None = None,
    exactly: bool = False,
    seed: tuple[int, ...] | None = None,
    workers: int = 2,
    progress: Progress | None = None,
    enough: Callable[[float], bool] | None = None,
) -> FloatArray:
    """Play a sound to every board; return the clipped share.

    Parameters
    ----------
    sound
        What sounds at the microphones.
    boards
        At least one. Without a design all share ADC and microphone and have the same preamp noise.
    readings
        Which readings of the ADC somebody wants.
    reader_of
        Called with the places of some boards, shape (some,), once for each group that is read together; its
        reader gets what they read, as whole counts.
    design
        Of boards that are meant to be one design, this design: all run its firmware, which takes off its
        zero, and hear the noise of its parts. None: each board runs its own firmware.
    exactly
        Every board on its own; else boards of one design may run side by side, which is close
        (engine/side_by_side.py).
    seed
        Of the generator whose streams give microphone, preamp and ADC noise, the same to every board; None:
        no noise.
    workers
        Threads that the boards run on, 1 or more; beside several one more makes the waves ready.
    progress
        Called with the share of the sound that is done, 0 to 1.
    enough
        Asked after each block, with the share of the sound that is done and nobody further than that: whether
        the rest need not be heard.

    Returns
    -------
    numpy.ndarray
        Shape (boards,): of the internal samples, the share at which a stage before the detector was at its
        limit.

    Raises
    ------
    ParameterError
        For boards that cannot hear one and the same noise.

    Examples
    --------
    >>> import numpy as np
    >>> import envlab
    >>> from envlab.engine.play import play
    >>> from envlab.engine.reading_schedule import every_reading
    >>> class Loudest:
    ...     def take(self, counts):
    ...         print(counts.shape, counts.max() > 0)
    >>> tone = envlab.Recording(np.sin(np.arange(4800) * 0.13), 48_000.0)
    >>> _ = play(tone, [envlab.Chain()], every_reading(100), lambda places: Loudest())
    (1, 100) True
    """
    check_range("workers", workers, 1)
    rate_hz = sound.internal_rate_hz
    samples = round(sound.duration_s * rate_hz)
    hears = boards[0] if design is None else design
    if design is None:
        check_alike(boards)
    noise = None if seed is None else noise_streams(np.random.default_rng(seed))
    due = Due(readings, hears.adc, samples, rate_hz, None if noise is None else noise.adc)
    if design is not None and not exactly and run_side_by_side(design, boards, sound):
        told = waves(sound, design, noise)
        reader = reader_of(np.arange(len(boards)))
        limited = play_side_by_side(
            told, due, samples, rate_hz, design, boards, reader.take,
            workers=workers, progress=progress, enough=enough,
        )  # fmt: skip
        return limited / samples
    told = waves(sound, hears, noise)
    run = _Run(boards, design, rate_hz, reader_of, workers)
    # Who is asked what has been read so far must not meet a reader at work on the next block.
    in_use = _IN_USE if enough is None else 1
    with ThreadPoolExecutor(workers) as pool, ThreadPoolExecutor(1) as thread:
        for end in run.hear(made_ahead(run.ready(told), pool if workers == 1 else thread), due, pool, in_use):
            if progress is not None:
                progress(end / samples)
            if enough is not None and enough(end / samples):
                break
    return run.limited / samples


@dataclass(frozen=True, eq=False)
class _Ready:
    """One block, and what stands behind the stages that all boards share. signal: None: they share none."""

    wave: Wave
    signal: FloatArray | None
    limited: BoolArray | None


class _Run:
    """Boards on their way through a sound."""

    def __init__(
        self,
        boards: Sequence[Board],
        design: Board | None,
        rate_hz: float,
        reader_of: Callable[[IntArray], Reader],
        workers: int,
    ) -> None:
        self._boards = boards
        self._trunk = trunk_of(boards, rate_hz)
        self._leaves = [_Leaf(leaf, boards, design, rate_hz, reader_of) for leaf in self._trunk.leaves]
        self._room = {id(branch): np.empty(sound_waves.BLOCK) for branch in _inner(self._trunk)}
        # Of few leaves it is the hold stages that keep all processors busy.
        self._by_leaves = len(self._leaves) > workers
        if not self._by_leaves:
            self._room |= {id(leaf.branch): np.empty(sound_waves.BLOCK) for leaf in self._leaves}
        # Else a leaf takes one of these while it is followed and read.
        self._rooms: queue.SimpleQueue[FloatArray] = queue.SimpleQueue()
        for _ in range(workers if self._by_leaves else 0):
            self._rooms.put(np.empty(sound_waves.BLOCK))

    def ready(self, told: Iterator[Wave]) -> Iterator[_Ready]:
        """Yield the blocks with what all boards share; AHEAD of them are made while _IN_USE are heard."""
        rooms = [np.empty(sound_waves.BLOCK) for _ in range(AHEAD + _IN_USE)] if self._trunk.last else []
        for number, wave in enumerate(told):
            if not rooms:
                yield _Ready(wave, None, None)
                continue
            room = rooms[number % len(rooms)]
            signal = self._trunk.advance(wave.pressure_pa, None, wave.white, room)
            yield _Ready(wave, signal, self._trunk.limited)

    def hear(
        self, blocks: Iterator[_Ready], due: Due, pool: ThreadPoolExecutor, in_use: int
    ) -> Iterator[int]:
        """Let every board hear the blocks, and hand on what is read; yield up to which sample all have.

        in_use: blocks that may be heard at a time, _IN_USE at most.
        """
        heard: deque[tuple[int, list[Future[None]]]] = deque()
        leaves: list[Future[None]] = []
        for block in blocks:
            at = due.before(block.wave.start, block.wave.end)
            if self._by_leaves:
                leaves = self._hear_by_leaves(block, at, pool, leaves)
            else:
                self._hear_by_stages(block, at, pool)
            heard.append((block.wave.end, leaves))
            if len(heard) == in_use:
                yield _settled(*heard.popleft())
        while heard:
            yield _settled(*heard.popleft())

    def _hear_by_leaves(
        self, block: _Ready, at: Block, pool: ThreadPoolExecutor, before: list[Future[None]]
    ) -> list[Future[None]]:
        """Begin to let each leaf hear a block as soon as it is done with the one before.

        The pool begins with what was submitted first: whoever waits for before waits for what is running.
        """
        if any(branch.branches for branch in self._trunk.branches):
            # What stands behind these has one room each.
            _settled(0, before)
        above, white = self._heard_above(block, pool), block.wave.white

        def finish(leaf: _Leaf, earlier: Future[None] | None) -> None:
            if earlier is not None:
                earlier.result()
            room = self._rooms.get()
            # A reader that fails must not keep the room: the leaves that wait for one would wait for ever.
            try:
                leaf.read(leaf.branch.advance(*above[id(leaf.branch)], white, room), at)
            finally:
                self._rooms.put(room)

        if not before:
            return [pool.submit(finish, leaf, None) for leaf in self._leaves]
        return [pool.submit(finish, *pair) for pair in zip(self._leaves, before, strict=True)]

    def _hear_by_stages(self, block: _Ready, at: Block, pool: ThreadPoolExecutor) -> None:
        if not self._trunk.branches:
            assert block.signal is not None
            rectified = [block.signal]
        else:
            above, white = self._heard_above(block, pool), block.wave.white
            branches = [leaf.branch for leaf in self._leaves]
            rectified = list(
                pool.map(lambda one: one.advance(*above[id(one)], white, self._room[id(one)]), branches)
            )
        stages = [
            (stage, rectified_v)
            for leaf, rectified_v in zip(self._leaves, rectified, strict=True)
            for stage in leaf.stages
        ]
        for _ in pool.map(lambda pair: pair[0].read(pair[1], at), stages):
            pass

    def _heard_above(self, block: _Ready, pool: ThreadPoolExecutor) -> dict[int, _Heard]:
        """Return what each branch hears: the signal behind the branch above it, or first the sound."""
        above: dict[int, _Heard] = {}
        for branch in self._trunk.branches:
            if block.signal is None:
                above[id(branch)] = (block.wave.pressure_pa, None)
            else:
                above[id(branch)] = (block.signal, block.limited)
        level = self._trunk.branches
        while level:
            inner = [branch for branch in level if branch.branches]
            inputs = [above[id(branch)] for branch in inner]
            rooms = [self._room[id(branch)] for branch in inner]
            whites = [block.wave.white] * len(inner)
            for branch, signal in zip(inner, pool.map(_advance, inner, inputs, whites, rooms), strict=True):
                above |= dict.fromkeys(map(id, branch.branches), (signal, branch.limited))
            level = [below for branch in inner for below in branch.branches]
        return above

    @property
    def limited(self) -> FloatArray:
        """Samples so far at which any stage was at its limit, shape (boards,)."""
        limited = np.empty(len(self._boards))
        for leaf in self._leaves:
            limited[leaf.branch.places] = leaf.branch.limited_samples
        return limited


def _settled(end: int, futures: list[Future[None]]) -> int:
    """Return end once all are done; raise what any of them raised."""
    for future in futures:
        future.result()
    return end


def _advance(branch: Branch, heard: _Heard, white: FloatArray, room: FloatArray) -> FloatArray:
    return branch.advance(*heard, white, room)


def _inner(trunk: Branch) -> Iterator[Branch]:
    for branch in trunk.branches:
        if branch.branches:
            yield branch
            yield from _inner(branch)


class _Leaf:
    """Boards that offer the same rectified voltage to their detectors."""

    def __init__(
        self,
        branch: Branch,
        boards: Sequence[Board],
        design: Board | None,
        rate_hz: float,
        reader_of: Callable[[IntArray], Reader],
    ) -> None:
        self.branch = branch
        self.stages = [
            _Held(boards, groups, design, rate_hz, reader_of) for groups in shared_out(boards, branch.places)
        ]

    def read(self, rectified_v: FloatArray, at: Block) -> None:
        """Read a block with every hold stage."""
        for stage in self.stages:
            stage.read(rectified_v, at)


class _Held:
    """Some boards behind one rectified voltage, of which equal detectors run once."""

    def __init__(
        self,
        boards: Sequence[Board],
        groups: list[list[int]],
        design: Board | None,
        rate_hz: float,
        reader_of: Callable[[IntArray], Reader],
    ) -> None:
        """groups: places of boards, each with the same detector."""
        places = np.concatenate(groups)
        firsts = [boards[group[0]] for group in groups]
        self._reader = reader_of(places)
        self._hold = HoldStage(
            [board.detector_as_built for board in firsts],
            firsts[0].rectifier_as_built,
            rate_hz,
            [board.quiescent_state for board in firsts],
        )
        some = [boards[place] for place in places]
        firmware = some if design is None else [design] * len(some)
        lanes = np.repeat(np.arange(len(groups)), [len(group) for group in groups])
        self._quantiser = Quantiser(some, firmware, lanes)

    def read(self, rectified_v: FloatArray, at: Block) -> None:
        """Follow the rectified voltage over a block and hand the counts to the reader."""
        read_v = self._hold.read(rectified_v, at.upper, at.fraction)
        self._reader.take(self._quantiser.counts(read_v.T, at.noise_lsb))


def check_alike(boards: Sequence[Board]) -> None:
    """Raise ParameterError unless the boards hear and are read alike, noise included."""
    first = boards[0]
    for board in boards:
        if board.adc != first.adc or board.microphone != first.microphone:
            raise ParameterError(
                "chains", "chains with several ADCs or microphones", "chains with the same ones"
            )
        density = board.preamp.noise_density_v_per_rthz
        if density != first.preamp.noise_density_v_per_rthz:
            raise ParameterError("noise_v_per_rthz", density, "the same for all chains")

"""Long work in portions: what comes in between goes first."""

from __future__ import annotations

import asyncio
import time

import pytest

from envlab.errors import EnvlabError
from envlab.widget.audition.later import PORTION_S, Later


def nobody(problem: EnvlabError) -> None:
    raise AssertionError(problem)


def steps(done: list[int], count: int, each_s: float = 0.0):
    for n in range(count):
        time.sleep(each_s)
        done.append(n)
        yield None


def test_without_a_loop_all_is_done_at_once():
    done: list[int] = []
    later = Later(nobody)
    later.start(steps(done, 5), 10.0)
    assert done == list(range(5))
    assert not later.waiting


def test_on_a_loop_it_waits_and_lets_others_in():
    async def run() -> tuple[list[int], list[int]]:
        done: list[int] = []
        later = Later(nobody)
        later.start(steps(done, 12, PORTION_S / 2), 0.01)
        assert done == []
        seen = []
        while later.waiting:
            await asyncio.sleep(0)
            seen.append(len(done))
        return done, seen

    done, seen = asyncio.run(run())
    assert done == list(range(12))
    # The loop came by between portions, not only at the end.
    assert len({count for count in seen if 0 < count < 12}) >= 3


def test_a_new_job_ends_the_one_before():
    async def run() -> tuple[list[int], list[int]]:
        first: list[int] = []
        second: list[int] = []
        later = Later(nobody)
        later.start(steps(first, 1000, PORTION_S), 0.0)
        await asyncio.sleep(5 * PORTION_S)
        later.start(steps(second, 3), 0.0)
        while later.waiting:
            await asyncio.sleep(0.001)
        return first, second

    first, second = asyncio.run(run())
    assert 0 < len(first) < 100
    assert second == [0, 1, 2]


def test_a_job_may_wait_and_may_be_finished_at_once():
    async def run() -> float:
        def slow():
            yield 60.0

        later = Later(nobody)
        later.start(slow(), 0.0)
        await asyncio.sleep(0.02)
        assert later.waiting
        start = time.monotonic()
        later.finish()
        assert not later.waiting
        return time.monotonic() - start

    assert asyncio.run(run()) < 1.0


def test_another_thread_may_begin_a_job_while_a_portion_is_done():
    """As where a notebook hands its messages over in a thread of their own."""

    def begin(later: Later, first: list[int], second: list[int]) -> int:
        time.sleep(0.005)
        later.start(steps(second, 3), 0.0)
        return len(first)

    async def run() -> tuple[list[int], list[int], int]:
        first: list[int] = []
        second: list[int] = []
        later = Later(nobody)
        later.start(steps(first, 10_000, 0.002), 0.0)
        await asyncio.sleep(0.02)
        ended = await asyncio.to_thread(begin, later, first, second)
        await asyncio.sleep(0.05)
        return first, second, ended

    for _ in range(5):
        first, second, ended = asyncio.run(run())
        assert len(first) == ended > 0
        assert second == [0, 1, 2]


def test_what_goes_wrong_is_told():
    def bad():
        yield None
        raise EnvlabError("too hot")

    told: list[str] = []
    later = Later(lambda problem: told.append(str(problem)))
    later.start(bad(), 0.0)
    assert told == ["too hot"]
    assert not later.waiting


def test_a_mistake_of_ours_is_not_hidden():
    def broken():
        yield None
        raise KeyError("oops")

    later = Later(nobody)
    with pytest.raises(KeyError):
        later.start(broken(), 0.0)
    assert not later.waiting

"""The hand-over's idea, apart from any compiler: every order in which single bytes of both sides can fall.

It is that of [Simpson1990].

Memory is a row of bytes; each side is a list of accesses of one byte. All interleavings of three writes with
two reads are walked through, which covers both tasks on one processor, whichever is the more urgent, and
tasks on two processors whose accesses keep their order. hand_over.c does these accesses in this order.
"""

from __future__ import annotations

import pytest

# Places of the bytes: low and high halves of four words, then what steers.
LOW, HIGH = (lambda pair, place: 4 * pair + 2 * place), (lambda pair, place: 4 * pair + 2 * place + 1)
NEWEST_PLACE, NEWEST_PAIR, PAIR_IN_USE = 8, 10, 11
START = (0,) * 12
WRITES, READS = 3, 2


def four_places_writer(word):
    in_use = yield ("load", PAIR_IN_USE)
    pair = in_use ^ 1
    newest = yield ("load", NEWEST_PLACE + pair)
    place = newest ^ 1
    yield ("store", LOW(pair, place), word)
    yield ("store", HIGH(pair, place), word)
    yield ("store", NEWEST_PLACE + pair, place)
    yield ("store", NEWEST_PAIR, pair)


def four_places_reader():
    pair = yield ("load", NEWEST_PAIR)
    yield ("store", PAIR_IN_USE, pair)
    place = yield ("load", NEWEST_PLACE + pair)
    low = yield ("load", LOW(pair, place))
    high = yield ("load", HIGH(pair, place))
    return low, high


def two_places_writer(word):
    newest = yield ("load", NEWEST_PLACE)
    place = newest ^ 1
    yield ("store", LOW(0, place), word)
    yield ("store", HIGH(0, place), word)
    yield ("store", NEWEST_PLACE, place)


def two_places_reader():
    place = yield ("load", NEWEST_PLACE)
    low = yield ("load", LOW(0, place))
    high = yield ("load", HIGH(0, place))
    return low, high


def plan(side, loads):
    """Return the next access of a side that has had these answers, or what it returns."""
    steps = side()
    try:
        access = next(steps)
        for answer in loads:
            access = steps.send(answer)
    except StopIteration as ended:
        return ("end", ended.value)
    return access


def every_order(writer, reader):
    """Yield (word whole at a read's start, last word begun by its end, low, high) of every read there is.

    A state is the memory, and of each side how many calls are done and the answers of the call under way.
    """
    start = (START, 0, (), 0, (), 0)
    seen, todo = {start}, [start]
    while todo:
        memory, writes, w_loads, reads, r_loads, whole = todo.pop()
        following = []
        if writes < WRITES:
            word = writes + 1
            access = plan(lambda word=word: writer(word), w_loads)
            if access[0] == "end":
                following.append((memory, word, (), reads, r_loads, whole))
            else:
                now, answer = access_memory(memory, access)
                following.append((now, writes, (*w_loads, answer), reads, r_loads, whole))
        if reads < READS:
            access = plan(reader, r_loads)
            if access[0] == "end":
                yield (whole, writes + (1 if w_loads else 0), *access[1])
                following.append((memory, writes, w_loads, reads + 1, (), 0))
            else:
                now, answer = access_memory(memory, access)
                following.append(
                    (now, writes, w_loads, reads, (*r_loads, answer), whole if r_loads else writes)
                )
        for state in following:
            if state not in seen:
                seen.add(state)
                todo.append(state)


def access_memory(memory, access):
    if access[0] == "load":
        return memory, memory[access[1]]
    changed = list(memory)
    changed[access[1]] = access[2]
    return tuple(changed), 0


def test_four_places_are_right_in_every_order():
    found = set(every_order(four_places_writer, four_places_reader))
    assert all(low == high for _, _, low, high in found)
    assert all(whole <= low <= begun for whole, begun, low, _ in found)
    # The orders really mix: reads of every word there is.
    assert {low for _, _, low, _ in found} == set(range(WRITES + 1))


def test_two_places_are_not():
    found = set(every_order(two_places_writer, two_places_reader))
    assert any(low != high for _, _, low, high in found)


@pytest.mark.parametrize("order", [(0, 1, 2, 3, 5, 4), (0, 1, 4, 2, 3, 5)])
def test_four_places_steered_in_another_order_are_caught(order):
    """The writer's last steps change places: pair, or place, is told of before the word stands there."""

    def hasty(word):
        in_use = yield ("load", PAIR_IN_USE)
        pair = in_use ^ 1
        newest = yield ("load", NEWEST_PLACE + pair)
        place = newest ^ 1
        steps = (
            None,
            None,
            ("store", LOW(pair, place), word),
            ("store", HIGH(pair, place), word),
            ("store", NEWEST_PLACE + pair, place),
            ("store", NEWEST_PAIR, pair),
        )
        for number in order[2:]:
            yield steps[number]

    found = set(every_order(hasty, four_places_reader))
    assert any(low != high or not whole <= low <= begun for whole, begun, low, high in found)

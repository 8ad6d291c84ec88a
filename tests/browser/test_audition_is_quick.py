"""What hand and eye would notice: how long a move takes to the lights, whether they go with the sound.

On a clip of half a minute and 24 pixels. The gates are those for a machine in CI, twice what is aimed at
(tests/benchmarks/bench_audition.py prints both); what misses its gate is measured again, a few times, before
it fails, as other work on the machine costs time too.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from reference.audition_page import AuditionPage, write_notebook, write_strokes
from reference.audition_timing import (
    SENT,
    Spread,
    Together,
    begin_record,
    drag,
    end_record,
    listen,
    record,
    slow_notebook_words,
    together,
    turn_every_control,
)
from reference.lab import LabPage, LabServer

MOVE_MS, DRAG_MS, TOGETHER_MS, DRIFT_MS = 150, 200, 35, 5
TRIES, MOVE_TRIES = 3, 6


@pytest.fixture(scope="module")
def slow_flag(lab: LabServer) -> Iterator[Path]:
    flag = lab.notebooks / "fifty_ms"
    yield flag
    flag.unlink(missing_ok=True)


@pytest.fixture(scope="module")
def playing(opened: LabPage, lab: LabServer, slow_flag: Path) -> AuditionPage:
    clip = lab.notebooks / "half_minute.flac"
    write_strokes(clip, 30.0)
    write_notebook(clip.with_suffix(".ipynb"), clip, slow_notebook_words(slow_flag))
    opened.page.add_init_script(SENT)
    audition = AuditionPage(opened)
    audition.start("half_minute.ipynb")
    audition.play()
    listen(audition)
    return audition


def at_last(measure: Callable[[], float], gate: float) -> float:
    """Measure until the gate is kept, at most TRIES times; the last figure."""
    for _ in range(TRIES):
        figure = measure()
        print(f"{figure:.1f} ms, gate {gate:g} ms")
        if figure <= gate:
            break
    return figure


@pytest.fixture(scope="module")
def turned_while_recorded(playing: AuditionPage) -> tuple[list[Spread], Together]:
    """Every control turned while it plays, and what was drawn and heard in these 20 seconds."""
    begin_record(playing, 20.0)
    spreads = turn_every_control(playing, 4)
    return spreads, together(end_record(playing))


def test_every_control_is_drawn_soon(
    page: LabPage, playing: AuditionPage, turned_while_recorded: tuple[list[Spread], Together]
) -> None:
    spreads, _ = turned_while_recorded
    assert len(spreads) >= 12
    for spread in spreads:
        print(spread)
    slow = [spread.name for spread in spreads if spread.at(95) > MOVE_MS]
    for _ in range(MOVE_TRIES - 1):
        if slow:
            again = turn_every_control(playing, 6, only=slow)
            slow = [spread.name for spread in again if spread.at(95) > MOVE_MS]
    assert slow == []
    assert page.page.evaluate("() => probe.look().starts") == 1


def test_light_and_sound_go_together_and_stay_so(
    page: LabPage, playing: AuditionPage, turned_while_recorded: tuple[list[Spread], Together]
) -> None:
    del page
    _, seen = turned_while_recorded
    # Two dozen moves have not torn the sound: every stroke comes when it is due.
    assert seen.gap_ms < 0.2
    for _ in range(TRIES - 1):
        print(seen.light_minus_sound, f"drift {seen.drift_ms:.2f} ms, gap {seen.gap_ms:.2f} ms")
        if seen.light_minus_sound.at(95) <= TOGETHER_MS and abs(seen.drift_ms) <= DRIFT_MS:
            break
        seen = together(record(playing, 20.0))
    assert seen.light_minus_sound.at(95) <= TOGETHER_MS
    assert seen.light_minus_sound.at(5) >= -TOGETHER_MS
    assert abs(seen.drift_ms) <= DRIFT_MS


def test_dragging_keeps_up(page: LabPage, playing: AuditionPage, slow_flag: Path) -> None:
    del page
    slow_flag.touch()
    try:
        assert at_last(lambda: drag(playing, "detector.release_ohm", 8, 3.0)[0].at(95), DRAG_MS) <= DRAG_MS
    finally:
        slow_flag.unlink()
        playing.settle()

"""Layouts made by hand, whose light is known without the tool: 24 pixels of 8 bit, a quarter of them fed."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace

import numpy as np
import pytest

from envlab.chain import Chain
from envlab.light.pixels import Pixels, Supply
from envlab.study.layouts.play import PixelPlay

PIXELS, FULL, LIT = 24, 255, 6
RATE_HZ = 100.0
# The words at the brightest state: a quarter of full light for all at once.
FULL_DUTY = 16_383


def _play(codes_of: Callable[[np.ndarray], np.ndarray]) -> PixelPlay:
    at_full = codes_of(np.array([FULL_DUTY]))
    return PixelPlay(lambda duties, state: (codes_of(duties), state), FULL, FULL_DUTY, at_full)


def _moving(codes_at: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> PixelPlay:
    """What comes round in 20 frames."""

    def show(duties: np.ndarray, state: int | None) -> tuple[np.ndarray, int]:
        begun = state or 0
        return codes_at(duties, begun + np.arange(duties.size)), begun + duties.size

    def still(duties: np.ndarray, state: object) -> tuple[np.ndarray, object]:
        return codes_at(duties, np.zeros(duties.size, int)), state

    return PixelPlay(show, FULL, FULL_DUTY, show(np.full(20, FULL_DUTY), 0)[0], still)


def _alike(duties: np.ndarray) -> np.ndarray:
    codes = (duties * 64 // FULL_DUTY)[:, None]
    return np.repeat(codes, PIXELS, axis=1)


def _share(duties: np.ndarray) -> np.ndarray:
    codes = np.zeros((duties.size, PIXELS), np.int64)
    codes[:, ::4] = (duties * FULL // FULL_DUTY)[:, None]
    return codes


def _bar(duties: np.ndarray) -> np.ndarray:
    length = duties * LIT // FULL_DUTY
    return np.where(np.arange(PIXELS) < length[:, None], FULL, 0)


def _blinking(duties: np.ndarray, frame: np.ndarray) -> np.ndarray:
    """Pixel 7 goes on and off five times a second, the others stay at 100."""
    codes = np.full((duties.size, PIXELS), 100)
    codes[:, 7] = np.where(frame % 20 < 10, FULL, 0)
    return codes


def _travelling(duties: np.ndarray, frame: np.ndarray) -> np.ndarray:
    """Six pixels at full, 120 pixels a second: each pixel is lit once in 0.2 s."""
    del duties
    head = (frame * 6 // 5)[:, None]
    return np.where((np.arange(PIXELS) - head) % PIXELS < LIT, FULL, 0)


@pytest.fixture(scope="session")
def board() -> Chain:
    """24 pixels of three channels of 150 mA; the supply feeds six of them at full."""
    return Chain(
        pixels=Pixels(count=PIXELS, channels=3, channel_a=0.15, idle_a=0.001),
        supply=Supply(limit_a=LIT * 0.45 + PIXELS * 0.001),
    )


@pytest.fixture(scope="session")
def made() -> SimpleNamespace:
    """Plays by name, and the numbers that they are made of."""
    return SimpleNamespace(
        alike=_play(_alike),
        share=_play(_share),
        bar=_play(_bar),
        blinking=_moving(_blinking),
        travelling=_moving(_travelling),
        pixels=PIXELS,
        full=FULL,
        lit=LIT,
        full_duty=FULL_DUTY,
        rate_hz=RATE_HZ,
        limit_codes=LIT * FULL * 3,
    )

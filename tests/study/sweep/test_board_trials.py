"""Candidates are laid aside within a clip: nothing is heard in vain, and whoever keeps the limit stays."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from envlab.chain import Chain
from envlab.metrics.catalogue import FLASH_METRIC
from envlab.sound.clip import Clip
from envlab.sound.recording import Recording
from envlab.study.specification.heard_sounds import sounds_of
from envlab.study.specification.specification import Judging, Specification
from envlab.study.specification.targets import Target, Targets
from envlab.study.sweep import board_trials
from envlab.study.sweep.board_trials import Bench
from envlab.study.sweep.trial import TELLING_BOARDS, Trial, Turn, telling_boards
from envlab.study.tolerance.board_columns import columns_on_sound

RATE_HZ, CALM_S, WHOLE_S = 8_000, 8.0, 24.0
QUICK, SLOW = 33e3, 4.7e6


def beats(whole_s: float = WHOLE_S, calm_s: float = CALM_S) -> Recording:
    """A soft tone; from calm_s on six loud beats a second, which make a quick detector's light flash."""
    t = np.arange(round(whole_s * RATE_HZ)) / RATE_HZ
    loud = (t >= calm_s) & (t * 6 % 1 < 0.5)
    return Recording(np.sin(2 * np.pi * 200 * t) * np.where(loud, 1.0, 1e-3), RATE_HZ, f"from {calm_s} s")


def asked(*sounds: Recording) -> Specification:
    clips = tuple(Clip(sound, 96.0) for sound in sounds)
    soft = Targets((Target("ripple_db", "at_most", 20.0, 1.0),))
    return Specification(Chain(), clips, {}, soft, Judging(), "", "mine.toml")


def board(release_ohm: float) -> Chain:
    chain = Chain()
    return replace(chain, detector=replace(chain.detector, release_ohm=release_ohm))


@pytest.fixture
def heard_s(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """How much of each sound was heard, s, in the order in which they were."""
    found: list[float] = []

    def noting(sound, boards, *rest, report, **more):
        shares = [0.0]

        def tell(share: float) -> None:
            shares.append(share)
            report(share)

        columns = columns_on_sound(sound, boards, *rest, report=tell, **more)
        found.append(shares[-1] * sound.duration_s)
        return columns

    monkeypatch.setattr(board_trials, "columns_on_sound", noting)
    return found


def bench_of(specification: Specification) -> Bench:
    return Bench(specification, sounds_of(specification), count=16, seed=3)


def test_who_flashes_hears_no_more_than_that(heard_s):
    trial = bench_of(asked(beats())).trials({0: board(QUICK)})[0]
    assert not trial.keeps
    assert trial.meeting is None
    assert CALM_S < trial.left_s == pytest.approx(heard_s[0])
    # A second in which there are too many, and the frames that are counted together.
    assert heard_s[0] < CALM_S + 5


def test_who_keeps_the_limit_hears_all_and_is_judged_on_it(heard_s):
    bench = bench_of(asked(beats()))
    trial = bench.trials({0: board(SLOW)})[0]
    assert heard_s == [pytest.approx(WHOLE_S)]
    assert trial.keeps
    assert trial == bench.trials({0: board(SLOW)}, all_boards=True)[0]
    assert trial.left_s == np.inf


def test_all_boards_are_heard_to_the_end_where_each_counts(heard_s):
    trial = bench_of(asked(beats())).trials({0: board(QUICK)}, all_boards=True)[0]
    assert heard_s == [pytest.approx(WHOLE_S)]
    assert trial.flashing == 16


def test_candidates_that_hear_together_go_on_until_the_last_has_flashed(heard_s):
    found = bench_of(asked(beats())).trials({0: board(QUICK), 1: board(SLOW)})
    assert heard_s == [pytest.approx(WHOLE_S)]
    assert not found[0].keeps
    assert found[0].left_s == np.inf
    assert found[1].keeps
    assert found[1] == bench_of(asked(beats())).trials({1: board(SLOW)})[1]


def test_no_clip_after_it_is_heard(heard_s):
    order = [1, 0]
    bench = bench_of(asked(beats(), beats(12.0, 2.0)))
    assert not bench.trials({0: board(QUICK)}, order)[0].keeps
    assert len(heard_s) == 1
    assert heard_s[0] < 7


def test_where_flashes_are_not_judged_nobody_is_laid_aside(heard_s, monkeypatch):
    monkeypatch.setattr(board_trials, "why_not_judged", lambda *_: {FLASH_METRIC: "it is too short"})
    bench_of(asked(beats())).trials({0: board(QUICK)})
    assert heard_s == [pytest.approx(WHOLE_S)]


def test_so_many_flashing_boards_are_waited_for(heard_s):
    """Boards that differ begin to flash at different times; the more are waited for, the more is heard."""
    t = np.arange(round(WHOLE_S * RATE_HZ)) / RATE_HZ
    # Beats that grow slowly: each board follows from another loudness on.
    growing = np.where(t * 6 % 1 < 0.5, 10 ** (-2 + 2 * t / WHOLE_S), 1e-3)
    bench = bench_of(asked(Recording(np.sin(2 * np.pi * 200 * t) * growing, RATE_HZ)))
    found = [bench.trials({0: board(QUICK)}, enough=enough)[0] for enough in (1, 16)]
    assert found[0].flashing < found[1].flashing == 16
    assert heard_s[0] < heard_s[1]


def test_a_screen_hears_no_longer_than_it_takes_others_to_flash(heard_s):
    bench = bench_of(asked(beats()))
    first = bench.trials({0: board(QUICK)}, enough=TELLING_BOARDS)[0]
    telling = telling_boards([first])
    assert telling is not None
    assert telling.clip == 0
    assert len(telling.places) == TELLING_BOARDS
    assert telling.within_s == pytest.approx(2 * first.left_s)
    found = bench.screen({1: board(2 * QUICK), 2: board(SLOW)}, telling)
    assert list(found) == [1]
    # The slow one goes on, but no further than that.
    assert heard_s[-1] == pytest.approx(telling.within_s, abs=1.0)
    early = bench.screen({1: board(2 * QUICK)}, replace(telling, within_s=CALM_S / 2))
    assert early == {}
    assert heard_s[-1] < CALM_S


def test_what_tells_is_the_clip_and_the_boards_that_flash_most():
    trials = [
        Trial(16, 2, over=((3, 0), (5, 0)), left_s=4.0),
        Trial(16, 1, over=((5, 0),), left_s=9.0),
        Trial(16, 1, over=((7, 1),)),
        Trial(16, 0, 16),
    ]
    assert telling_boards(trials) == Turn([3, 5], 0, 18.0)
    assert telling_boards(trials[2:]) == Turn([7], 1)
    assert telling_boards(trials[3:]) is None


def test_what_is_left_early_has_no_more_flashes_than_the_whole():
    sound = sounds_of(asked(beats()))[0]
    boards = [board(ohm) for ohm in np.geomspace(QUICK, 2 * QUICK, 12)]
    design, told = board(QUICK), list[tuple[float, np.ndarray]]()

    def heard(enough=None):
        return columns_on_sound(
            sound, boards, [design] * 12, [design.brightness_table()] * 12,
            seed=(1,), workers=2, enough=enough,
        )  # fmt: skip

    def noting(heard_s: float, most: np.ndarray) -> bool:
        told.append((heard_s, most))
        return False

    whole = heard(noting)
    assert heard() == {name: pytest.approx(values, nan_ok=True) for name, values in whole.items()}
    times = [heard_s for heard_s, _ in told]
    assert times == sorted(times)
    assert times[-1] == pytest.approx(WHOLE_S)
    counts = np.array([most for _, most in told])
    assert (np.diff(counts, axis=0) >= 0).all()
    assert (counts[-1] <= whole[FLASH_METRIC]).all()
    assert counts[0].max() == 0 < counts[-1].min()
    left = heard(lambda heard_s, _: heard_s > CALM_S + 4)
    assert list(left) == [FLASH_METRIC]
    assert left[FLASH_METRIC].min() > 0
    assert (left[FLASH_METRIC] <= whole[FLASH_METRIC]).all()

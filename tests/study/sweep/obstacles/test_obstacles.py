"""Causes that stand in the way together, and what is said of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from reference.known_causes import question

from envlab.analog.adc import Adc
from envlab.analog.rectifiers.bias_superdiodes import BiasSuperdiodes
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.light.pixels import Supply
from envlab.study.sentences import of_kind
from envlab.study.specification.heard_sounds import sounds_of
from envlab.study.specification.specification import Specification
from envlab.study.specification.targets import Target, Targets
from envlab.study.sweep.choice import Choice, choose
from envlab.study.sweep.obstacles import lab
from envlab.study.sweep.obstacles.obstacles import mends_of, with_obstacles
from envlab.study.sweep.sweep import sweep
from envlab.study.tolerance.board_metrics import BoardJudge

STEP = Target("table_step_lstar", "at_most", 1.0, 1.0)


@pytest.fixture(scope="module", params=(3.0, 12.0))
def asked(request: pytest.FixtureRequest) -> Specification:
    """Pixels of 8 bit behind a converter of 10: one code is over 2 L*, and a count at the floor 12 L*.

    Of a supply of 12 A deeper pixels alone bring nothing. One of 3 A is no cause, though more of it comes
    nearest at first.
    """
    chain = Chain(pixel_bits=8, adc=Adc(bits=10), supply=Supply(limit_a=request.param))
    return question(np.random.default_rng(5), chain, (STEP,))


@pytest.fixture(scope="module")
def choice(asked: Specification) -> Choice:
    return choose(sweep(asked), asked)


def step_lstar(asked: Specification, chain: Chain) -> float:
    alone = replace(asked, chain=chain, ranges={}, targets=Targets((STEP,)))
    return float(sweep(alone)[STEP.metric].iloc[0])


def test_what_stands_in_the_way_together_is_named_together_and_nothing_else(asked, choice):
    deep = step_lstar(asked, replace(choice.chain, pixel_bits=16))
    assert deep > 5 * STEP.limit
    if asked.chain.supply.limit_a == 12.0:
        assert deep >= 0.99 * step_lstar(asked, choice.chain)
    (told,) = of_kind(with_obstacles(choice, asked).sentences, "cause")
    assert set(str(told.behind["causes"]).split(" + ")) == {"pixel depth", "converter"}
    (effect,) = [value for name, value in told.behind.items() if name.startswith(f"{STEP.metric} with ")]
    assert effect <= STEP.limit
    assert f"({effect:.3g} L*)" in told.text


def test_each_of_them_is_needed_and_its_effect_is_that_of_a_run(asked, choice):
    (mend,) = mends_of(choice, asked, (STEP,))
    assert not mend.broken
    bits = int(mend.change.partition("a converter of ")[2].split()[0])
    depth = mend.change.partition("dither of ")[2].split()
    deeper = {"dither_bits": int(depth[0])} if depth else {"pixel_bits": 16}
    both = replace(choice.chain, adc=replace(choice.chain.adc, bits=bits), **deeper)
    assert step_lstar(asked, both) == pytest.approx(mend.metrics[STEP.metric])
    assert step_lstar(asked, replace(both, adc=choice.chain.adc)) > STEP.limit
    assert step_lstar(asked, replace(both, dither_bits=0, pixel_bits=8)) > STEP.limit


def test_what_stands_in_the_way_moves_and_is_played_once(asked, choice, monkeypatch):
    played, told = list[tuple[object, ...]](), list[tuple[str, float]]()
    columns = lab.clip_columns

    def counted(sound, chains, tables, **rest):
        played.extend((chain, sound.pressure_pa.tobytes(), rest["seed"]) for chain in chains)
        return columns(sound, chains, tables, **rest)

    monkeypatch.setattr(lab, "clip_columns", counted)
    two = replace(asked, targets=Targets((STEP, Target("beat_contrast_lstar", "at_least", 99.0, 1.0))))
    both = choose(choice.table, two)
    with_obstacles(both, two, progress=lambda what, share: told.append((what, share)))
    assert len(played) == len(set(played)) > 50
    names = list(dict.fromkeys(what for what, _ in told))
    assert [name for name in names if name.endswith(": board")] == [
        "In the way 1/2: board",
        "In the way 2/2: board",
    ]
    for name in names:
        assert len(name) <= 24
        shares = [share for what, share in told if what == name]
        assert shares == sorted(shares)
        assert 0 <= shares[0] <= shares[-1] <= 1
    # The first target is of the bench alone, so that the second one's boards are the first to play at length.
    moving = [share for what, share in told if what == "In the way 2/2: board"]
    assert moving[-1] == 1
    assert np.diff(moving).max() < 0.2


@pytest.mark.parametrize("rectifier", [Rectifier(), BiasSuperdiodes()])
def test_boards_played_together_are_those_played_alone(asked, choice, rectifier):
    board = replace(choice.chain, rectifier=rectifier)
    chains = [board] + [
        replace(board, detector=replace(board.detector, release_ohm=ohm)) for ohm in (100e3, 150e3, 330e3)
    ]
    chains += [replace(board, pixel_bits=12), replace(board, adc=Adc(bits=12))]
    # The same sound a second time, softer, has the noise of its own place.
    asked = replace(asked, clips=(asked.clips[0], replace(asked.clips[0], level_db_spl=75.0)))
    memory, numbers = lab.memory_of(asked), (0, 1)
    wanted = [(chain, number, asked.clips[number]) for chain in chains for number in numbers]
    memory.play(wanted, asked.judging.seed, 2, lambda _: None)
    sounds = sounds_of(asked, *chains)
    for chain, number, clip in wanted:
        alone = BoardJudge(asked, chain, sounds).clip(number, [chain])
        together = memory.heard[chain, number, clip]
        assert together.keys() == alone.keys()
        for name, values in alone.items():
            # Boards with amplifiers side by side lie up to 1 nV apart, which moves a count hardly ever.
            apart = 0.0 if isinstance(rectifier, Rectifier) else 0.02
            assert together[name] == pytest.approx(values, rel=0, abs=apart, nan_ok=True), name

"""Many chains in one pass read what Chain.run reads one by one, count by count."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from envlab.analog.adc import Adc
from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.microphone import Microphone
from envlab.analog.preamps.preamp import Preamp
from envlab.analog.rectifiers.difference_superdiodes import DifferenceSuperdiodes
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.digital.followers import AttackRelease, MeanSquare, OnePole, PassThrough
from envlab.engine import play
from envlab.engine.board_readings import read_chains
from envlab.engine.followed_envelopes import read_envelopes
from envlab.engine.quantiser import learnt_zero_counts
from envlab.errors import ParameterError
from envlab.sound.recording import Recording

SEED = (1, 1, 0)
CHAINS = [
    Chain(),
    Chain(preamp=Preamp(220e3)),
    Chain(rectifier=Rectifier("half", 0.5), detector=PeakDetector(1e3, 1e-7, 100e3)),
    Chain(rectifier=Rectifier("half", 0.5), detector=PeakDetector(10e3, 1e-6, 47e3)),
    Chain(detector=AverageDetector(10e3, 1e-6), preamp=Preamp(100e3)),
    Chain(detector=AverageDetector(1e3, 1e-6), rectifier=Rectifier("half")),
    # The same time constants and divider from other parts: one detector in the pass, two answers.
    Chain(preamp=Preamp(220e3), detector=PeakDetector(4.7e4, 1e-7, 4.7e6)),
    # So quick that a step forgets everything.
    Chain(detector=PeakDetector(0.1, 1e-10, 1e4)),
]


def clatter(seconds: float = 0.5, peak_pa: float = 12.0) -> Recording:
    """Strokes of noise that clip the louder chains, and a stretch of digital silence."""
    n = round(seconds * 44_100)
    noise = np.random.default_rng(5).standard_normal(n) * np.exp(-np.mod(np.arange(n), 9000) / 1500.0)
    noise[n // 2 : n // 2 + 4000] = 0
    return Recording(peak_pa * noise, 44_100.0)


@pytest.fixture(scope="module")
def recording() -> Recording:
    return clatter()


@pytest.mark.parametrize("seed", [None, SEED], ids=["no noise", "noise"])
def test_equals_the_chain_one_by_one(recording, seed):
    every = np.arange(500)
    read = read_chains(recording, CHAINS, every, seed=seed)
    for i, chain in enumerate(CHAINS):
        alone = chain.run(recording, None if seed is None else np.random.default_rng(seed))
        counts = np.maximum(alone.adc_counts - chain.quiescent_counts, 0)
        # The pass keeps voltages in other units: 1e-12 of a count may fall on the other side of a step.
        assert np.count_nonzero(read.counts[i] != counts) <= 1, i
        assert np.abs(read.counts[i] - counts).max() <= 1
        assert read.clipped_share[i] == pytest.approx(alone.clipped_share, abs=1e-12)
    assert read.clipped_share.max() > 0.01


def test_readings_asked_for_are_those_of_all(recording):
    every = read_chains(recording, CHAINS, np.arange(500), seed=SEED).counts
    some_index = np.array([0, 1, 7, 8, 250, 498, 499])
    some = read_chains(recording, CHAINS, some_index, seed=SEED).counts
    assert np.array_equal(some, every[:, some_index])


def test_neither_workers_nor_company_nor_order_matters(recording):
    index = np.arange(0, 500, 10)
    all_at_once = read_chains(recording, CHAINS, index, seed=SEED, workers=2).counts
    assert np.array_equal(read_chains(recording, CHAINS, index, seed=SEED, workers=1).counts, all_at_once)
    backwards = read_chains(recording, CHAINS[::-1], index, seed=SEED).counts
    assert np.array_equal(backwards[::-1], all_at_once)
    # A chain alone takes other lanes of the compiled loop; the last bits may differ, a count hardly.
    alone = read_chains(recording, CHAINS[3:4], index, seed=SEED).counts[0]
    assert np.abs(alone - all_at_once[3]).max() <= 1


def test_progress_goes_up_to_one(recording):
    shares: list[float] = []
    read_chains(recording, CHAINS[:2], np.arange(10), progress=shares.append)
    assert shares == sorted(shares)
    assert len(shares) == -(-round(0.5 * 44_100) * 8 // 65_536)
    assert shares[-1] == 1


def test_followers_see_every_reading(recording):
    followers = [PassThrough(), OnePole(0.02), AttackRelease(0.002, 0.1), OnePole(0.02), MeanSquare(0.05)]
    chains = [Chain(follower=follower, preamp=Preamp(100e3)) for follower in followers]
    index = np.arange(3, 500, 10)
    envelopes, clipped_share = read_envelopes(recording, chains, index, seed=SEED)
    for i, chain in enumerate(chains):
        alone = chain.run(recording, np.random.default_rng(SEED))
        assert envelopes[i] == pytest.approx(alone.envelope_counts[index], abs=1)
        assert np.median(np.abs(envelopes[i] - alone.envelope_counts[index])) < 1e-9
        assert clipped_share[i] == pytest.approx(alone.clipped_share)
    assert np.array_equal(envelopes[1], envelopes[3])
    assert not np.array_equal(envelopes[0], envelopes[1])


@pytest.mark.parametrize(
    ("other", "text"),
    [
        (replace(Chain(), adc=Adc(bits=12)), "chains is 'chains with several ADCs or microphones'"),
        (
            replace(Chain(), microphone=Microphone(-38.0)),
            "chains is 'chains with several ADCs or microphones'",
        ),
        (
            replace(Chain(), preamp=Preamp(noise_v_per_rthz=1e-8 * 2)),
            "noise_v_per_rthz is 2e-08; it must be the same",
        ),
    ],
    ids=["adc", "microphone", "noise"],
)
def test_what_must_be_alike(recording, other, text):
    with pytest.raises(ParameterError) as caught:
        read_chains(recording, [Chain(), other], np.arange(5))
    assert str(caught.value).startswith(text)


def test_equal_time_constants_run_once(recording, monkeypatch):
    run: list[int] = []
    bank = play.HoldStage

    def counted(detectors, *rest):
        run.append(len(detectors))
        return bank(detectors, *rest)

    monkeypatch.setattr(play, "HoldStage", counted)
    # Ten times the capacitor and a tenth of both resistors; the second rectifier is a front of its own.
    parts = [(1e3, 1e-6, 470e3), (1e4, 1e-7, 4.7e6), (100.0, 1e-5, 47e3), (2e3, 1e-6, 470e3)]
    chains = [
        Chain(detector=PeakDetector(*some), rectifier=Rectifier(kind))
        for kind in ("full", "half")
        for some in parts
    ]
    counts = read_chains(recording, chains, np.arange(500), seed=SEED).counts
    assert run == [2, 2]
    assert np.array_equal(counts[0], counts[1])
    assert np.array_equal(counts[0], counts[2])
    assert not np.array_equal(counts[0], counts[3])


def test_gain_is_no_mere_factor_where_bandwidth_or_swing_changes_with_it():
    # Four times the gain gives four times the counts only as long as nothing else depends on the gain. At
    # 200 kHz of gain-bandwidth 11 times gain reach 18 kHz, 44 times 4.5 kHz; 3.3 V hold no more than 1.6 V.
    free = {"ground_farad": None, "gain_bandwidth_hz": 1e9, "input_offset_v": 0.0}
    adc = Adc(bits=16, noise_lsb=0.0, offset_lsb=0.5)

    def ratio(peak_pa: float, **parts: float | None) -> float:
        chains = [Chain(preamp=Preamp(ohm, 1e3, **parts), adc=adc) for ohm in (10e3, 43e3)]
        counts = read_chains(clatter(0.2, peak_pa), chains, np.arange(20, 200)).counts
        return float(counts[1].mean() / counts[0].mean())

    assert ratio(0.2, **free) == pytest.approx(4, rel=1e-3)
    assert ratio(0.2, **free | {"gain_bandwidth_hz": 200e3}) < 3.8
    assert ratio(12.0, **free) < 3.5


@pytest.mark.parametrize("offset_v", [-0.004, 0.0, 0.004])
def test_a_board_learns_the_zero_that_silence_gives_it(offset_v):
    """What stands on a lifted node and a pedestal, read as silence by the whole chain."""
    asked = Chain(
        preamp=Preamp(220e3),
        rectifier=DifferenceSuperdiodes(reference_node_v=0.5, offset_u2a_v=0.01),
        adc=Adc(12, noise_lsb=0),
    )
    board = replace(asked, rectifier=replace(asked.rectifier, offset_u2a_v=0.01 + offset_v))
    silent = Recording(np.zeros(480), 48_000.0)
    rests = [int(one.run(silent).adc_counts[-1]) for one in (asked, board)]
    assert rests[0] > 0.51 * 4096 / 3.3
    assert learnt_zero_counts(board, asked) == asked.quiescent_counts + rests[1] - rests[0]

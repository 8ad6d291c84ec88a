"""Metrics counted while the frames come by are those of the frames kept, bit for bit, however cut."""

from __future__ import annotations

import tracemalloc
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st
from reference.examples import examples

from envlab.analog.adc import Adc
from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.preamps.preamp import Preamp
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.digital.followers import (
    AttackRelease,
    MeanSquare,
    MovingMaximum,
    MovingMean,
    OnePole,
    PassThrough,
    PeakHold,
    follow,
)
from envlab.engine import hold_stage, waves
from envlab.errors import EnvlabError
from envlab.light.curve import BrightnessMap
from envlab.metrics import metrics_of_clip as clip_run
from envlab.metrics.clip_metrics import ClipColumns, ClipMetrics, envelope_columns
from envlab.metrics.percentiles import RankedEnvelopes, percentile
from envlab.metrics.streaming_metrics import (
    CountedFrames,
    StreamingMetrics,
    counted_bytes,
)
from envlab.sound.recording import Recording, read_recording
from envlab.sound.stream import SoundStream, open_sound
from envlab.study.tolerance import board_columns
from envlab.study.tolerance.board_columns import columns_on_sound

MAP = BrightnessMap(62.0, 95.0)
CHAINS = [
    replace(Chain(brightness=MAP, detector=PeakDetector(attack_ohm, hold_farad, release_ohm)), **rest)
    for attack_ohm, hold_farad, release_ohm in [(1e3, 1e-6, 47e3), (4.7e3, 1e-6, 470e3), (10e3, 220e-9, 1e6)]
    for rest in ({}, {"preamp": Preamp(220e3)}, {"rectifier": Rectifier("half", 0.5)})
] + [Chain(brightness=MAP, detector=AverageDetector(10e3, 1e-6)), Chain(brightness=BrightnessMap(140, 150))]
TABLES = [chain.brightness_table() for chain in CHAINS]
SEED = (4, 1, 0)


def same(one: dict[str, np.ndarray], other: dict[str, np.ndarray]) -> bool:
    assert one.keys() == other.keys()
    return all(np.array_equal(one[name], other[name]) for name in one)


@examples(40)
@given(
    st.integers(0, 2**32 - 1),
    st.integers(1, 420),
    st.sampled_from([(10, 16), (12, 8), (8, 12)]),
    st.sampled_from([50.0, 100.0, 333.0]),
    st.lists(st.integers(1, 90), min_size=1, max_size=4),
)
def test_counted_equals_kept(seed, frames, bits, frame_rate_hz, sizes):
    rng = np.random.default_rng(seed)
    chains = [
        replace(chain, adc=Adc(bits=bits[0]), pixel_bits=bits[1], frame_rate_hz=frame_rate_hz)
        for chain in CHAINS
    ]
    tables = [chain.brightness_table() for chain in chains]
    tops = np.array([[chain.adc.top_code - chain.quiescent_counts] for chain in chains])
    loudness = rng.choice([0.0, 0.02, 0.3, 1.3], (len(chains), frames))
    counts = np.minimum(rng.random((len(chains), frames)) * loudness * tops, tops).astype(np.int32)
    running = StreamingMetrics(chains, tables, frames)
    edges = np.cumsum(np.resize(sizes, frames))
    for part in np.split(counts, edges[edges < frames], axis=1):
        running.take(np.ascontiguousarray(part))
    found, expected = running.columns(), envelope_columns(counts, chains, tables)
    for field in fields(ClipMetrics):
        kept = getattr(expected.metrics, field.name)
        assert np.array_equal(getattr(found.metrics, field.name), kept), field.name
    assert np.array_equal(found.counts_median, expected.counts_median)
    assert np.array_equal(found.counts_99, expected.counts_99)
    # And numpy's percentiles, which are straight between samples as well.
    for name, percent in (("counts_median", 50), ("counts_99", 99)):
        assert getattr(found, name) == pytest.approx(np.percentile(counts, percent, axis=1))


@examples(15)
@given(
    st.integers(0, 2**32 - 1),
    st.integers(1, 300),
    st.sampled_from([50.0, 100.0, 333.0, 1000.0]),
    st.lists(st.integers(1, 900), min_size=1, max_size=4),
)
def test_behind_followers_counted_equals_kept(seed, frames, frame_rate_hz, sizes):
    rng = np.random.default_rng(seed)
    followers = (MovingMean(0.01), MovingMaximum(0.007), PassThrough(), MovingMean(0.001), MovingMean(0.029))
    chains = [
        replace(chain, follower=follower, frame_rate_hz=frame_rate_hz)
        for chain, follower in zip(CHAINS, np.resize(followers, len(CHAINS)), strict=True)
    ]
    tables = [chain.brightness_table() for chain in chains]
    of_frame = chains[0].reading_of_frame(frames)
    tops = np.array([[chain.adc.top_code - chain.quiescent_counts] for chain in chains])
    loudness = rng.choice([0.0, 0.02, 0.3, 30.0], (len(chains), 1))
    readings = rng.random((len(chains), int(of_frame[-1]) + 1)) * loudness * tops
    # A board whose zero lies under the design's reads more than the design can.
    counts = np.minimum(readings, chains[0].adc.top_code).astype(np.int32)
    # Only some of all chains are read, in another order than theirs.
    places = rng.permutation(len(chains))[: rng.integers(1, len(chains) + 1)]
    running = CountedFrames(places, chains, tables, frames)
    edges = np.cumsum(np.resize(sizes, counts.shape[1]))
    for part in np.split(counts[places], edges[edges < counts.shape[1]], axis=1):
        running.take(np.ascontiguousarray(part))
    assert sorted(running.places) == sorted(places)
    found = dict(zip(running.places, of_each(running.columns()), strict=True))
    for place in places:
        chain = chains[place]
        envelope, _ = follow(counts[place].astype(float), chain.follower, rate_hz=chain.adc.rate_hz)
        (kept,) = of_each([envelope_columns(envelope[of_frame], [chain], [tables[place]])])
        assert found[place] == kept, chain.follower


def of_each(parts: list[ClipColumns]) -> list[tuple[float, ...]]:
    """Every metric and percentile of each chain."""
    names = [field.name for field in fields(ClipMetrics)]
    return [
        row
        for part in parts
        for row in zip(
            *(getattr(part.metrics, name).tolist() for name in names),
            part.counts_median.tolist(),
            part.counts_99.tolist(),
            strict=True,
        )
    ]


@given(st.floats(0, 100), st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=60))
def test_percentile_is_numpys(percent, samples):
    ordered = np.sort(samples)
    place = percentile(percent, ordered.size)
    found = place.of(ordered[place.low], ordered[place.high])
    assert found == pytest.approx(np.percentile(samples, percent), abs=1e-9)


@pytest.fixture(scope="module")
def song(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """7.3 s of strokes at 44.1 kHz, two channels."""
    n = round(7.3 * 44_100)
    rng = np.random.default_rng(2)
    strokes = np.exp(-np.mod(np.arange(n), 17_000) / 4000.0)[:, np.newaxis] * rng.standard_normal((n, 2))
    path = tmp_path_factory.mktemp("song") / "song.flac"
    soundfile.write(path, 0.15 * strokes.clip(-6, 6), 44_100, subtype="PCM_24")
    return path


@pytest.fixture(scope="module")
def one_shot(song: Path) -> dict[str, np.ndarray]:
    return clip_run.clip_columns(read_recording(song, 96.0), CHAINS, TABLES, seed=SEED)


@pytest.mark.parametrize("block", [64 * 50, 64 * 500, 65_536, 64 * 3000])
def test_streamed_equals_one_shot_bit_for_bit(song, one_shot, block, monkeypatch):
    stream = open_sound(song, 96.0, held_s=1.0)
    assert isinstance(stream, SoundStream)
    monkeypatch.setattr(waves, "BLOCK", block)
    assert same(clip_run.clip_columns(stream, CHAINS, TABLES, seed=SEED), one_shot)
    assert one_shot["contrast_lstar"].max() > 5
    assert one_shot["clipped_share"].max() > 0


@pytest.mark.parametrize("workers", [1, 3])
def test_workers_do_not_matter(song, one_shot, workers):
    again = clip_run.clip_columns(read_recording(song, 96.0), CHAINS, TABLES, seed=SEED, workers=workers)
    assert same(again, one_shot)


def test_frames_kept_give_the_same(song, one_shot, monkeypatch):
    monkeypatch.setattr(clip_run, "better_kept", lambda *_: True)
    kept = clip_run.clip_columns(read_recording(song, 96.0), CHAINS, TABLES, seed=SEED)
    assert same(kept, one_shot)


def test_chains_in_turns_give_the_same_but_for_a_count(song, one_shot, monkeypatch):
    # Other company in the vector lanes moves a voltage by 1e-12 of full scale: a count at most, hardly ever.
    monkeypatch.setattr(clip_run, "MEMORY_BYTES", 5 * 8200)
    shares: list[float] = []
    turns = clip_run.clip_columns(
        read_recording(song, 96.0), CHAINS, TABLES, seed=SEED, progress=shares.append
    )
    assert shares == sorted(shares)
    assert shares[-1] == 1
    for name, values in one_shot.items():
        assert turns[name] == pytest.approx(values, abs=0.02), name


def test_more_detectors_than_a_bank_holds(song, monkeypatch):
    monkeypatch.setattr(hold_stage, "BANK", 2)
    recording = Recording(read_recording(song, 96.0).pressure_pa[:60_000], 44_100.0)
    split = clip_run.clip_columns(recording, CHAINS, TABLES, seed=SEED)
    monkeypatch.setattr(hold_stage, "BANK", 512)
    whole = clip_run.clip_columns(recording, CHAINS, TABLES, seed=SEED)
    for name, values in whole.items():
        assert split[name] == pytest.approx(values, abs=0.02), name


@pytest.mark.parametrize("chain", [Chain(adc=Adc(bits=14)), Chain(follower=AttackRelease(0.005, 0.2))])
def test_fine_converters_and_followers_streamed(song, chain):
    chains = [replace(chain, preamp=Preamp(feedback_ohm)) for feedback_ohm in (22e3, 100e3)]
    tables = [one.brightness_table() for one in chains]
    assert clip_run.better_kept(chains, 730)
    held = clip_run.clip_columns(read_recording(song, 96.0), chains, tables, seed=SEED)
    streamed = clip_run.clip_columns(open_sound(song, 96.0, held_s=1.0), chains, tables, seed=SEED)
    assert same(streamed, held)


# Of these none divides a count into a whole number of steps, but for the last two.
ANY_NUMBER = (
    AttackRelease(0.005, 0.2),
    PeakHold(0.1, 0.05),
    MeanSquare(0.05),
    OnePole(0.03),
    MovingMean(0.01),
    PassThrough(),
)


def test_followers_of_any_number_are_counted_in_two_looks_as_if_kept(song, monkeypatch):
    chains = [
        replace(chain, follower=follower)
        for chain, follower in zip(CHAINS, np.resize(ANY_NUMBER, len(CHAINS)), strict=True)
    ]
    recording = read_recording(song, 96.0)

    def columns(kept: bool) -> tuple[dict[str, np.ndarray], list[float]]:
        shares: list[float] = []
        for name in ("better_kept", "_kept_as_ever", "two_turns"):
            monkeypatch.setattr(clip_run, name, lambda *_: kept)
        found = clip_run.clip_columns(recording, chains, TABLES, seed=SEED, progress=shares.append)
        return found, shares

    (counted, shares), (kept, kept_shares) = columns(kept=False), columns(kept=True)
    assert same(counted, kept)
    assert np.unique(counted["counts_median"]).size > 6
    assert shares == sorted(shares)
    assert shares[-1] == 1
    assert len(shares) == 2 * len(kept_shares)


def test_boards_behind_followers_of_any_number_are_those_kept(song, monkeypatch):
    design = replace(Chain(brightness=MAP), follower=AttackRelease(0.005, 0.2))
    boards = [replace(design, preamp=Preamp(ohm)) for ohm in np.geomspace(90e3, 110e3, 5)]
    firmware, tables = [design] * 5, [design.brightness_table()] * 5
    found = []
    for kept in (False, True):
        monkeypatch.setattr(board_columns, "better_kept", lambda *_, kept=kept, **__: kept)
        monkeypatch.setattr(board_columns, "two_turns", lambda *_, kept=kept: kept)
        sound = read_recording(song, 96.0)
        found.append(columns_on_sound(sound, boards, firmware, tables, seed=SEED, workers=2))
    assert same(*found)
    assert np.unique(found[0]["counts_99"]).size == 5


@examples(60)
@given(
    st.integers(0, 2**32 - 1),
    st.integers(1, 500),
    st.lists(st.integers(1, 90), min_size=1, max_size=4),
    st.sampled_from([0, 40, 8000]),
)
def test_two_looks_find_what_stands_at_the_ranks(seed, frames, sizes, most_bytes):
    rng = np.random.default_rng(seed)
    rows = int(rng.integers(1, 6))
    # Fading, resting, at zero, and as a moving mean of a converter of 16 bit would have them.
    kinds = (
        100 * np.exp(-np.arange(frames) / 7.0),
        np.full(frames, rng.random()),
        np.where(rng.random(frames) < 0.6, 0.0, rng.random(frames)),
        65_535 * rng.random(frames),
        np.round(10 * rng.random(frames)) / 10,
    )
    envelopes = np.stack([kinds[kind] for kind in rng.integers(0, len(kinds), rows)])
    # One more chain that nobody counts, as those of whole steps.
    ranks = rng.integers(0, frames, 4)
    ranked = RankedEnvelopes(rows + 1, ranks.tolist())
    places, edges = rng.permutation(rows), np.cumsum(np.resize(sizes, frames))
    parts = np.split(envelopes[places], edges[edges < frames], axis=1)
    for part in parts:
        ranked.count(places, part)
    seen, shares = [], []
    for lot, tell in ranked.lots(most_bytes, shares.append):
        mine = places[np.isin(places, lot)]
        for part in parts:
            ranked.keep(mine, part[np.isin(places, lot)])
        ranked.settle(lot)
        seen += lot.tolist()
        tell(1.0)
    assert seen == list(range(rows))
    assert shares == sorted(shares)
    assert shares[-1] == 1
    if not most_bytes:
        assert len(shares) == rows
    expected = np.sort(envelopes, axis=1)[:, ranks]
    assert np.array_equal(ranked.at_ranks(np.arange(rows)), expected)


@pytest.mark.parametrize("again", [0.5, 7.0])
def test_a_second_look_at_something_else_is_refused(again):
    # Both times three frames; the second time more of them, or fewer, where the rank lies.
    ranked, rows = RankedEnvelopes(1, [1]), np.zeros(1, dtype=np.int64)
    ranked.count(rows, np.array([[0.5, 0.5, 7.0]]))
    ((lot, _),) = [*ranked.lots(1e6, lambda _: None)]
    ranked.keep(lot, np.array([[0.5, again, again]]))
    with pytest.raises(EnvlabError, match="sounded otherwise"):
        ranked.settle(lot)


@pytest.mark.parametrize(
    ("judge", "lengths"),
    # Behind a mean there are ten times as many steps; up to 40 s the frames are less than these.
    [
        ("candidates", (20, 120)),
        ("candidates behind a mean", (60, 160)),
        ("boards behind a mean", (60, 160)),
        ("candidates behind attack and release", (60, 160)),
    ],
)
def test_memory_hardly_grows_with_the_clip(tmp_path, monkeypatch, judge, lengths):
    # 100 s more at 8 kHz: the clip itself would take 6.4 MB more, 11 chains' frames 1.8 MB more.
    monkeypatch.setattr(clip_run, "_KEPT_TOGETHER", 10**9)
    chains, tables = CHAINS, TABLES
    if judge == "candidates behind a mean":
        chains = [replace(chain, follower=MovingMean(0.01)) for chain in CHAINS]
    if judge == "candidates behind attack and release":
        monkeypatch.setattr(clip_run, "better_kept", lambda *_: False)
        monkeypatch.setattr(clip_run, "_kept_as_ever", lambda *_: False)
        monkeypatch.setattr(clip_run, "two_turns", lambda *_: False)
        chains = [replace(chain, follower=AttackRelease(0.005, 0.2)) for chain in CHAINS]
    if judge == "boards behind a mean":
        design = replace(CHAINS[0], follower=MovingMean(0.01))
        chains, tables = [design] * 11, [design.brightness_table()] * 11
    peaks = []
    for seconds in lengths:
        path = tmp_path / f"{seconds}.flac"
        noise = np.random.default_rng(seconds).standard_normal(seconds * 8000)
        soundfile.write(path, 0.1 * noise.clip(-5, 5), 8000)
        sound = open_sound(path, 90.0, held_s=1.0)
        tracemalloc.start()
        if judge == "boards behind a mean":
            columns_on_sound(sound, chains, chains, tables, seed=SEED, workers=1)
        else:
            clip_run.clip_columns(sound, chains, tables, seed=SEED, workers=1)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < peaks[0] + 200_000


def test_boards_in_turns_and_kept_are_those_counted_together(song, monkeypatch):
    # A bank of boards gives each the same counts in any company.
    design = replace(Chain(brightness=MAP), follower=MovingMean(0.01))
    boards = [
        replace(design, detector=replace(design.detector, release_ohm=ohm))
        for ohm in np.geomspace(40e3, 60e3, 7)
    ]
    firmware, tables = [design] * 7, [design.brightness_table()] * 7

    def heard() -> tuple[dict[str, np.ndarray], list[float]]:
        shares: list[float] = []
        sound = read_recording(song, 96.0)
        columns = columns_on_sound(
            sound, boards, firmware, tables, seed=SEED, workers=2, report=shares.append
        )
        return columns, shares

    def keep(whether: bool) -> None:
        for module in (clip_run, board_columns):
            monkeypatch.setattr(module, "better_kept", lambda *_, **__: whether)

    keep(False)
    counted, shares = heard()
    assert shares == sorted(shares)
    assert shares[-1] == 1
    monkeypatch.setattr(clip_run, "MEMORY_BYTES", 3 * counted_bytes(design, 730, tables=0))
    in_turns, turn_shares = heard()
    assert same(in_turns, counted)
    assert len(turn_shares) == 3 * len(shares)
    assert turn_shares == sorted(turn_shares)
    assert turn_shares[-1] == 1
    keep(True)
    assert same(heard()[0], counted)
    assert counted["contrast_lstar"].min() > 5
    assert np.unique(counted["duty_mean"]).size == 7


@pytest.mark.parametrize(
    ("follower", "bits", "seconds", "kept"),
    [
        (PassThrough(), 10, 7200, False),
        (MovingMean(0.01), 10, 7200, False),
        (MovingMaximum(0.01), 10, 7200, False),
        # Fractions that are no whole number of steps are counted in bins, and looked at twice; a fine
        # converter has more steps than a short clip has frames.
        (AttackRelease(0.005, 0.2), 10, 7200, False),
        (AttackRelease(0.005, 0.2), 10, 20, True),
        (MovingMean(0.01), 16, 20, True),
    ],
)
def test_what_is_kept_and_how_many_fit(follower, bits, seconds, kept):
    chain = Chain(follower=follower, adc=Adc(bits=bits))
    frames = seconds * 100
    assert clip_run.better_kept([chain], frames) is kept
    many = clip_run.together([chain], frames)
    # Bytes a chain: of a frame 20; or of a step 8; and 4 a second.
    steps = {PassThrough: 1, MovingMean: 10, MovingMaximum: 1}.get(type(follower), 0) * (2**bits - 1) + 1
    # In bins: 28 octaves of 512, and one more; and each code of a pixel of 16 bit.
    counted = 8 * steps if steps > 1 else 4 * (28 * 512 + 1) + 4 * 2**16
    own = (20 * frames if kept else counted) + 4 * seconds
    assert many == int(96e6 / own)
    assert many >= (6 if kept else 200)

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
from envlab.digital.followers import AttackRelease
from envlab.engine import hold_stage, waves
from envlab.light.curve import BrightnessMap
from envlab.metrics import metrics_of_clip as clip_run
from envlab.metrics.clip_metrics import ClipMetrics, envelope_columns
from envlab.metrics.percentiles import percentile
from envlab.metrics.streaming_metrics import StreamingMetrics
from envlab.sound.recording import Recording, read_recording
from envlab.sound.stream import SoundStream, open_sound

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


def test_memory_hardly_grows_with_the_clip(tmp_path):
    # 20 s and 120 s at 8 kHz: the clip itself would take 6.4 MB more, 11 chains' frames 1.8 MB more.
    peaks = []
    for seconds in (20, 120):
        path = tmp_path / f"{seconds}.flac"
        noise = np.random.default_rng(seconds).standard_normal(seconds * 8000)
        soundfile.write(path, 0.1 * noise.clip(-5, 5), 8000)
        tracemalloc.start()
        clip_run.clip_columns(open_sound(path, 90.0, held_s=1.0), CHAINS, TABLES, seed=SEED, workers=1)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < peaks[0] + 200_000

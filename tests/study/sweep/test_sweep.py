"""The sweep: candidates in order, and every metric as Chain.run and the definitions give it, one by one."""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile

from envlab.analog.adc import Adc
from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.parts import PartRange
from envlab.analog.preamps.board_preamp import BoardPreamp
from envlab.analog.preamps.preamp import Preamp
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.digital.followers import AttackRelease
from envlab.engine.chain_result import ChainResult
from envlab.errors import EnvlabWarning, FileError, ParameterError
from envlab.light.curve import BrightnessMap
from envlab.light.flashes.flash import count_flashes
from envlab.light.pixels import supply_current_a
from envlab.metrics.catalogue import METRICS
from envlab.metrics.metrics_of_clip import IDLE_S, clip_seed
from envlab.metrics.onset_latency import onset_latency
from envlab.sound.clip import Clip
from envlab.sound.recording import Recording
from envlab.sound.stream import SoundStream, open_sound
from envlab.study.specification.ranges import candidates_of, steps_from
from envlab.study.specification.specification import Judging, Specification
from envlab.study.sweep.sweep import sweep

RANGES = {
    "preamp.feedback_ohm": (22e3, 220e3),
    "rectifier.kind": ("full", "half"),
    "detector.attack_ohm": PartRange("E3", 1e3, 4.7e3),
}
JUDGING = Judging(90.0, seed=5)


@pytest.fixture(scope="module")
def clips(clip_folder: Path) -> list[Clip]:
    return [
        Clip(clip_folder / "beat.wav", 92.0, ("beat",)),
        Clip(clip_folder / "hum.wav", 75.0, ("quiet", "walking")),
        Clip(clip_folder / "beat.wav", 104.0, ("beat",)),
    ]


@pytest.fixture(scope="module")
def table(clips: list[Clip]) -> pd.DataFrame:
    return sweep(Specification(Chain(), clips, RANGES), judging=JUDGING)


def test_candidates_are_every_combination_the_last_range_fastest():
    candidates = candidates_of(Chain(), RANGES)
    rows = list(itertools.product((22e3, 220e3), ("full", "half"), (1e3, 2.2e3, 4.7e3)))
    assert len(candidates) == len(rows) == 12
    for i, (feedback_ohm, kind, attack_ohm) in enumerate(rows):
        chain = candidates.chains[i]
        assert chain.preamp == Preamp(feedback_ohm)
        assert chain.rectifier == Rectifier(kind)
        assert chain.detector.attack_ohm == attack_ohm
        assert [candidates.parts[key][i] for key in RANGES] == [feedback_ohm, kind, attack_ohm]


def test_no_ranges_is_the_chain_itself():
    assert candidates_of(Chain(), {}).chains == [Chain()]


def test_too_many_candidates_are_counted_not_made():
    ranges = {f"detector.{key}": PartRange("E192", 1.0, 1e6) for key in ("attack_ohm", "release_ohm")}
    with pytest.raises(ParameterError, match=r"^candidates is 1329409; it must be at most 200000"):
        candidates_of(Chain(), ranges)


def test_values_that_a_chain_cannot_have():
    with pytest.raises(ParameterError, match=r"^attack_ohm is -1.0"):
        candidates_of(Chain(), {"detector.attack_ohm": (-1.0,)})


def test_a_range_without_values_is_refused():
    with pytest.raises(ParameterError, match=r"^detector.attack_ohm is \(\); it must be at least one value"):
        candidates_of(Chain(), {"rectifier.kind": ("full",), "detector.attack_ohm": ()})


def test_a_part_that_the_chain_lacks_is_named():
    with pytest.raises(
        ParameterError, match=r"^sweep is 'detector.attak_ohm'; .* this detector has: attack_"
    ):
        candidates_of(Chain(), {"detector.attak_ohm": (1e3,)})


@pytest.mark.parametrize("choices", ["47k", 47e3])
def test_one_value_is_no_range(choices):
    with pytest.raises(
        ParameterError, match=r"^detector.attack_ohm is .* must be a range of parts, or a list"
    ):
        candidates_of(Chain(), {"detector.attack_ohm": choices})


def test_an_array_of_values_is_a_list():
    found = candidates_of(Chain(), {"detector.attack_ohm": np.array([1e3, 4.7e3])})
    assert found.parts == {"detector.attack_ohm": [1e3, 4.7e3]}
    assert {type(value) for value in found.parts["detector.attack_ohm"]} == {float}
    with pytest.raises(ParameterError, match="at least one value"):
        candidates_of(Chain(), {"detector.attack_ohm": np.array([])})


@pytest.mark.parametrize(
    ("choices", "value", "steps"),
    [
        (PartRange("E3", 1e3, 10e3), 2.2e3, (1e3, 4.7e3)),
        ((500.0, 2000.0, 1000.0), 1000.0, (500.0, 2000.0)),
        ((500.0, 2000.0, 1000.0), 2000.0, (1000.0,)),
        ((500.0, 2000.0, 1000.0), 500.0, (1000.0,)),
        ((500.0,), 500.0, ()),
        (("full", "half"), "half", ()),
    ],
)
def test_steps_go_to_the_next_value_whatever_the_order_of_the_list(choices, value, steps):
    assert steps_from("stage.key", choices, value) == steps


def test_pixels_are_not_swept():
    with pytest.raises(ParameterError, match=r"^sweep is 'pixels.count'; it must be a key of "):
        candidates_of(Chain(), {"pixels.count": (24, 48)})


def runs_of(chain: Chain, clips: list[Clip]) -> list[ChainResult]:
    """Chain.run on every clip with the noise that the sweep gives it."""
    return [
        chain.run(clip.recording(), np.random.default_rng(clip_seed(JUDGING.seed, number)))
        for number, clip in enumerate(clips)
    ]


def contrast(result: ChainResult) -> float:
    light = result.lightness[: result.lightness.size // 100 * 100].reshape(-1, 100)
    return float(np.median(np.percentile(light, 95, axis=1) - np.percentile(light, 5, axis=1)))


@pytest.mark.parametrize("number", [0, 4, 7, 11])
def test_a_row_is_what_the_chain_and_the_definitions_give(table, clips, number):
    chain = candidates_of(Chain(), RANGES).chains[number]
    row = table.iloc[number]
    beat, hum, loud = runs_of(chain, clips)

    assert row["preamp.feedback_ohm"] == chain.preamp.feedback_ohm
    assert row["rectifier.kind"] == chain.rectifier.kind
    assert row["preamp.gain"] == chain.preamp.gain

    # A count on a step's edge may fall to the other side (1e-12 of a count): one frame of a clip at most.
    assert row["beat_contrast_lstar"] == pytest.approx(min(contrast(beat), contrast(loud)), abs=0.01)
    assert row["quiet_lit_share"] == pytest.approx((hum.lightness > 5).mean(), abs=0.01)
    assert row["false_light_lstar"] == pytest.approx(np.percentile(hum.lightness, 95), abs=0.01)

    def frames_of(result: ChainResult) -> np.ndarray:
        return result.envelope_counts[chain.reading_of_frame(result.duty.size)]

    range_db = 20 * math.log10(np.percentile(frames_of(loud), 99) / max(np.median(frames_of(hum)), 1))
    assert row["range_used_db"] == pytest.approx(range_db, abs=0.01)

    top = chain.adc.top_code - chain.quiescent_counts
    clipped = [max(r.clipped_share, (frames_of(r) >= top).mean()) for r in (beat, hum, loud)]
    assert row["clipped_share"] == pytest.approx(max(clipped), abs=1e-9)

    def amps(metric) -> float:
        duty = max(metric(r.duty) for r in (beat, hum, loud))
        return float(supply_current_a(duty, chain.pixels, volts=chain.supply.volts))

    assert row["supply_mean_a"] == pytest.approx(amps(np.mean), abs=1e-4)
    assert row["supply_99_a"] == pytest.approx(amps(lambda d: np.percentile(d, 99)), abs=1e-4)
    assert row["supply_peak_a"] == pytest.approx(amps(np.max), abs=1e-4)

    flashes = [count_flashes(r.relative_luminance, 100.0) for r in (beat, hum, loud)]
    assert row["flashes_per_s"] == max(flashes)
    for clip, result, count, share in zip(clips, (beat, hum, loud), flashes, clipped, strict=True):
        assert row[f"contrast_lstar [{clip.label}]"] == pytest.approx(contrast(result), abs=0.01)
        assert row[f"flashes_per_s [{clip.label}]"] == count
        assert row[f"clipped_share [{clip.label}]"] == pytest.approx(share, abs=1e-9)
        assert row[f"lit_share [{clip.label}]"] == pytest.approx((result.lightness > 5).mean(), abs=0.01)


@pytest.mark.filterwarnings("ignore:The detector can reach")  # and it does: that is what is measured here
def test_currents_and_clipping_where_the_converter_is_the_limit(clips):
    # A reference of 0.5 V: the highest code is reached long before the preamp's swing, and seldom.
    chain = Chain(adc=Adc(reference_v=0.5), brightness=BrightnessMap(62, 130))
    row = sweep(Specification(chain, clips[:1], {}), judging=JUDGING).iloc[0]
    result = runs_of(chain, clips[:1])[0]
    at_top = (result.adc_counts[chain.reading_of_frame(result.duty.size)] == 1023).mean()
    assert at_top > result.clipped_share
    assert row["clipped_share"] == pytest.approx(at_top)
    mean, most, peak = result.duty.mean(), np.percentile(result.duty, 99), result.duty.max()
    # (3 − 0.024) A over a duty of 0.27556 above 24 mA of idle current, by hand.
    amps = [0.024 + 10.8 * duty for duty in (mean, most, peak)]
    assert [row[f"supply_{name}_a"] for name in ("mean", "99", "peak")] == pytest.approx(amps, abs=1e-4)


def test_seldom_peaks_are_peaks_and_no_99_percent(clip_folder):
    # Strokes that fall within a few frames: the peak lies above the 99 % point, that above the mean.
    chain = Chain(detector=PeakDetector(100.0, 1e-7, 47e3), brightness=BrightnessMap(62, 130))
    row = sweep(Specification(chain, [Clip(clip_folder / "beat.wav", 85.0)], {}), judging=JUDGING).iloc[0]
    assert row["supply_mean_a"] < row["supply_99_a"] < row["supply_peak_a"]


def test_each_clip_and_the_idle_test_have_noise_of_their_own():
    streams = {(5, 0), *(clip_seed(5, number) for number in range(4)), clip_seed(6, 0)}
    assert len(streams) == 6


@pytest.mark.parametrize("number", [0, 5, 9])
def test_a_row_has_the_bench_metrics_of_its_chain(table, number):
    chain = candidates_of(Chain(), RANGES).chains[number]
    row = table.iloc[number]
    low, middle = chain.tone_response(60.0), chain.tone_response(1000.0)
    assert row["attack_ms"] == pytest.approx(1e3 * middle.attack_s)
    assert row["attack_60hz_ms"] == pytest.approx(1e3 * low.attack_s)
    assert row["release_ms"] == pytest.approx(1e3 * middle.release_s)
    assert row["ripple_db"] == pytest.approx(low.ripple_db)
    assert row["settled_ratio"] == pytest.approx(middle.settled_ratio)
    latency = onset_latency([chain], JUDGING.street_db_spl)
    assert row["onset_lag_mean_ms"] == pytest.approx(latency.mean_ms[0])
    assert row["onset_lag_worst_ms"] == pytest.approx(latency.worst_ms[0])
    silence = Recording(np.zeros(int(48e3 * IDLE_S)), 48e3)
    idle = chain.run(silence, np.random.default_rng((JUDGING.seed, 0)))
    assert row["idle_lstar"] == pytest.approx(np.percentile(idle.lightness, 95), abs=0.01)


def test_every_metric_of_the_list_is_a_column(table):
    assert set(METRICS) <= set(table.columns)
    assert table.index.name == "candidate"
    assert len(table) == 12
    assert np.isfinite(table[list(METRICS)].to_numpy(float)).all()


def test_same_question_same_table_whoever_works(table, clips):
    pd.testing.assert_frame_equal(
        sweep(Specification(Chain(), clips, RANGES), judging=JUDGING, workers=1), table, check_exact=True
    )
    again = sweep(Specification(Chain(), clips, RANGES), judging=JUDGING, workers=2)
    pd.testing.assert_frame_equal(again, table, check_exact=True)
    assert again.to_csv() == table.to_csv()


def test_another_seed_is_another_noise(clips):
    other = sweep(Specification(Chain(), clips, {}), judging=Judging(90.0, seed=6))
    same = sweep(Specification(Chain(), clips, {}), judging=JUDGING)
    metrics = ["beat_contrast_lstar", "supply_mean_a"]
    assert not other[metrics].equals(same[metrics])


def test_circuits_that_are_the_same_have_the_same_metrics(clips):
    # Ten times the capacitor and a tenth of both resistors: the same circuit to a rectifier that drives it.
    ranges = {
        "detector.attack_ohm": (1e3, 1e4),
        "detector.hold_farad": (1e-7, 1e-6),
        "detector.release_ohm": (47e3, 470e3),
    }
    rows = sweep(Specification(Chain(), clips[:1], ranges), judging=JUDGING)
    small = rows[(rows.iloc[:, 0] == 1e3) & (rows.iloc[:, 1] == 1e-6) & (rows.iloc[:, 2] == 47e3)]
    large = rows[(rows.iloc[:, 0] == 1e4) & (rows.iloc[:, 1] == 1e-7) & (rows.iloc[:, 2] == 470e3)]
    metrics = [name for name in rows.columns if not name.startswith("detector.")]
    assert small[metrics].to_numpy() == pytest.approx(large[metrics].to_numpy(), nan_ok=True)


def test_follower_and_map_may_be_swept(clips):
    ranges = {"follower.release_s": (0.05, 0.5), "brightness.floor_db_spl": (60.0, 80.0)}
    chain = Chain(follower=AttackRelease(0.005, 0.2), preamp=Preamp(100e3))
    rows = sweep(Specification(chain, clips[:1], ranges), judging=JUDGING)
    for number, one in enumerate(candidates_of(chain, ranges).chains):
        result = runs_of(one, clips[:1])[0]
        assert rows["beat_contrast_lstar"][number] == pytest.approx(contrast(result), abs=0.05)
    # A longer release moves less within a second.
    assert rows["beat_contrast_lstar"][0] > rows["beat_contrast_lstar"][2]


def test_parts_that_make_noise_of_their_own_may_be_swept(clips):
    # Each value of the ground resistor has its own thermal noise; such candidates hear the clip in turns.
    chain = Chain(preamp=BoardPreamp())
    rows = sweep(Specification(chain, clips[:1], {"preamp.ground_ohm": (470.0, 10e3)}), judging=JUDGING)
    for number, one in enumerate(candidates_of(chain, {"preamp.ground_ohm": (470.0, 10e3)}).chains):
        assert rows["beat_contrast_lstar"][number] == pytest.approx(
            contrast(runs_of(one, clips[:1])[0]), abs=0.01
        )


def test_without_tags_their_metrics_are_unknown(clip_folder):
    rows = sweep(Specification(Chain(), [Clip(clip_folder / "hum.wav", 80.0)], {}), judging=JUDGING)
    # One clip has one level: there is no range from a quiet to a loud one either.
    unknown = ("beat_contrast_lstar", "quiet_lit_share", "false_light_lstar", "range_used_db")
    for metric in unknown:
        assert math.isnan(rows[metric][0])
    known = [metric for metric in METRICS if metric not in unknown]
    assert np.isfinite(rows[known].to_numpy(float)).all()


def test_a_clip_under_a_second_shows_neither_contrast_nor_flashes(clip_folder):
    short = Clip(clip_folder / "short.wav", 90.0, ("beat", "quiet"))
    quick = Chain(detector=PeakDetector(4.7e3, 1e-6, 22e3))
    row = sweep(Specification(quick, [short], {}), judging=JUDGING).iloc[0]
    result = quick.run(short.recording(), np.random.default_rng(clip_seed(5, 0)))
    assert math.isnan(row["beat_contrast_lstar"])
    assert math.isnan(row["flashes_per_s"])
    assert math.isnan(row["flashes_per_s [short 90 dB]"])
    assert row["quiet_lit_share"] == pytest.approx((result.lightness > 5).mean(), abs=0.01)


def test_a_silent_clip_warns_and_shows_nothing(clip_folder):
    clips = [Clip(clip_folder / "silent.wav", level, ("beat", "quiet", "walking")) for level in (70.0, 90.0)]
    chain = Chain(brightness=BrightnessMap(75, 98))
    with pytest.warns(EnvlabWarning, match="silent"):
        rows = sweep(Specification(chain, clips, {"preamp.feedback_ohm": (22e3, 47e3)}), judging=JUDGING)
    for metric in (
        *("beat_contrast_lstar", "quiet_lit_share", "false_light_lstar", "flashes_per_s"),
        *("clipped_share", "range_used_db", "supply_peak_a"),
    ):
        assert rows[metric].isna().all(), metric
    assert rows["idle_lstar"].notna().all()


def test_a_silent_clip_leaves_the_others_judged(clip_folder, clips):
    silent = Clip(clip_folder / "silent.wav", 60.0, ("beat", "quiet"))
    alone = sweep(Specification(Chain(), clips, {}), judging=JUDGING)
    with pytest.warns(EnvlabWarning, match="silent"):
        beside = sweep(Specification(Chain(), [*clips, silent], {}), judging=JUDGING)
    pd.testing.assert_frame_equal(beside[list(METRICS)], alone[list(METRICS)])


def test_chains_that_stay_dark_leave_the_others_judged(clips):
    # A floor that no reading reaches: dark, not undefined, and the other candidates keep their metrics.
    ranges = {"brightness.floor_db_spl": (62.0, 140.0)}
    rows = sweep(Specification(Chain(brightness=BrightnessMap(62, 150)), clips, ranges), judging=JUDGING)
    assert rows["beat_contrast_lstar"][0] > 0
    assert rows["beat_contrast_lstar"][1] == 0
    assert not rows[list(METRICS)].isna().any().any()


def test_a_candidate_whose_release_outlasts_a_clip_is_not_judged_on_it(clips):
    # Release to a tenth: ln 10 · 1 MΩ · 1 µF = 2.303 s (RC decay); hum.wav lasts 1.2 s, beat.wav 1.6 s.
    ranges = {"detector.release_ohm": (100e3, 1e6)}
    rows = sweep(Specification(Chain(), clips[:2], ranges), judging=JUDGING)
    for metric in ("flashes_per_s", "beat_contrast_lstar", "quiet_lit_share", "flashes_per_s [hum 75 dB]"):
        assert rows[metric].isna().tolist() == [False, True], metric
    assert rows["clipped_share"].notna().all()
    # An average detector goes down as it came up: ln 10 · 1 MΩ · 0.1 µF = 0.23 s; 1.2 s are enough.
    average = Chain(detector=AverageDetector(1e6, 1e-7))
    row = sweep(Specification(average, clips[1:2], {}), judging=JUDGING).iloc[0]
    assert math.isfinite(row["flashes_per_s"])


def test_long_clips_are_streamed_and_the_table_is_the_same(clips, table, monkeypatch):
    from envlab.sound import clip as module

    streamed: list[object] = []

    def open_as_long(*args, **options):
        streamed.append(open_sound(*args, held_s=0.5, **options))
        return streamed[-1]

    monkeypatch.setattr(module, "open_sound", open_as_long)
    again = sweep(Specification(Chain(), clips, RANGES), judging=JUDGING)
    assert all(isinstance(one, SoundStream) for one in streamed)
    pd.testing.assert_frame_equal(again, table, check_exact=True)


def test_another_level_or_file_is_another_question(clip_folder, tmp_path, monkeypatch):
    from envlab.study.sweep import sweep as module

    calls: list[int] = []
    whole = module.clip_columns

    def counted(*args, **options):
        calls.append(1)
        return whole(*args, **options)

    monkeypatch.setattr(module, "clip_columns", counted)
    song = tmp_path / "song.wav"
    song.write_bytes((clip_folder / "beat.wav").read_bytes())

    def ask(level_db_spl: float) -> int:
        clip = Clip(song, level_db_spl)
        sweep(Specification(Chain(), [clip], {}), judging=JUDGING, checkpoint=tmp_path / "kept")
        return len(calls)

    assert ask(90.0) == 1
    assert ask(90.0) == 1
    with pytest.warns(EnvlabWarning, match="another question"):
        assert ask(90.0000001) == 2
    song.write_bytes((clip_folder / "hum.wav").read_bytes())
    with pytest.warns(EnvlabWarning, match="another question"):
        assert ask(90.0000001) == 3


def test_progress_names_what_is_done_and_ends_at_one(clips):
    said: list[tuple[str, float]] = []
    sweep(
        Specification(Chain(), clips, {}),
        judging=JUDGING,
        progress=lambda what, share: said.append((what, share)),
    )
    shares = [share for _, share in said]
    assert shares == sorted(shares)
    assert shares[-1] == pytest.approx(1)
    assert {clip.label for clip in clips} <= {what for what, _ in said}


def test_bad_questions(clip_folder, tmp_path):
    with pytest.raises(ParameterError, match=r"^clips is 0; it must be at least one clip$"):
        sweep(Specification(Chain(), [], {}))
    with pytest.raises(FileError, match=r"gone\.wav: no such file$"):
        sweep(Specification(Chain(), [Clip(clip_folder / "gone.wav", 90.0)], {}))
    hurt = np.full(4800, 0.1)
    hurt[77] = np.nan
    soundfile.write(tmp_path / "hurt.wav", hurt, 48_000, subtype="FLOAT")
    with pytest.raises(
        FileError, match=r"hurt\.wav: sample 77 is nan; every sample must be a finite number$"
    ):
        sweep(Specification(Chain(), [Clip(tmp_path / "hurt.wav", 90.0)], {}))
    with pytest.raises(ParameterError, match=r"^workers is 0; it must be at least 1"):
        sweep(Specification(Chain(), [Clip(clip_folder / "hum.wav", 90.0)], {}), workers=0)


def test_interrupted_and_taken_up_again_it_is_the_same_table(clips, table, tmp_path, monkeypatch):
    from envlab.study.sweep import sweep as module

    calls: list[int] = []
    whole = module.clip_columns

    def breaks_at_the_second(recording, *args, **options):
        calls.append(1)
        if len(calls) == 2:
            raise KeyboardInterrupt
        return whole(recording, *args, **options)

    monkeypatch.setattr(module, "clip_columns", breaks_at_the_second)
    with pytest.raises(KeyboardInterrupt):
        sweep(Specification(Chain(), clips, RANGES), judging=JUDGING, checkpoint=tmp_path / "kept")
    resumed = sweep(Specification(Chain(), clips, RANGES), judging=JUDGING, checkpoint=tmp_path / "kept")
    assert len(calls) == 4  # one whole, one broken, the two that were missing
    pd.testing.assert_frame_equal(resumed, table, check_exact=True)

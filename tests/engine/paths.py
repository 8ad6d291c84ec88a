"""Every path along which envlab computes counts or duty, each as one function of a board and a sound.

A path says what it says (Seen) and how far that may lie from Chain.run (within). PATHS is the whole list: a
path that moves to another module is edited in its import, one that is renamed in one line of its function.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache
from unittest.mock import patch

import numpy as np
from engine.comparison import (
    SEED,
    SOUND,
    Pair,
    Path,
    Seed,
    Seen,
    above_quiescent,
    counts_pair,
    detector_at_readings,
    detector_pair,
    drawn_apart_lsb,
    largest_step,
    near_an_edge,
    rounding_lsb,
    seen_lsb,
    truth,
)
from zoo import ZOO, other_detectors, slightly_off

from envlab.analog.adc import convert
from envlab.analog.band_filter import filter_band
from envlab.chain import Chain, ChainResult
from envlab.digital import equivalence
from envlab.digital.followers import PassThrough, follow
from envlab.digital.sampled_audio import SampledAudio, sampled_envelope
from envlab.engine import front_end, nodes
from envlab.engine.board import front_end_of
from envlab.engine.board_readings import read_chains
from envlab.engine.node_table import nodes_at_readings
from envlab.engine.one_pass import one_pass
from envlab.engine.play import play
from envlab.engine.reading_schedule import every_reading
from envlab.engine.side_by_side import runs_side_by_side
from envlab.errors import EnvlabError
from envlab.metrics import metrics_of_clip
from envlab.metrics.metrics_of_clip import clip_columns, frame_envelopes, idle_lightness
from envlab.metrics.streaming_metrics import steps_of
from envlab.sound.recording import Recording
from envlab.study.exported.light import worn_light
from envlab.study.feedback import Coupling, run_closed
from envlab.study.listening import window as listening_window
from envlab.study.listening.firmware import FAST_RATE_HZ, FirmwareListening
from envlab.study.listening.listening import Listening
from envlab.study.tolerance.board_run import read_boards

# The window's rough past comes into play only where more than its warm-up lies before the playhead: so twice
# the sound, a shorter warm-up than the listener's, and a playhead whose window opens 0.3 s after the loudest.
TWICE = Recording(np.tile(SOUND.pressure_pa, 2), SOUND.sample_rate_hz, "strokes, twice")
WARM_UP_S = 0.15
PLAYHEADS_S = (0.0, 0.95)
IDLE_S = 0.25


def never(*_: object) -> None:
    """No stages run in one pass."""


def staged(chain: Chain, sound: Recording, seed: Seed) -> Seen:
    """Chain.run stage by stage, where the compiled pass over all stages would do."""
    with patch.object(nodes, "pass_to_hold", never), patch.object(front_end, "one_pass", never):
        other = truth.__wrapped__(chain, sound, seed)
    run = truth(chain, sound, seed)
    names = ("microphone_v", "preamp_v", "rectified_v", "detector_v", "adc_counts", "envelope_counts", "duty")
    pairs = {name: Pair(getattr(other, name), getattr(run, name)) for name in names}
    return pairs | {"clipped_share": Pair(np.array(other.clipped_share), np.array(run.clipped_share))}


def simulate(chain: Chain, sound: Recording, seed: Seed) -> Seen:
    """nodes_at_readings: block by block."""
    rng = None if seed is None else np.random.default_rng(seed)
    table, run = nodes_at_readings(chain, sound, rng), truth(chain, sound, seed)
    nearest = np.round(np.arange(len(table)) / chain.adc.rate_hz * run.internal_rate_hz).astype(int)
    frame = np.floor(np.arange(len(table)) * chain.frame_rate_hz / chain.adc.rate_hz + 1e-9).astype(int)
    last = np.minimum(frame, run.duty.size - 1)
    nodes = {
        name: Pair(table[name].to_numpy(), getattr(run, name)[nearest])
        for name in ("pressure_pa", "microphone_v", "preamp_v", "rectified_v")
    }
    return nodes | {
        "detector_v": detector_pair(table["detector_v"].to_numpy(), chain, run),
        "adc_counts": Pair(table["adc_counts"].to_numpy(), run.adc_counts),
        "envelope_counts": Pair(table["envelope_counts"].to_numpy(), run.envelope_counts),
        "duty": Pair(table["duty"].to_numpy(), run.duty[last]),
        "lightness": Pair(table["lightness_lstar"].to_numpy(), run.lightness[last], 1e-9),
    }


def _swept(chain: Chain, others: list[Chain], sound: Recording, seed: Seed, of: tuple[int, ...]) -> Seen:
    """A board before and behind others; of: the rows that are looked at."""
    chains = [chain, *others, chain] if others else [chain]
    readings = truth(chain, sound, seed).adc_counts.size
    read = read_chains(sound, chains, np.arange(readings), seed=seed)
    seen: Seen = {}
    for place in of:
        one = chains[place]
        run = truth(one, sound, seed)
        within = rounding_lsb(one, run)
        seen[f"counts of row {place}"] = counts_pair(read.counts[place], one, run, seed, within)
        share = Pair(read.clipped_share[place], np.array(run.clipped_share), 1e-15)
        seen[f"clipped share of row {place}"] = share
    return seen


def sweep_alone(chain: Chain, sound: Recording, seed: Seed) -> Seen:
    """play with one board: an ideal bank of one lane, or one diode by itself."""
    return _swept(chain, [], sound, seed, (0,))


def sweep_in_a_bank(chain: Chain, sound: Recording, seed: Seed) -> Seen:
    """play among forty other detectors of the same front end: the ideal bank, the diode bank, or each
    by itself, with more detectors than one vector has lanes."""
    return _swept(chain, other_detectors(chain, 40), sound, seed, (0, 1, -1))


def sweep_of_fronts(chain: Chain, sound: Recording, seed: Seed) -> Seen:
    """play beside a board with another gain: two front ends on one wave."""
    return _swept(chain, [slightly_off(chain)], sound, seed, (0, 1, -1))


def frames(chain: Chain, sound: Recording, seed: Seed) -> Seen:
    """frame_envelopes and the table: what preview, pictures and mitigations show of a clip."""
    run = truth(chain, sound, seed)
    envelope, share = frame_envelopes(sound, [chain, slightly_off(chain)], seed=seed)
    of_frame = chain.reading_of_frame(run.duty.size)
    table = chain.brightness_table()
    duty = table.look_up(envelope[0]) / table.full_code
    edge = near_an_edge(chain, run, seed)
    # A follower hands on one count of one reading at most: none of them enlarges a difference.
    return {
        "envelope": Pair(envelope[0], run.envelope_counts[of_frame], float(edge)),
        "duty": Pair(duty, run.duty, edge * largest_step(chain)),
        "clipped_share": Pair(share[0], np.array(run.clipped_share), 1e-15),
    }


def _judged(chain: Chain, sound: Recording, seed: Seed, *, kept: bool) -> Seen:
    assert seed is not None
    run = truth(chain, sound, seed)
    table = chain.brightness_table()
    with (
        patch.object(metrics_of_clip, "better_kept", lambda *_: kept),
        patch.object(metrics_of_clip, "_kept_as_ever", lambda *_: kept),
    ):
        columns = clip_columns(sound, [chain, chain], [table, table], seed=seed)
    light = np.percentile(run.lightness, 95)
    counts = run.envelope_counts[chain.reading_of_frame(run.duty.size)]
    edge = near_an_edge(chain, run, seed)
    by_hand = {
        "duty_mean": (run.duty.mean(), edge * largest_step(chain)),
        "duty_99": (np.percentile(run.duty, 99), edge * largest_step(chain)),
        "duty_peak": (run.duty.max(), edge * largest_step(chain)),
        "lightness_95_lstar": (light, edge * 10.0),
        "counts_median": (np.median(counts), float(edge)),
        "counts_99": (np.percentile(counts, 99), float(edge)),
    }
    return {
        name: Pair(columns[name][1], np.array(value), within + 1e-9 * abs(float(value)))
        for name, (value, within) in by_hand.items()
    }


def metrics_kept(chain: Chain, sound: Recording, seed: Seed) -> Seen:
    """clip_columns where all frames are kept."""
    return _judged(chain, sound, seed, kept=True)


def _in_steps(chain: Chain) -> bool:
    return steps_of(chain) > 0


def metrics_running(chain: Chain, sound: Recording, seed: Seed) -> Seen:
    """clip_columns where each frame is counted and forgotten."""
    return _judged(chain, sound, seed, kept=False)


def idle(chain: Chain, sound: Recording, seed: Seed) -> Seen:
    """idle_lightness: noise and offset alone, a shorter silence than the metric's."""
    assert seed is not None
    del sound
    with patch.object(metrics_of_clip, "IDLE_S", IDLE_S):
        lightness = idle_lightness([chain], [chain.brightness_table()], seed[0], 1)
        clip = metrics_of_clip.idle_clip([chain])
    own_seed = metrics_of_clip.idle_seed(seed[0])
    run = truth.__wrapped__(chain, clip, own_seed)
    edge = near_an_edge(chain, run, own_seed)
    return {"idle_lstar": Pair(lightness, np.percentile(run.lightness, [95]), 1e-9 + 10.0 * edge)}


def tolerance_exact(chain: Chain, sound: Recording, seed: Seed) -> Seen:
    """play, exactly: the board as designed and one that is off, under one firmware."""
    boards = [slightly_off(chain), chain]
    counts = _played(chain, boards, sound, seed, one_by_one=True)
    seen: Seen = {}
    for name, board, row in zip(("off", "as designed"), boards, counts, strict=True):
        run = truth(board, sound, seed)
        within = 0.0 if seed is None else drawn_apart_lsb(board, run)
        lsb = None if within == 0 else seen_lsb(board, run, seed)
        # The firmware learns each board's own silence.
        zero = chain.quiescent_counts + silent_counts(board) - silent_counts(chain)
        above_zero = np.maximum(run.adc_counts - max(0, zero), 0)
        seen[f"counts {name}"] = Pair(row, above_zero, within, lsb)
    return seen


@lru_cache(maxsize=64)
def silent_counts(board: Chain) -> int:
    """Return what the board's converter reads when nothing sounds."""
    return int(truth(board, Recording(np.zeros(480), 48_000.0), None).adc_counts[0])


def _played(
    chain: Chain, boards: list[Chain], sound: Recording, seed: Seed, *, one_by_one: bool
) -> np.ndarray:
    readings = truth(chain, sound, seed).adc_counts.size
    counts = np.empty((len(boards), readings), dtype=np.int64)
    play(
        sound, boards, every_reading(readings), lambda places: Kept(counts, places),
        design=chain, exactly=one_by_one, seed=seed,
    )  # fmt: skip
    return counts


class Kept:
    """Writes what some boards read into the rows of all."""

    def __init__(self, counts: np.ndarray, places: np.ndarray) -> None:
        self.counts, self.places, self.done = counts, places, 0

    def take(self, some: np.ndarray) -> None:
        """See engine.play.Reader."""
        self.counts[self.places, self.done : self.done + some.shape[1]] = some
        self.done += some.shape[1]


def side_by_side(chain: Chain) -> bool:
    return runs_side_by_side(chain, [chain, slightly_off(chain), slightly_off(chain, -0.5)])


def tolerance_quick(chain: Chain, sound: Recording, seed: Seed) -> Seen:
    """play, side by side: as designed to rounding; off, within what alike_enough promises.

    A board's own gain moves its bandwidth, by at most 1 % of what passes at 10 kHz (spread_bank); its input
    corners are followed once a tile of 64 samples, 1/6000 s, in which a corner f moves by 2π·f/6000 of the
    part by which the board differs, here at most 10 %: for 16 Hz, 0.2 %. With the rounding to whole counts,
    1.2 % of the reading and one count.
    """
    boards = [slightly_off(chain), chain, slightly_off(chain, -0.5)]
    counts = _played(chain, boards, sound, seed, one_by_one=False)
    seen: Seen = {}
    for name, board, row in zip(("off up", "as designed", "off down"), boards, counts, strict=True):
        run = truth(board, sound, seed)
        meant = np.maximum(run.adc_counts - chain.quiescent_counts, 0)
        if board == chain:
            seen[name] = Pair(row, meant, rounding_lsb(chain, run), seen_lsb(chain, run, seed))
        else:
            seen[name] = Pair(row, meant, 1 + np.floor(0.012 * meant))
    return seen


def tolerance_envelopes(chain: Chain, sound: Recording, seed: Seed) -> Seen:
    """read_boards: the same with the nominal firmware's follower behind it."""
    run = truth(chain, sound, seed)
    of_frame = chain.reading_of_frame(run.duty.size)
    read = read_boards(sound, chain, [chain, slightly_off(chain)], of_frame, seed=seed)
    edge = seed is not None or near_an_edge(chain, run, seed)
    return {"envelope": Pair(read.envelope_counts[0], run.envelope_counts[of_frame], float(edge))}


def audition_whole(chain: Chain, sound: Recording, seed: Seed) -> Seen:
    """Listening.whole, twice with another board between, so that front and readings are kept and dropped."""
    listening = Listening(sound)
    listening.whole(slightly_off(chain))
    light, run = listening.whole(chain), truth(chain, sound, seed)
    worn = worn_light(chain, run.adc_counts, chain.reading_of_frame(run.duty.size) + 1)
    again = Listening(sound, after=listening).whole(chain)
    seen: Seen = {}
    for name, one in (("", light), (" in used memory", again)):
        seen["adc_counts" + name] = Pair(one.adc_counts, run.adc_counts)
        seen["luminance" + name] = Pair(one.relative_luminance, worn.luminance)
        seen["duty" + name] = Pair(one.duty, worn.luminance * worn.full_duty)
        seen["detector_v" + name] = detector_pair(one.detector_v, chain, run)
        seen["clipped_share" + name] = Pair(np.array(one.clipped_share), np.array(run.clipped_share))
    return seen


def _windowed(chain: Chain, sound: Recording, seed: Seed, listening: Listening) -> Seen:
    run = truth(chain, sound, seed)
    seen: Seen = {}
    for playhead_s in PLAYHEADS_S:
        with patch.object(listening_window, "_warm_up_s", lambda *_: WARM_UP_S):
            light = listening.window(chain, playhead_s)
        assert not light.exact
        shown = np.arange(light.first_frame, light.first_frame + light.duty.size)
        readings = chain.reading_of_frame(run.duty.size)[shown]
        detector_v = light.detector_v[readings - light.first_reading]
        meant_v = detector_at_readings(run, chain)[readings]
        seen[f"detector_v at {playhead_s} s"] = Pair(
            detector_v, meant_v, forgotten_v(chain, run, rough=playhead_s > 0)
        )
    return seen


def forgotten_v(chain: Chain, run: ChainResult, *, rough: bool) -> float:
    """What may be left, at the first frame shown, of the roughness before the window's exact stretch.

    That stretch is WARM_UP_S long. The rough run is at an eighth of the rate and misses peaks, by at most
    1.7 % of the largest (a drum loop held at 48 kHz before 0.5 ms of attack and 50 ms of release, against the
    wave at 64 times the rate: measured), of which the detector keeps exp(−WARM_UP_S/its slowest time
    constant). The front begins at rest 0.1 s earlier: what its input capacitors would have remembered, at
    most the whole swing, fades with their corners.
    """
    peak_v = float(np.ptp(run.detector_v))
    rounding_v = rounding_lsb(chain, run) * chain.adc.lsb_v / chain.adc.settled_share
    if not rough:
        return rounding_v + 1e-9 * peak_v
    kept = math.exp(-WARM_UP_S / chain.detector_as_built.slowest_s)
    front = math.exp(-2 * math.pi * chain.preamp.coupling_corner_hz * (WARM_UP_S + 0.1))
    return rounding_v + peak_v * (0.017 * kept + front)


def audition_window(chain: Chain, sound: Recording, seed: Seed) -> Seen:
    """Listening.window with nothing known: at the clip's beginning, and over a rough past."""
    return _windowed(chain, sound, seed, Listening(sound))


def audition_window_kept(chain: Chain, sound: Recording, seed: Seed) -> Seen:
    """Listening.window with the front's drive known from a board with another capacitor."""
    listening = Listening(sound)
    listening.whole(other_detectors(chain, 3)[0])
    return _windowed(chain, sound, seed, listening)


def firmware_fast_adc(chain: Chain, sound: Recording, seed: Seed) -> Seen:
    """FirmwareListening against sampled_envelope on Chain.run's preamp: same follower, same gain."""
    run = truth(chain, sound, seed)
    listening = Listening(sound)
    analog = listening.whole(chain)
    # Which follower comes nearest is another test's question; here it only has to be the same.
    with patch.object(equivalence, "_MOST_FITS", 8):
        portions = FirmwareListening(listening.wave).in_portions(chain, analog)
        try:
            while True:
                next(portions)
        except StopIteration as done:
            firmware = done.value
        except EnvlabError:
            return {"nothing to follow": Pair(np.max(above_quiescent(chain, run)), np.array(0), 1.0)}
    preamp = chain.preamp
    filtered_v, _ = filter_band(
        run.preamp_v, chain.band_filter, sample_rate_hz=run.internal_rate_hz,
        low_v=-preamp.swing_down_v, high_v=preamp.swing_up_v, resting_v=preamp.output_offset_v,
    )  # fmt: skip
    fast = replace(
        chain.adc, rate_hz=FAST_RATE_HZ, source_ohm=0.0, sampling_farad=0.0, sampling_s=1e-6, noise_lsb=0.0
    )
    audio = SampledAudio(fast, preamp.bias_v, firmware.follower, chain.adc.rate_hz)
    counts = firmware.gain * sampled_envelope(filtered_v, audio, sample_rate_hz=run.internal_rate_hz)
    envelope, _ = follow(counts, chain.follower, rate_hz=chain.adc.rate_hz)
    table = chain.brightness_table()
    shown = envelope[chain.reading_of_frame(run.duty.size)]
    return {
        "envelope": Pair(firmware.frame_counts, shown),
        "luminance": Pair(firmware.light.relative_luminance, table.look_up(shown) / table.brightest_code),
        "full duty": Pair(
            np.array(firmware.light.full_duty), np.array(table.brightest_code / table.full_code)
        ),
    }


def feedback_open(chain: Chain, sound: Recording, seed: Seed) -> Seen:
    """run_closed with no coupling at all, both of its runs.

    It reads at the last sample before a frame, half a sample before the frame itself, and follows at the
    frame rate. So: bit for bit what Chain.run's own detector gives there.
    """
    run = truth(chain, sound, seed)
    loop = run_closed(chain, Coupling(rail_ohm=0.0, ground_ohm=0.0), sound)
    edges = np.round(np.arange(run.duty.size) / chain.frame_rate_hz * run.internal_rate_hz).astype(int)
    detector_v = np.concatenate(([chain.quiescent_v], run.detector_v))[edges]
    counts = np.maximum(convert(detector_v, chain.adc) - chain.quiescent_counts, 0).astype(float)
    envelope, _ = follow(counts, chain.follower, rate_hz=chain.frame_rate_hz)
    table = chain.brightness_table()
    duty = table.look_up(envelope) / table.full_code
    seen = {"closed": Pair(loop.duty, duty), "open": Pair(loop.open_duty, duty)}
    if isinstance(chain.follower, PassThrough) and chain.adc.rate_hz % chain.frame_rate_hz == 0:
        # Against the frames of Chain.run: the reading has moved by what the voltage moves in a sample.
        moved = float(np.abs(np.diff(run.detector_v)).max()) * chain.adc.settled_share / chain.adc.lsb_v
        seen["open, as Chain.run's frames"] = Pair(
            loop.open_duty, run.duty, (1 + math.floor(moved)) * largest_step(chain)
        )
    return seen


def _reads_preamp(chain: Chain) -> bool:
    return chain.preamp.bias_v <= chain.adc.reference_v


def _in_one_pass(chain: Chain) -> bool:
    stages = [stage for stage in front_end_of(chain).values() if not stage.is_wire]
    return any(one_pass(stages[first:], 384e3) is not None for first in range(len(stages)))


PATHS: dict[str, Path] = {
    "staged": Path(staged, suits=_in_one_pass),
    "simulate": Path(simulate),
    "sweep, alone": Path(sweep_alone),
    "sweep, in a bank": Path(sweep_in_a_bank, seeds=(SEED,)),
    "sweep, several fronts": Path(sweep_of_fronts, seeds=(SEED,)),
    "frames": Path(frames, seeds=(SEED,)),
    "metrics, frames kept": Path(metrics_kept, seeds=(SEED,)),
    "metrics, running": Path(metrics_running, seeds=(SEED,), suits=_in_steps),
    "idle": Path(idle, seeds=(SEED,)),
    "tolerance, exact": Path(tolerance_exact),
    "tolerance, quick": Path(tolerance_quick, suits=side_by_side),
    "tolerance, envelopes": Path(tolerance_envelopes, seeds=(SEED,)),
    "audition, whole": Path(audition_whole, seeds=(None,)),
    "audition, window": Path(audition_window, seeds=(None,), sound=TWICE),
    "audition, window with the front known": Path(audition_window_kept, seeds=(None,), sound=TWICE),
    "firmware with a fast ADC": Path(firmware_fast_adc, seeds=(None,), suits=_reads_preamp),
    "feedback, uncoupled": Path(feedback_open, seeds=(None,)),
}


def cases() -> list[tuple[str, str]]:
    """Every board with every path that it takes."""
    return [(board, path) for board in ZOO for path in PATHS if PATHS[path].suits(ZOO[board].chain)]

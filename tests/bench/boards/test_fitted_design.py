"""A fitted board written as a design file, and its parts each alone, against the board that was invented."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from bench.invented import RATE_HZ, bench, capture_of, drawn
from reference.invented_board import InventedBoard

from envlab import read_design
from envlab.bench.boards.fitted_design import design_of_board, fitted_design_text
from envlab.bench.boards.hold_resistor import fit_with_resistor, parts_alone, proposed_resistor
from envlab.bench.captures.capture import Capture
from envlab.bench.fit.fit import FittedBoard, fit_board
from envlab.bench.fit.intervals import Interval
from envlab.bench.fit.model import BenchModel
from envlab.bench.fit.values import designed_values
from envlab.bench.signals.expected_boards import values_of
from envlab.design_file import design_text
from envlab.errors import EnvlabError, FileError, ParameterError
from envlab.stages import AverageDetector
from envlab.study.specification.specification import read_specification

WAY, BITS = "wire", 10
KNOWN_OHM = 100e3


@lru_cache
def both_captures(number: int) -> tuple[InventedBoard, FittedBoard, FittedBoard]:
    """(board, fitted without, fitted with the known resistor)."""
    rng = np.random.default_rng([2026, 15, 7, number])
    board = replace(drawn(WAY, BITS, rng), offset_lsb=3.0, dead_v=0.01)
    checker, _ = bench(WAY, BITS)
    first = fit_board(capture_of(board, WAY, BITS, rng), checker.model)
    loaded_ohm = 1 / (1 / board.release_ohm + 1 / KNOWN_OHM)
    loaded = replace(board, release_ohm=loaded_ohm, delay_s=0.7)
    second = fit_with_resistor(capture_of(loaded, WAY, BITS, rng), checker.model, first, KNOWN_OHM)
    return board, first, second


def test_the_resistor_is_one_that_can_be_bought():
    checker, _ = bench(WAY, BITS)
    slow = replace(checker.chain, detector=replace(checker.chain.detector, release_ohm=220e3))
    assert proposed_resistor(slow) == KNOWN_OHM
    average = replace(checker.chain, detector=AverageDetector(10e3, 1e-6))
    with pytest.raises(ParameterError, match="a peak detector"):
        proposed_resistor(average)


def test_two_captures_tell_each_part_alone():
    board, first, second = both_captures(1)
    found = parts_alone(first, second, KNOWN_OHM, known_percent=0.1)
    for name in ("hold_farad", "attack_ohm", "release_ohm"):
        one, truth = getattr(found, name), getattr(board, name)
        assert one.value == pytest.approx(truth, rel=5e-3), name
        assert one.holds(truth), (name, one, truth)


def test_the_resistors_own_tolerance_widens_the_intervals():
    _, first, second = both_captures(1)
    tight, usual = (parts_alone(first, second, KNOWN_OHM, percent).hold_farad for percent in (0.1, 5.0))
    # An even ±5 % has a deviation of 5 %/√3.
    assert np.log(usual.high / usual.low) / 2 == pytest.approx(1.96 * 0.05 / np.sqrt(3), rel=0.02)
    assert usual.high - usual.low > 10 * (tight.high - tight.low)


def test_a_resistor_that_changed_nothing_is_said():
    _, first, _ = both_captures(1)
    with pytest.raises(EnvlabError, match="too much alike to tell R from C"):
        parts_alone(first, first, KNOWN_OHM)


def test_the_design_file_is_the_board(tmp_path):
    board, first, second = both_captures(1)
    checker, _ = bench(WAY, BITS)
    parts = parts_alone(first, second, KNOWN_OHM, known_percent=0.1)
    found = design_of_board(checker.chain, first, WAY, parts)
    asked = (
        '[[clips]]\nfile = "drum_line.flac"\nlevels_db_spl = [92]\n[sweep.detector]\nrelease_ohm = ["150k"]\n'
    )
    source = design_text(checker.chain) + asked
    text = fitted_design_text(source, found, "board1.csv", WAY)
    path = tmp_path / "board1.toml"
    path.write_text(text, encoding="utf-8")
    read = read_design(path)
    assert read == found.chain
    assert read.detector.hold_farad == pytest.approx(board.hold_farad, rel=5e-3)
    assert read.detector.attack_ohm == pytest.approx(board.attack_ohm, rel=5e-3)
    assert read.detector.release_ohm == pytest.approx(board.release_ohm, rel=5e-3)
    assert read.adc.offset_lsb == pytest.approx(board.offset_lsb, abs=0.3)
    own = values_of(checker.chain, read, WAY)
    assert own.gain == pytest.approx(first.values.gain, rel=1e-3)
    assert any("lost in the rectifier" in sentence for sentence in found.left)
    # Clips and targets are still asked, and nothing is swept on a board that exists.
    specification = read_specification(path)
    assert specification.clips and not specification.ranges
    assert 'capture = "board1.csv"' in text and "# measured; 95 %" in text


def test_what_is_measured_need_not_be_bought(tmp_path):
    path = tmp_path / "board.toml"
    odd = '[detector]\nkind = "peak"\nattack_ohm = 4711.7\nhold_farad = "1u"\nrelease_ohm = "220k"\n'
    path.write_text(odd)
    with pytest.raises(FileError, match="must be in an E series"):
        read_design(path)
    path.write_text(f'{odd}[measured]\ncapture = "a.csv"\nway = "wire"\n')
    assert read_design(path).detector.attack_ohm == 4711.7


def test_by_air_the_gain_stays_as_designed():
    _, first, _ = both_captures(1)
    checker, _ = bench(WAY, BITS)
    found = design_of_board(checker.chain, first, "acoustic")
    assert found.chain.preamp == checker.chain.preamp
    assert any("loudspeaker's level" in sentence for sentence in found.left)
    assert found.chain.detector.hold_farad == checker.chain.detector.hold_farad


def test_the_boards_own_design_simulates_its_capture():
    """Chain to counts: the rebuilt board's model leaves no more of the capture than the fit did."""
    rng = np.random.default_rng([2026, 15, 7, 2])
    board = replace(drawn(WAY, BITS, rng), offset_lsb=3.0, dead_v=0.0)
    checker, _ = bench(WAY, BITS)
    capture = capture_of(board, WAY, BITS, rng)
    first = fit_board(capture, checker.model)
    found = design_of_board(checker.chain, first, WAY)
    values = replace(
        designed_values(found.chain), delay_s=first.values.delay_s, clock=first.values.clock, drop_v=0.0
    )
    times_s = np.arange(capture.values.size) / RATE_HZ / (1 + values.clock) - values.delay_s
    model = BenchModel(found.chain, checker.program)
    # The new design asks for another peak; this capture was played at the first one's.
    scale = first.values.gain / values_of(checker.chain, found.chain, WAY).gain
    peak = checker.model.wave_v.max() * values_of(checker.chain, found.chain, WAY).gain / model.wave_v.max()
    played = replace(values, gain=peak * scale, low_gain=peak * scale, high_gain=peak * scale)
    read = model.read([played], times_s).read_v[:, 0] / found.chain.adc.lsb_v + values.offset_lsb - 0.5
    inside = model.fitted_times(times_s)
    residual = (read - capture.values)[inside]
    assert np.sqrt(np.mean(residual**2)) < 1.3 * first.rms + 0.3


def test_no_gain_at_all_is_no_design():
    _, first, _ = both_captures(1)
    checker, _ = bench(WAY, BITS)
    dead = FittedBoard(
        replace(first.values, gain=0.01), {"gain": Interval(0.01, 0.009, 0.011)}, first.names,
        first.covariance, first.residual, first.rms, first.alignment,
    )  # fmt: skip
    with pytest.raises(EnvlabError, match="no gain at all"):
        design_of_board(checker.chain, dead, WAY)


def test_a_capture_without_the_signal_is_said():
    _, first, _ = both_captures(1)
    checker, _ = bench(WAY, BITS)
    noise = np.floor(100 + 5 * np.random.default_rng(3).standard_normal(20_000))
    capture = Capture("adc_counts", np.arange(noise.size) / RATE_HZ, noise)
    with pytest.raises(EnvlabError, match="marks were not found"):
        fit_with_resistor(capture, checker.model, first, KNOWN_OHM)

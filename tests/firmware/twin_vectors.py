"""Stimuli for the runtime and what its twin answers, in one place for every machine that runs it.

A case is a set of parameters with its table. ``stimulus`` makes readings that drive everything to its ends;
``stimulus_bytes`` and ``expected_bytes`` are what twin_driver.c reads and must write on any machine.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from envlab.digital.auto_level import AutoLevel, OffsetSteps
from envlab.digital.fixed_point import FixedFollower, Gate, run_twin
from envlab.digital.fixed_words import FixedState, FixedWords
from envlab.firmware.export import RUNTIME_FILES, firmware_files
from envlab.firmware.headers.golden import golden_crc32
from envlab.firmware.headers.parameters import ONE_PIXEL, HeaderFacts, parameters_text, table_text
from envlab.firmware.level_table import build_level_table
from envlab.firmware.marks import RUNTIME_FOLDER
from envlab.firmware.runtime_design import RuntimeDesign
from envlab.light.curve import CountMap
from envlab.light.pixels import Pixels, Supply, supply_duty_limit
from envlab.light.table import build_table

DRIVER = Path(__file__).parent / "twin_driver.c"
STIMULUS_BYTES = 3
NO_OFFSET = 255
WIDE, NARROW = (
    {"envelope", "zero_sum"},
    {"envelope_low", "zero_low", "unlearnt", "countdown", "judge_left", "patience", "full"},
)
RECORD = np.dtype(
    [("word", "<u2"), ("duty", "<u2")]
    + [(f, "<u4" if f in WIDE else "u1" if f in NARROW else "<u2") for f in FixedState._fields]
)
RECORD_BYTES = RECORD.itemsize


@dataclass(frozen=True)
class Case:
    """One set of parameters, its table, and the text of every file of the runtime's folder."""

    name: str
    words: FixedWords
    codes: np.ndarray
    files: dict[str, str]

    def write(self, folder: Path) -> None:
        """Put runtime and headers into a folder."""
        for name, text in self.files.items():
            (folder / name).write_text(text, "ascii")


YOKE, CONVERTER = Pixels(24, 3, 0.150, 0.001), Supply(3.0, 5.0, 0.9)


def parade_design(**changes) -> RuntimeDesign:
    """The shoulder yoke of the lantern parade: 10 bit ADC at 1 kHz, light from 4 to 700 counts."""
    table = build_level_table(
        CountMap(4.0, 700.0), adc_bits=10, duty_limit=supply_duty_limit(YOKE, CONVERTER)
    )
    values = {
        "table": table,
        "follower": FixedFollower(0.005, 0.3),
        "quiescent_counts": 3,
        "brightness_rate_hz": 1000.0,
        "level": AutoLevel(),
        "pixels": YOKE,
        "supply": CONVERTER,
        "dim": 0.9,
        "pixel_bits": 8 if changes.get("dither") else 16,
    }
    return RuntimeDesign(**{**values, **changes})


def _of_design(name: str, design: RuntimeDesign) -> Case:
    return Case(name, design.words, design.codes, firmware_files(design, design_digest=f"case {name}"))


def case_of_words(name: str, words: FixedWords, codes: np.ndarray) -> Case:
    """Return a case of words that no design has."""
    golden = golden_crc32(words, codes, ONE_PIXEL)
    facts = HeaderFacts(f"case {name}", 1000.0, 1000.0, golden_crc32=golden)
    files = {part: (RUNTIME_FOLDER / part).read_text("ascii") for part in RUNTIME_FILES}
    files["envlab_parameters.h"] = parameters_text(words, codes, facts)
    files["envlab_table.h"] = table_text(words, codes, facts)
    return Case(name, words, codes, files)


def _steep(segments: int, seed: int) -> np.ndarray:
    """A table of a few huge steps between flat stretches, the hardest for 16 bit arithmetic."""
    rng = np.random.default_rng(seed)
    codes = np.sort(rng.choice([0, 1, 255, 256, 32_767, 32_768, 65_279, 65_535], segments + 1))
    codes[0], codes[-1] = 0, 65_535
    return np.append(codes, codes[-1])


def _cases() -> list[Case]:
    parade = parade_design()
    tame = parade.words
    even = build_table(CountMap(4.0, 700.0), adc_bits=10, entries=257, bits=16)
    steps = OffsetSteps(7, 3.0, 9.0)
    twelve_bit = build_level_table(CountMap(2.0, 3900.0, "power", 2.2), adc_bits=12, base_light=0.01)
    return [
        _of_design("parade", parade),
        _of_design(
            "shortest",
            parade_design(
                follower=FixedFollower(0.0000905, 0.001), level=steps, dim=0.278, gate=Gate(3.0, 0.5)
            ),
        ),
        _of_design("longest", parade_design(follower=FixedFollower(30.0, 30.0), gate=Gate(0.0, 0.0))),
        _of_design(
            "twelve bit",
            parade_design(
                table=twelve_bit, adc_bits=12, quiescent_counts=0, level=OffsetSteps(3, 6.02, 0.0), dim=1.0,
                follower=FixedFollower(0.3, 0.02),
            ),
        ),
        _of_design(
            "even in counts",
            parade_design(table=even, level=None, gate=Gate(0.0, 0.0), follower=FixedFollower(0.01, 0.1)),
        ),
        case_of_words(
            "gate always shut",
            tame._replace(gate_open=50_000, gate_close=50_000, base_duty=77, mute_frames=9,
                fade_step=3, zero_start=30_000, zero_least=200, zero_most=64_999, zero_reach=535,
                zero_still=65_535, zero_block_bits=15),
            parade.codes,
        ),
        case_of_words(
            "both clamps",
            tame._replace(
                automatic=1, adapt_every=2, judge_every=3, window_start=30_000, window_least=27_600,
                window_most=33_000, window_rise=700, window_fall=300, window_step=1500, full_most=1,
                patience=2, window_band=700, window_aim=300, sound_level=27_900, mute_frames=400,
                fade_step=1000, zero_start=300, zero_least=200, zero_most=400, zero_reach=60, zero_still=5,
                zero_rise=500, zero_fall=700, zero_block_bits=4,
                noise_most=900, noise_rise=211, range_level=9 * 256,
                gate_open=300, gate_close=120, attack_factor=65_535, attack_fraction=16,
                release_factor=65_535, release_fraction=24, dim=65_535,
                window_least_sensitive=33_000, offset_step=300, offset_steps=19,
            ),
            _steep(9, 1),
        ),
        case_of_words(
            "ends of the words",
            tame._replace(
                automatic=1, adapt_every=19, judge_every=255, window_start=9, window_least=1,
                window_most=65_535 - 9, window_rise=9, window_fall=1, window_step=9, full_most=100,
                patience=1, window_band=0, window_aim=0, sound_level=0, mute_frames=9_999, fade_step=65_535,
                zero_start=40_000, zero_least=0, zero_most=64_744, zero_reach=535, zero_still=65_535,
                zero_rise=65_280, zero_fall=65_280, zero_block_bits=5, noise_most=0, noise_rise=0,
                range_level=256, gate_open=1, gate_close=0, attack_factor=1, attack_fraction=24,
                release_factor=1, release_fraction=16,
                dim=0, base_duty=65_535, window_least_sensitive=65_526, offset_step=1040, offset_steps=63,
            ),
            np.array([0, 65_535, 65_535]),
        ),
        case_of_words(
            "widest window",
            tame._replace(
                automatic=1, adapt_every=2, judge_every=40, window_start=100, window_least=60,
                window_most=400, window_rise=100, window_fall=61, window_step=70, full_most=4, patience=255,
                window_band=65_024, window_aim=65_000, sound_level=65_535, mute_frames=1, fade_step=1,
                zero_start=1, zero_least=0, zero_most=40_000, zero_reach=20_000, zero_still=300,
                zero_rise=9_000, zero_fall=50_000, zero_block_bits=11, noise_most=20_000, noise_rise=5_000,
                range_level=254 * 256, gate_open=2_000,
                gate_close=1_999, attack_factor=40_000, attack_fraction=16, release_factor=3_000,
                release_fraction=16, dim=32_767, window_least_sensitive=390, offset_step=300,
                offset_steps=2,
            ),
            _steep(254, 2),
        ),
    ]  # fmt: skip


CASES = {case.name: case for case in _cases()}


def stimulus(case: Case, readings: int, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Return readings (n,) and offset steps (n,), -1 for none: levels held, ramps, noise, and both ends."""
    rng = np.random.default_rng(seed)
    parts: list[np.ndarray] = []
    while sum(map(len, parts)) < readings:
        parts.append(_stretch(rng, int(rng.integers(1, 900)), case.words.zero_start))
    values = np.concatenate(parts)[:readings]
    often = rng.random(readings) < 0.004
    chosen = rng.choice([0, 1, 2, 3, 6, 30, 61, 62, 63, 64, 200, 254], readings)
    return values, np.where(often, chosen, -1)


def _stretch(rng: np.random.Generator, length: int, zero: int) -> np.ndarray:
    loud = int(2.0 ** rng.uniform(0, 16))
    beat = np.where(np.arange(length) % 97 < 13, min(loud * 8, 65_535), loud)
    kinds = [
        np.zeros(length, np.int64),
        np.full(length, 65_535),
        np.full(length, loud),
        rng.integers(0, 65_536, length),
        (2.0 ** rng.uniform(0, 16, length)).astype(np.int64),
        np.clip(zero + rng.integers(-2, 3, length), 0, 65_535),
        np.linspace(loud, rng.integers(0, 65_536), length).astype(np.int64),
        beat,
    ]
    return kinds[rng.integers(len(kinds))]


def stimulus_bytes(readings: np.ndarray, offsets: np.ndarray) -> bytes:
    """Return the stimuli as twin_driver.c reads them, STIMULUS_BYTES each."""
    packed = np.empty((len(readings), STIMULUS_BYTES), np.uint8)
    packed[:, 0], packed[:, 1] = readings & 0xFF, readings >> 8
    packed[:, 2] = np.where(offsets < 0, NO_OFFSET, offsets)
    return packed.tobytes()


def expected_bytes(case: Case, readings: np.ndarray, offsets: np.ndarray) -> bytes:
    """Return the records that twin_driver.c must write, RECORD_BYTES each, by the Python twin."""
    trace = run_twin(case.words, case.codes, readings, offsets=offsets)
    record = np.empty(len(readings), RECORD)
    record["word"], record["duty"] = trace.envelope, trace.duty
    for column, name in enumerate(FixedState._fields):
        record[name] = trace.states[:, column]
    return record.tobytes()

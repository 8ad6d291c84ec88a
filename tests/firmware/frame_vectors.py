"""Stimuli for the frame part of the runtime and what its twin answers, for every machine that runs it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from firmware import twin_vectors

from envlab.digital.fixed_frame import (
    FrameWords,
    fine_duty,
    frame_codes,
    frame_factor,
    highest_threshold,
    pixel_code,
    refresh_thresholds,
    scale_words,
)
from envlab.firmware.export import DITHER_FILES, RUNTIME_FILES, RUNTIME_FOLDER
from envlab.firmware.headers.golden import golden_crc32
from envlab.firmware.headers.parameters import HeaderFacts, parameters_text, table_text

DRIVER = Path(__file__).parent / "frame_driver.c"
ENDS = np.array([0, 1, 127, 128, 129, 255, 256, 257, 32_767, 32_768, 32_769, 65_279, 65_534, 65_535])


@dataclass(frozen=True)
class FrameCase:
    """Words of the frame part and the text of every file of the runtime's folder."""

    words: FrameWords
    files: dict[str, str]

    @property
    def channels(self) -> int:
        """Channels of the whole chain."""
        return self.words.pixels * self.words.channels

    @property
    def stimulus(self) -> np.dtype:
        """One frame as frame_driver.c reads it."""
        return np.dtype([("duty", "<u2"), ("colours", "<u2", (self.channels,)), ("phase", "u1")])

    @property
    def record(self) -> np.dtype:
        """One record as frame_driver.c writes it."""
        return np.dtype(
            [("first", "<u2", (self.channels,)), ("first_carry", "<u2"),
             ("second", "<u2", (self.channels,)), ("codes", "<u4"), ("fine", "<u4"), ("factor", "<u2"),
             ("carry", "<u2"), ("limited", "u1"), ("phase", "u1"), ("whole", "u1")]
        )  # fmt: skip

    @property
    def sizes(self) -> tuple[int, int]:
        """Bytes of a stimulus and of a record."""
        return self.stimulus.itemsize, self.record.itemsize


def _case(*words: int) -> FrameCase:
    frame = FrameWords(*words)
    parade = twin_vectors.CASES["parade"]
    names = RUNTIME_FILES + (DITHER_FILES if frame.dither_bits else ())
    files = {name: (RUNTIME_FOLDER / name).read_text("ascii") for name in names}
    golden = golden_crc32(parade.words, parade.codes, frame)
    facts = HeaderFacts("a frame", 1000.0, 1000.0, frame=frame, golden_crc32=golden)
    files["envlab_parameters.h"] = parameters_text(parade.words, parade.codes, facts)
    files["envlab_table.h"] = table_text(parade.words, parade.codes, facts)
    return FrameCase(frame, files)


# pixels, channels, bits, limit, dither_bits, refresh_hz
CASES = {
    "8 bit": _case(6, 3, 8, 2003, 0, 100),
    "8 bit, dithered": _case(6, 3, 8, 2003, 2, 800),
    "one full channel for all": _case(6, 3, 8, 255, 4, 3200),
    "9 bit, never limited": _case(5, 1, 9, 5 * 511, 1, 400),
    "11 bit, dithered": _case(4, 4, 11, 4 * 2047, 4, 3200),
    "15 bit": _case(2, 8, 15, 7 * 32_767, 0, 100),
    "16 bit": _case(6, 3, 16, 4 * 65_535 + 77, 0, 100),
}


def stimuli(case: FrameCase, frames: int, seed: int = 7) -> np.ndarray:
    """Return frames (frames,) of case.stimulus: dark to far over the limit, with the words' ends."""
    rng = np.random.default_rng(seed)
    made = np.empty(frames, case.stimulus)
    made["duty"] = (2.0 ** rng.uniform(0, 16, frames)).astype(np.int64) - 1
    bright = rng.random(frames) < 0.5
    made["duty"][bright] = rng.integers(20_000, 65_536, bright.sum())
    shape = (frames, case.channels)
    made["colours"] = np.where(
        rng.random(shape) < 0.3, rng.choice(ENDS, shape), rng.integers(0, 65_536, shape)
    )
    made["colours"][bright] |= rng.choice([0, 0x4000, 0x8000, 0xC000], (bright.sum(), 1)).astype(np.uint16)
    alike = rng.random(frames) < 0.3
    made["colours"][alike] = made["colours"][alike, :1]
    made["colours"][rng.random(frames) < 0.1] = 65_535
    made["duty"][: ENDS.size] = ENDS
    made["colours"][: ENDS.size] = 65_535
    made["phase"] = rng.integers(0, 256, frames)
    most = ((case.words.limit + 1) << (16 - case.words.bits)) - 1
    for place, total in enumerate((most, 2 * most), start=ENDS.size):
        colours = _adding_up(case, total)
        if colours is not None:
            made["duty"][place], made["colours"][place] = 65_535, colours
    return made


def _adding_up(case: FrameCase, total: int) -> np.ndarray | None:
    """Return words whose fine duties sum up to a total while their codes round up, where that can be."""
    unit = 1 << (16 - case.words.bits)
    alike = total // case.channels // unit * unit - unit // 4
    fine = np.full(case.channels, alike)
    fine[-1] += total - fine.sum()
    if unit < 4 or not (fine >= 0).all() or not (fine <= 65_536 - unit).all():
        return None
    every = fine_duty(np.arange(65_536), case.words.bits)
    return np.searchsorted(every, fine)


def expected(case: FrameCase, frames: np.ndarray) -> np.ndarray:
    """Return the records that frame_driver.c must write, by the Python twin."""
    words = case.words
    unit = 1 << (16 - words.bits)
    duties = scale_words(frames["duty"][:, None], frames["colours"])
    fine = fine_duty(duties, words.bits).sum(axis=1)
    made = np.zeros(len(frames), case.record)
    made["codes"] = pixel_code(duties, words.bits, highest_threshold(words.bits, words.dither_bits)).sum(
        axis=1
    )
    made["fine"], made["limited"] = fine, made["codes"] > words.limit
    factors = [frame_factor(int(total), words.limit * unit + unit - 1) for total in fine]
    made["factor"] = np.where(made["limited"], factors, 65_535)
    made["carry"] = np.where(made["limited"], fine * (made["factor"].astype(np.int64) + 1) & 0xFFFF, 0)
    dithers = int(words.dither_bits > 0)
    made["first_carry"] = made["carry"]
    for n, frame in enumerate(frames):
        for refresh, name in enumerate(("first", "second"), start=1):
            thresholds = refresh_thresholds(words, int(frame["phase"]) + refresh * dithers)
            made[name][n] = frame_codes(words, duties[n], thresholds)
    made["phase"] = frames["phase"] + 2 * dithers
    made["whole"] = 1
    return made

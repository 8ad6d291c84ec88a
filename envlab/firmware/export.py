"""The whole firmware folder of a design: runtime, parameters and table, written and checked together."""

from __future__ import annotations

import re
import zlib
from pathlib import Path

from envlab.digital.auto_level import AutoLevel, OffsetSteps
from envlab.digital.fixed_point import LEVEL_UNITS_PER_DB, FixedCoefficient
from envlab.errors import FileError
from envlab.files.whole import read_whole, write_whole
from envlab.firmware.edits import ascii_lines, code_array
from envlab.firmware.headers.frame_facts import frame_lines
from envlab.firmware.headers.golden import golden_crc32
from envlab.firmware.headers.guard_macros import GUARD_FILES
from envlab.firmware.headers.layout_macros import LAYOUT_FILES, LAYOUT_TABLE
from envlab.firmware.headers.parameters import (
    HeaderFacts,
    design_mark,
    layout_text,
    parameters_text,
    table_text,
)
from envlab.firmware.level_table import LevelTable
from envlab.firmware.marks import RUNTIME_FOLDER, marked
from envlab.firmware.runtime_design import RuntimeDesign
from envlab.firmware.table_record import explain_change

RUNTIME_FILES = (
    "envlab_rom.h",
    "envlab_products.h",
    "envlab_runtime.h",
    "envlab_runtime.c",
    "envlab_frame.h",
    "envlab_frame.c",
    "envlab_boot.h",
    "envlab_boot.c",
    "envlab_log.h",
    "envlab_log.c",
)
DITHER_FILES = ("envlab_dither.h", "envlab_dither.c")
MOVING_FILES = ("envlab_moving.h", "envlab_moving.c")
GENERATED_FILES = ("envlab_parameters.h", "envlab_table.h")


def firmware_files(design: RuntimeDesign, *, design_digest: str = "") -> dict[str, str]:
    """Return the text of every file of a design's firmware folder by its name.

    design_digest: text that tells which design it belongs to, put into both generated headers. Every file
    carries the number of the export (envlab.firmware.marks); files of two exports do not compile together.
    """
    facts = header_facts(design, design_digest)
    words, codes = design.words, design.codes
    mark = design_mark(words, codes, facts)
    names = RUNTIME_FILES + (GUARD_FILES if design.guard else ())
    names += DITHER_FILES if design.dither is not None else ()
    names += MOVING_FILES if design.moving_readings > 1 else ()
    names += LAYOUT_FILES if facts.layout is not None else ()
    files = {name: marked(name, (RUNTIME_FOLDER / name).read_text("ascii"), mark) for name in names}
    files["envlab_parameters.h"] = parameters_text(words, codes, facts)
    files["envlab_table.h"] = table_text(words, codes, facts)
    if facts.layout is not None:
        files[LAYOUT_TABLE] = layout_text(words, codes, facts)
    return files


def mark_of(design: RuntimeDesign, *, design_digest: str = "") -> int:
    """Return the number that every file of this export carries."""
    return design_mark(design.words, design.codes, header_facts(design, design_digest))


def write_firmware(design: RuntimeDesign, folder: str | Path, *, design_digest: str = "") -> list[Path]:
    """Write runtime, parameter header and table header into a folder, which is made if it is not there.

    Everything is put together before the first file is written, and each file appears whole or not at all.
    Returns the paths. Raises ParameterError or FileError.
    """
    files = firmware_files(design, design_digest=design_digest)
    target = Path(folder)
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileError(f"{target}: cannot be made: {error.strerror or error}") from error
    for name, text in files.items():
        write_whole(target / name, text.encode("ascii"))
    return [target / name for name in files]


def check_firmware(folder: str | Path) -> None:
    """Raise FileError that names file and line if a file of a written firmware folder has changed since.

    Parameters
    ----------
    folder : path
        A firmware folder as envlab.export.firmware_folder makes it.
    """
    place = Path(folder)
    _check_table(place / "envlab_table.h")
    has_layout = (place / LAYOUT_TABLE).exists()
    for name in (*GENERATED_FILES, *[LAYOUT_TABLE] * has_layout):
        _check_text(place / name)
    mark = _macro(place / "envlab_parameters.h", "MARK")
    if _macro(place / "envlab_table.h", "MARK") != mark:
        raise FileError(f"{folder}: envlab_table.h and envlab_parameters.h belong to different designs")
    if has_layout and _macro(place / LAYOUT_TABLE, "MARK") != mark:
        raise FileError(f"{folder}: {LAYOUT_TABLE} and envlab_parameters.h belong to different designs")
    for name in RUNTIME_FILES + GUARD_FILES + DITHER_FILES + MOVING_FILES + LAYOUT_FILES:
        if name not in RUNTIME_FILES and not (place / name).exists():
            continue
        text = marked(name, (RUNTIME_FOLDER / name).read_text("ascii"), mark)
        if read_whole(place / name) != text.encode("ascii"):
            raise FileError(f"{place / name}: is not the runtime of this version and export; export it again")


def header_facts(design: RuntimeDesign, design_digest: str) -> HeaderFacts:
    """Return what the headers of a design say beside its words."""
    return HeaderFacts(
        design_digest=design_digest,
        adc_rate_hz=design.follower.rate_hz,
        brightness_rate_hz=design.brightness_rate_hz,
        adc_bits=design.adc_bits,
        frame=design.frame_words,
        guard=design.guard_words,
        golden_crc32=golden_crc32(
            design.words, design.codes, design.frame_words, design.guard_words, design.layout_table
        ),
        asked=tuple(_asked(design)),
        layout=design.layout_table,
    )


def _asked(design: RuntimeDesign) -> list[str]:
    lines = [
        f"ADC: {design.adc_bits} bit, {design.quiescent_counts} counts quiescent,"
        f" {design.follower.rate_hz:g} Hz; a reading is the counts times {1 << (16 - design.adc_bits)}",
        _time_line("attack", design.follower.attack),
        _time_line("release", design.follower.release),
        *_moving_lines(design),
    ]
    if isinstance(design.table, LevelTable):
        table, asked_map = design.table, design.table.count_map
        lines += [
            f"first light: asked {asked_map.floor_counts:.6g}, achieved {table.floor_counts:.6g} counts",
            f"full light: asked {asked_map.ceiling_counts:.6g}, achieved {table.ceiling_counts:.6g} counts",
            f"gate: opens {design.words.gate_open / LEVEL_UNITS_PER_DB:.3g} dB, shuts"
            f" {design.words.gate_close / LEVEL_UNITS_PER_DB:.3g} dB above the window's floor or the noise",
        ]
    if isinstance(design.level, AutoLevel) and design.adapt is not None:
        asked, found = design.level, design.adapt
        lines += [
            f"window rises: asked {asked.rise_db_s:g}, achieved {found.rise_db_s:.4g} dB/s",
            f"window falls: asked {asked.fall_db_s:g}, achieved {found.fall_db_s:.4g} dB/s",
            f"noise rises: asked {asked.noise_rise_db_s:g}, achieved {found.noise_rise_db_s:.4g} dB/s",
            f"peaks are judged: asked every {asked.judge_s:g} s, achieved {found.judge_s:.4g} s",
            f"window goes down: asked {asked.down_db:g} dB, achieved {-design.lowest_window_db:.3g} dB; below"
            " it the converter's noise would show",
        ]
    if isinstance(design.level, OffsetSteps):
        achieved = design.words.offset_step / LEVEL_UNITS_PER_DB
        lines += [
            f"offset steps: asked {design.level.steps} of {design.level.step_db:g} dB, achieved"
            f" {design.words.offset_steps} of {achieved:.4g} dB; the rest would show the converter's noise"
        ]
    lines += _zero_lines(design)
    lines += [
        *frame_lines(design),
        f"levels: 1 unit is 1/4096 octave, {1 / LEVEL_UNITS_PER_DB:.6f} dB on average",
    ]
    return lines


def _moving_lines(design: RuntimeDesign) -> list[str]:
    readings = design.moving_readings
    if design.moving is None or readings == 1:
        return ["a frame shows the latest envelope"]
    what = "mean" if design.words.moving_factor else "maximum"
    lasting_s = readings / design.follower.rate_hz
    return [
        f"a frame shows the moving {what} of {readings} envelopes: asked {design.moving.window_s:g} s,"
        f" achieved {lasting_s:g} s"
    ]


def _zero_lines(design: RuntimeDesign) -> list[str]:
    words, zero = design.words, design.zero
    block_s = (1 << zero.block_bits) / design.follower.rate_hz
    begins = "at rest light" if design.layout.rest_light else "dark"
    return [
        f"quiescent level: learnt within {design.quiescent.offset_lsb:g} LSB of the design, rises at most"
        f" {design.quiescent.rise_lsb_min:g} LSB a minute, in blocks of {block_s:.3g} s",
        f"start: {begins} for {words.mute_frames / design.brightness_rate_hz:.3g} s, faded in within"
        f" {words.dim / words.fade_step / design.brightness_rate_hz:.3g} s",
    ]


def _time_line(name: str, found: FixedCoefficient) -> str:
    return f"{name}: asked {found.time_s:g} s, achieved {found.achieved_s:.6g} s ({100 * found.error:+.3f} %)"


def _check_text(path: Path) -> None:
    text = read_whole(path)
    body, mark, last = text.rpartition(b"/* CRC-32 of every byte above this line: ")
    if not mark or last != f"0x{zlib.crc32(body):08X} */\n".encode("ascii"):
        raise FileError(f"{path}: has been edited or cut short; export it again")


def _check_table(path: Path) -> None:
    lines = ascii_lines(path)
    codes = [
        int(code) for line in lines if line.startswith("    ") for code in re.findall(r"\b(\d+)u\b", line)
    ]
    wanted = _macro(path, "TABLE_CRC32")
    problem = explain_change(code_array(path, codes), 16, wanted)
    if problem is not None:
        raise FileError(f"{path}: {problem}")


def _macro(path: Path, name: str) -> int:
    for line in ascii_lines(path):
        match = re.match(rf"#define ENVLAB_{name} 0x([0-9A-F]{{8}})ul ", line)
        if match:
            return int(match[1], 16)
    raise FileError(f"{path}: the value ENVLAB_{name} is missing or has been edited")

"""Every reader of envlab, each with what makes a result right whatever the bytes were."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from fuzz import seeds
from fuzz.verdict import Reader

from envlab.bench.captures.capture import Capture
from envlab.bench.captures.files import read_capture
from envlab.errors import FileError
from envlab.firmware.c_header import header_text, read_checked_header
from envlab.firmware.table_files import (
    binary_bytes,
    csv_bytes,
    json_bytes,
    read_binary,
    read_csv,
    read_json,
)
from envlab.firmware.table_record import CheckedTable, code_bytes
from envlab.sound.recording import read_recording
from envlab.sound.stream import SoundStream, open_sound
from envlab.study.specification.specification import read_specification
from envlab.study.specification.written import write_specification
from envlab.study.sweep.checkpoint import Checkpoint

LEVEL_DB_SPL = 90.0
REFERENCE_PA = 20e-6


def sound(path: Path) -> int:
    """Finite, at the level that was asked for or silent and said to be; in pieces the same bit for bit."""
    recording = read_recording(path, LEVEL_DB_SPL)
    pressure = recording.pressure_pa
    assert pressure.size >= 1
    assert np.isfinite(pressure).all()
    if {"silent", "no samples"} & set(recording.notes):
        assert not pressure.any()
        return int(pressure.nbytes)
    level = 20 * np.log10(np.sqrt(np.mean(pressure**2)) / REFERENCE_PA)
    assert abs(level - LEVEL_DB_SPL) < 1e-6, level
    streamed = open_sound(path, LEVEL_DB_SPL, held_s=0.0)
    assert isinstance(streamed, SoundStream) or path.read_bytes()[:4] not in (b"RIFF", b"RF64", b"fLaC")
    assert np.array_equal(np.concatenate(list(streamed.pieces())), pressure)
    return 2 * int(pressure.nbytes)


def design(path: Path) -> int:
    """A question that, written as a file, reads as the same question."""
    asked = read_specification(path)
    again = path.with_name("again.toml")
    try:
        write_specification(asked, again, overwrite=True)
    except FileError as problem:
        # A key of a stage may be set to what no shop has only where the file says that it was measured.
        assert "series" in str(problem), problem
        return 0
    written = read_specification(again)
    assert written.chain == asked.chain
    assert written.targets == asked.targets
    assert written.judging == asked.judging
    assert written.viewing == asked.viewing
    assert written.tolerance == asked.tolerance
    assert [clip.label for clip in written.clips] == [clip.label for clip in asked.clips]
    assert written.candidates == asked.candidates
    return 0


def quick_design(path: Path) -> int:
    """As design, without writing it: twenty times as quick, for long runs."""
    asked = read_specification(path)
    assert asked.chain == asked.chain
    assert asked.candidates >= 1
    return 0


def header(path: Path) -> int:
    """A table is taken only if every byte is what envlab writes for it."""
    checked = read_checked_header(path)
    name = next(line for line in path.read_text("ascii").splitlines() if line.startswith("static const uint"))
    identifier = name.split("_t ")[1].split("[")[0]
    text = header_text(
        checked.table,
        identifier=identifier,
        design_digest=checked.design_digest,
        export_mark=checked.export_mark,
    )
    return _same_but_version(path, text.encode(), checked)


def csv_table(path: Path) -> int:
    """As header."""
    checked = read_csv(path)
    text = csv_bytes(checked.table, design_digest=checked.design_digest, export_mark=checked.export_mark)
    return _same_but_version(path, text, checked)


def json_table(path: Path) -> int:
    """As header."""
    checked = read_json(path)
    text = json_bytes(checked.table, design_digest=checked.design_digest, export_mark=checked.export_mark)
    return _same_but_version(path, text, checked)


def binary_table(path: Path) -> int:
    """The codes are the file's first bytes; the trailer is what its CRC-32 covers."""
    checked = read_binary(path)
    codes = code_bytes(checked.table.duty_codes, checked.table.bits)
    assert path.read_bytes()[: len(codes)] == codes
    written = binary_bytes(
        checked.table, design_digest=checked.design_digest, export_mark=checked.export_mark
    )
    path.write_bytes(written)
    assert read_binary(path).table == checked.table
    return len(codes)


def _same_but_version(path: Path, written: bytes, checked: CheckedTable) -> int:
    from envlab import __version__

    if checked.envlab_version == __version__:
        assert path.read_bytes() == written
    return int(checked.table.duty_codes.nbytes)


def checkpoint(path: Path) -> int:
    """What is taken up again is what was kept, bit for bit; all else is computed anew."""
    anew: list[int] = []

    def compute() -> dict[str, np.ndarray]:
        anew.append(1)
        return {"computed": np.zeros(1)}

    found = Checkpoint(path.parent, seeds.QUESTION).step(path.stem, compute)
    if anew:
        return 0
    assert found.keys() == seeds.COLUMNS.keys()
    for name, values in seeds.COLUMNS.items():
        assert found[name].dtype == values.dtype
        assert np.array_equal(found[name], values)
    return sum(values.nbytes for values in found.values())


def capture(path: Path) -> int:
    """Rising times, as many values, none of them infinite; evenly spaced it has no gap."""
    found: Capture = read_capture(path, default_rate_hz=1000.0, full_scale_v=3.3)
    assert found.time_s.shape == found.values.shape
    assert np.isfinite(found.time_s).all()
    assert (np.diff(found.time_s) > 0).all()
    assert not np.isinf(found.values).any()
    assert all(note.isprintable() for note in found.notes)
    if found.bits is not None:
        assert 1 <= found.bits <= 16
    if found.rate_hz is not None:
        assert 0 < found.rate_hz < np.inf
    return int(found.time_s.nbytes + found.values.nbytes)


READERS = {
    one.name: one
    for one in (
        Reader("sound", ".wav", seeds.sounds, sound),
        Reader("design", ".toml", seeds.designs, design),
        Reader("header", ".h", seeds.headers, header),
        Reader("csv_table", ".csv", seeds.csv_tables, csv_table),
        Reader("json_table", ".json", seeds.json_tables, json_table),
        Reader("binary_table", ".bin", seeds.binary_tables, binary_table),
        Reader("checkpoint", ".npz", seeds.checkpoints, checkpoint),
        Reader("number_table", ".csv", seeds.number_tables, capture),
        Reader("log", ".bin", seeds.logs, capture),
        Reader("voltage_sound", ".wav", seeds.voltage_sounds, capture),
    )
}

"""Files that envlab reads, small ones of each kind: where fuzzing begins."""

from __future__ import annotations

import io
import tempfile
from pathlib import Path

import numpy as np
import soundfile
import zoo

from envlab.bench.captures.log_frames import LogHeader, header_frame, readings_frame
from envlab.errors import EnvlabError
from envlab.firmware.c_header import header_text
from envlab.firmware.table_files import binary_bytes, csv_bytes, json_bytes
from envlab.light.curve import CountMap
from envlab.light.table import LookupTable, build_octave_table, build_table
from envlab.shipped import DEMOS, demo_design
from envlab.study.specification.specification import Specification
from envlab.study.specification.written import write_specification
from envlab.study.sweep.checkpoint import Checkpoint

_SOUNDS = (
    ("WAV", "PCM_U8", 1), ("WAV", "PCM_16", 1), ("WAV", "PCM_24", 2), ("WAV", "FLOAT", 1),
    ("WAV", "DOUBLE", 1), ("WAV", "ULAW", 1), ("WAV", "IMA_ADPCM", 1), ("WAV", "MS_ADPCM", 2),
    ("WAV", "GSM610", 1), ("WAVEX", "PCM_16", 3), ("RF64", "PCM_16", 1), ("FLAC", "PCM_S8", 1),
    ("FLAC", "PCM_16", 1), ("FLAC", "PCM_24", 2), ("OGG", "VORBIS", 1), ("OGG", "OPUS", 1),
    ("MP3", "MPEG_LAYER_III", 1), ("MP3", "MPEG_LAYER_III", 2),
)  # fmt: skip


def sounds() -> list[bytes]:
    """Tenths of a second of a dying tone, in each container and coding that can be written."""
    wave = np.exp(-np.arange(900) / 400) * np.sin(np.arange(900) / 9) / 2
    found = []
    for container, coding, channels in _SOUNDS:
        buffer = io.BytesIO()
        frames = np.column_stack([wave / (1 + channel) for channel in range(channels)])
        soundfile.write(buffer, frames, 8000, format=container, subtype=coding)
        found.append(buffer.getvalue())
    return found


def voltage_sounds() -> list[bytes]:
    """The same that a capture may be."""
    return [data for data in sounds() if data[:4] in (b"RIFF", b"RF64", b"fLaC")]


def designs() -> list[bytes]:
    """Both demos without their comments, one board of every kind as it is written, an empty file."""
    texts = [Path(demo_design(name)).read_text(encoding="utf-8") for name in DEMOS]
    bare = ["\n".join(_without_comments(text)) + "\n" for text in texts]
    boards = [one.chain for kind in _KINDS for one in kind.values()]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "board.toml"
        for chain in boards:
            try:
                write_specification(Specification(chain), path, overwrite=True)
            except EnvlabError:  # a value that no shop has
                continue
            bare.append(path.read_text(encoding="utf-8"))
    return [text.encode() for text in dict.fromkeys(("", *bare))]


_KINDS = (
    zoo.PRECISION, zoo.PASSIVE, zoo.PREAMPS, zoo.FILTERS, zoo.AMPLIFIERS, zoo.MICROPHONES, zoo.ADCS,
    zoo.HOLD_CAPACITORS, zoo.DIGITAL,
)  # fmt: skip


def _without_comments(text: str) -> list[str]:
    return [line.split(" #")[0].rstrip() for line in text.splitlines() if line and not line.startswith("#")]


def tables() -> list[LookupTable]:
    """Tables of one and two bytes a code, over counts and over octaves."""
    levels = CountMap(floor_counts=4.0, ceiling_counts=900.0)
    tiny = LookupTable(np.array([0, 0, 3, 90, 255]), 8, 1023, 1.0, levels, "*/ a name", notes=("one",))
    wide = build_table(levels, adc_bits=10, entries=33, bits=12, duty_limit=0.278)
    octave = build_octave_table(levels, adc_bits=10, steps_per_octave=2, base_light=0.01)
    return [tiny, wide, octave]


def headers() -> list[bytes]:
    """Tables as C."""
    return [header_text(table, design_digest="0a1b").encode() for table in tables()]


def csv_tables() -> list[bytes]:
    """Tables as CSV."""
    return [csv_bytes(table, design_digest="0a1b", export_mark=7) for table in tables()]


def json_tables() -> list[bytes]:
    """Tables as JSON."""
    return [json_bytes(table, design_digest="0a1b") for table in tables()]


def binary_tables() -> list[bytes]:
    """Tables as bytes."""
    return [binary_bytes(table, export_mark=0xFFFFFFFF) for table in tables()]


QUESTION = "what is kept"
COLUMNS = {
    "attack_ms": np.linspace(1.0, 3.0, 7),
    "lit": np.arange(12).reshape(3, 4),
    "judged": np.array([True, False]),
    "nothing": np.empty(0),
    "name": np.array("a label"),
}


def checkpoints() -> list[bytes]:
    """Two steps, of this question and of another."""
    found = []
    with tempfile.TemporaryDirectory() as folder:
        for question in (QUESTION, "another"):
            Checkpoint(Path(folder), question).step(question, lambda: dict(COLUMNS))
            found.append((Path(folder) / f"{question}.npz").read_bytes())
    return found


def number_tables() -> list[bytes]:
    """Tables as loggers and oscilloscopes write them."""
    rows = [(i / 1000, 512 + i, 1.65 + i / 1000) for i in range(24)]
    points = "".join(f"{t:.4f},{n},{v:.4f}\n" for t, n, v in rows)
    commas = "".join(f"{t:.4f};{n};{v:.4f}\n" for t, n, v in rows).replace(".", ",")
    blanks = "".join(f"{t:.4f} {v:.4f}\n" for t, _, v in rows)
    facts = "# envlab capture\n# node = adc_counts\n# bits = 10\n# rate_hz = 1000.0\n"
    texts = [
        f"time_s,counts,detector_v\n{points}",
        f"Zeit;Counts;CH1\n(s);(counts);(mV)\n{commas}",
        f"x-axis 1\nsecond Volt\n{blanks}",
        f"{facts}# export_mark = 0x12AB34CD\n# partial = yes\n# note 1 = lost\ntime_s,counts,v\n{points}",
        "# rate_hz = 500\ncounts,volt\n" + "".join(f"{n},{v}\n" for _, n, v in rows),
        "".join(f"{n}\r\n" for _, n, _ in rows),
    ]
    return [text.encode() for text in texts]


def logs() -> list[bytes]:
    """Frames as the runtime's logger sends them: whole, with a block lost, with one sent twice."""
    head = header_frame(LogHeader(10, 16, 0, 1000.0, 0x12AB34CD))
    blocks = [readings_frame(n, [(500 + n % 7 + i) << 6 for i in range(16)]) for n in range(65_534, 65_540)]
    wide = header_frame(LogHeader(12, 40, 3, 44_100.0, 0))
    long_block = readings_frame(9, range(0, 40 * 16, 16))
    return [
        head + b"".join(blocks),
        b"boot\r\n" + head + b"".join(blocks[:2] + blocks[3:] + blocks[3:4]) + head,
        wide + long_block,
    ]

"""What fuzzing found once, and the same few thousand changed files in every run.

`tests/fuzz/corpus/READER` holds inputs that a reader once answered with a traceback, a wrong value
or too much memory. The changed files are drawn from a fixed seed; `long_run.py` looks further.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from fuzz.readers import READERS
from fuzz.variation import VARIATIONS, with_number_in_place
from fuzz.verdict import verdict

CORPUS = Path(__file__).parent / "corpus"
SEED = 16
CHANGED = {name: 30 if name == "design" else 300 for name in READERS}
FOUND = sorted(path.relative_to(CORPUS).as_posix() for path in CORPUS.glob("*/*"))


@pytest.mark.parametrize("name", READERS)
def test_what_envlab_and_others_write_is_read(name: str, tmp_path: Path) -> None:
    reader = READERS[name]
    inputs = reader.seeds()[:: 12 if name == "design" else 1]
    assert {verdict(reader, data, tmp_path, memory=True) for data in inputs} == {"read"}


@pytest.mark.parametrize("found", FOUND)
def test_what_was_found_once(found: str, tmp_path: Path) -> None:
    reader = READERS[found.split("/", maxsplit=1)[0]]
    assert verdict(reader, (CORPUS / found).read_bytes(), tmp_path, memory=True) in ("read", "refused")


def test_something_was_found() -> None:
    assert len(FOUND) >= 14


@pytest.mark.parametrize("name", READERS)
def test_changed_files_give_a_right_result_or_one_line(name: str, tmp_path: Path) -> None:
    reader, rng = READERS[name], random.Random(SEED)
    seeds = [data for data in reader.seeds() if data]
    said = []
    for _ in range(CHANGED[name]):
        data = rng.choice(seeds)
        for _ in range(rng.choice((1, 1, 2, 4))):
            data = (VARIATIONS[name] if rng.random() < 0.8 else with_number_in_place)(data, rng)
        said.append(verdict(reader, data, tmp_path, memory=True))
    # Changes that were all refused at the first byte would try nothing. Of tables that envlab writes every
    # change is refused; a checkpoint is never refused, but computed anew.
    assert "read" in said or name in ("header", "csv_table", "json_table")
    assert "refused" in said or name == "checkpoint"


def test_a_voltage_that_claims_more_samples_than_there_is_memory_for(tmp_path: Path) -> None:
    # RFC 9639 [RFC9639], section 8.2: the total is the last 36 bits before the 16 bytes of the check sum.
    flac = bytearray(next(data for data in READERS["voltage_sound"].seeds() if data[:4] == b"fLaC"))
    flac[22:26] = (1 << 31).to_bytes(4, "big")
    assert verdict(READERS["voltage_sound"], bytes(flac), tmp_path, memory=True) == "refused"

"""Freshly compiled or taken from the cache, the loops give the same last digit: results are compared so."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

PROGRAM = """
import numpy as np
from envlab.analog.bank.detector_bank import bank_of, read_bank
from envlab.analog.detector import PeakDetector, detect
from envlab.analog.bank.diode_bank import diode_bank_of, read_diode_bank
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.tones.steady_state import tone_response
parts = [PeakDetector(a, 1e-6, r) for a in (470.0, 15e3) for r in (33e3, 1e6)]
for kind in ("half", "full"):
    for part in parts:
        print([tone_response(part, Rectifier(kind), frequency_hz) for frequency_hz in (60.0, 1000.0)])
drive = np.abs(np.random.default_rng(3).standard_normal(6400))
print([float(detect(drive, part, sample_rate_hz=384e3)[1]).hex() for part in parts])
bank = bank_of(tuple(parts), 384e3)
read, _ = read_bank(drive, bank, np.arange(0, 6400, 640), np.full(10, 0.25), state=bank.start())
print(np.ascontiguousarray(read).tobytes().hex())
for diode in ("silicon", "schottky"):
    many = diode_bank_of(tuple(parts), Rectifier("full", diode=diode), 384e3)
    start = many.start(np.zeros(4), np.zeros(4))
    read, _ = read_diode_bank(drive, many, np.arange(0, 6400, 640), np.full(10, 0.25), state=start)
    print(np.ascontiguousarray(read).tobytes().hex())
"""


def test_the_first_run_equals_the_second(tmp_path: Path) -> None:
    environment = os.environ | {"NUMBA_CACHE_DIR": str(tmp_path)}
    runs = [
        subprocess.run(
            [sys.executable, "-c", PROGRAM], env=environment, capture_output=True, text=True, check=True
        ).stdout
        for _ in range(2)
    ]
    assert any(tmp_path.rglob("*.nbc"))  # the second run did take it from the cache
    assert runs[0] == runs[1]

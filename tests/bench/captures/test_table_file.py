"""Tables of oscilloscopes and loggers: any columns, units, decimal signs, uneven and repeated times."""

from __future__ import annotations

import numpy as np
import pytest

from envlab.bench.captures.capture import Capture
from envlab.bench.captures.table_file import capture_text, read_table
from envlab.errors import FileError, ParameterError

TIMES_S = np.cumsum(np.random.default_rng(1).uniform(0.5e-3, 1.5e-3, 40))
VOLTS = 0.5 + 0.4 * np.sin(40 * TIMES_S)


def written(folder, text: str):
    path = folder / "table.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_uneven_times_in_milliseconds_and_millivolts(tmp_path):
    rows = "\n".join(f"{1e3 * t:.6f};{1e3 * v:.4f}" for t, v in zip(TIMES_S, VOLTS, strict=True))
    capture = read_table(written(tmp_path, f"Model;X\nTime (ms);CH1 (mV)\n{rows}\n"))
    assert capture.node == "detector_v"
    assert capture.time_s == pytest.approx(TIMES_S, abs=1e-9)
    assert capture.values == pytest.approx(VOLTS, abs=1e-7)


def test_decimal_commas_between_semicolons(tmp_path):
    rows = "\n".join(f"{t:.6f};{v:.6f}".replace(".", ",") for t, v in zip(TIMES_S, VOLTS, strict=True))
    capture = read_table(written(tmp_path, f"Time;CH1\nSecond;Volt\n{rows}\n"))
    assert capture.time_s == pytest.approx(TIMES_S, abs=1e-6)
    assert capture.values == pytest.approx(VOLTS, abs=1e-6)


def test_decimal_commas_between_commas_are_refused(tmp_path):
    rows = "\n".join(f"{t:.6f},{v:.6f}".replace(".", ",") for t, v in zip(TIMES_S, VOLTS, strict=True))
    for heading in ("time_s,volts\n", ""):
        with pytest.raises(FileError, match="semicolons") as said:
            read_table(written(tmp_path, heading + rows))
        assert "\n" not in str(said.value)


def test_a_column_by_heading_or_number(tmp_path):
    rows = "\n".join(f"{t:.6f},{v:.6f},{n}" for n, (t, v) in enumerate(zip(TIMES_S, VOLTS, strict=True)))
    path = written(tmp_path, f"time_s,CH1,CH2\n{rows}\n")
    assert read_table(path, column="CH2").values[3] == 3
    assert read_table(path, column="3").node == "adc_counts"
    assert read_table(path).values == pytest.approx(VOLTS, abs=1e-6)
    with pytest.raises(FileError, match="no column 'CH9'; there are time_s, CH1, CH2"):
        read_table(path, column="CH9")


def test_times_without_enough_digits_are_put_between(tmp_path):
    even_s = np.arange(60) * 4e-4
    rows = "\n".join(f"{t:.3f},{n}" for n, t in enumerate(even_s))
    capture = read_table(written(tmp_path, f"time_s,counts\n{rows}\n"))
    assert np.abs(capture.time_s - even_s).max() < 1e-3
    assert "times repeat" in capture.notes[0]


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("time_s,counts\n0,1\n2,3\n1,4\n" + "3,1\n" * 20, "times go back at row 3"),
        ("counts\n" + "5\n" * 30, "has no times; give its rate"),
        ("no numbers here\nnone at all\n", "no table of numbers"),
    ],
)
def test_what_is_no_table_is_said_in_one_line(tmp_path, text, match):
    with pytest.raises(FileError, match=match) as said:
        read_table(written(tmp_path, text))
    assert "\n" not in str(said.value)


def test_a_capture_comes_back_as_it_was_written(tmp_path):
    values = np.arange(20.0)
    values[7] = np.nan
    capture = Capture(
        "adc_counts", np.arange(20) / 1000, values, bits=10, rate_hz=1000.0, export_mark=0x12AB34CD,
        is_partial=True, notes=("1 of 9 blocks is missing",),
    )  # fmt: skip
    back = read_table(written(tmp_path, capture_text(capture)))
    assert np.array_equal(back.values, values, equal_nan=True)
    assert (back.bits, back.rate_hz, back.export_mark, back.is_partial) == (10, 1000.0, 0x12AB34CD, True)
    assert back.notes == ("1 of 9 blocks is missing",)
    assert back.node == "adc_counts"


def test_a_capture_has_rising_times_and_enough_values():
    with pytest.raises(ParameterError, match=r"time_s\[2\] is 0.5"):
        Capture("adc_counts", np.array([0, 1, 0.5, *range(2, 20)]), np.zeros(21))
    with pytest.raises(ParameterError, match="at least 16"):
        Capture("adc_counts", np.arange(5.0), np.zeros(5))


def test_a_capture_holds_nothing_infinite():
    values = np.zeros(20)
    values[[3, 7]] = np.nan, -np.inf
    with pytest.raises(ParameterError, match=r"values\[7\] is -inf"):
        Capture("detector_v", np.arange(20.0), values)

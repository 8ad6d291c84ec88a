"""The verbs of the bench: files where they are said to be, one line where nothing can be said."""

from __future__ import annotations

import io

import soundfile
from click.testing import CliRunner

from envlab.cli import main
from envlab.shipped import demo_design


def invoked(*words: object):
    return CliRunner().invoke(main, [str(word) for word in words])


def test_bench_signals_writes_signal_tone_and_sheet(tmp_path):
    out = tmp_path / "bench"
    done = invoked("bench-signals", demo_design(), "--out", out)
    assert done.exit_code == 0, done.output
    assert {path.name for path in out.iterdir()} == {
        "bench_signal.wav", "tuning_tone.wav", "bench_sheet.html", "bench_sheet.txt",
    }  # fmt: skip
    _, rate_hz = soundfile.read(io.BytesIO((out / "bench_signal.wav").read_bytes()))
    assert rate_hz == 48_000
    text, page = (out / "bench_sheet.txt").read_text(), (out / "bench_sheet.html").read_text()
    # The parade's preamp swings 1.6 V and has a gain of 1 + 15k/1k = 16. A peak of 0.6 · 1.6 V at the
    # rectifier is 0.96 V/16/√2 = 42.4 mV rms at the node; 0.3 V of a sound card want above it
    # 100R · (300/42.4 − 1) = 607R, of E24 620R, and with that the card gives 42.4 mV · 720/100 = 0.306 V.
    for words in ("620R", "100R", "step 1000 Hz -12 dB", "hearing protection", "0.306 V", "42.4 mV"):
        assert words in text
        assert words in page
    node = text.index("+---- input capacitor") - text.rindex("\n", 0, text.index("+---- input")) - 1
    assert {len(line.rstrip()) - 1 for line in text.splitlines() if line.strip() == "|"} == {node}
    again = invoked("bench-signals", demo_design(), "--out", out)
    assert again.exit_code == 1


def test_a_port_that_gives_nothing_leaves_no_file(tmp_path):
    out = tmp_path / "capture.csv"
    done = invoked("capture", demo_design(), "--port", "loop://", "--seconds", 0.2, "--out", out)
    assert done.exit_code == 1
    assert "nothing came" in done.output
    assert not out.exists()


def test_a_capture_that_is_too_short_is_one_line(tmp_path):
    short = tmp_path / "short.csv"
    short.write_text("time_s,counts\n" + "".join(f"{n / 1000},{n % 7}\n" for n in range(500)))
    done = invoked("check-board", demo_design(), short)
    assert done.exit_code == 1
    assert "capture the whole file" in done.output
    assert invoked("check-board", demo_design(), tmp_path / "none.csv").exit_code == 1

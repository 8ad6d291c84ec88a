"""The verbs for the moment when the board is back: bench-signals, capture, check-board."""

from __future__ import annotations

from pathlib import Path

import click

from envlab.cli.group import NOT_WITHIN_EXIT, main
from envlab.cli.options import design_argument, force_option, quiet_option, refuse_existing
from envlab.cli.saying import note, progress, say, say_lines
from envlab.errors import FileError

way_option = click.option(
    "--way",
    type=click.Choice(["wire", "acoustic"]),
    default="wire",
    show_default=True,
    help="Way in: a wire into the preamp's input capacitor, or a loudspeaker.",
)


@main.command(
    "bench-signals",
    short_help="Write what to play to a soldered board, and what it should show.",
    epilog="\b\nExamples:\n  envlab bench-signals mine.toml --out bench\n"
    "  envlab bench-signals mine.toml --way acoustic --out bench-by-air",
)
@design_argument
@way_option
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("bench"),
    show_default=True,
    help="Folder for the files.",
)
@force_option
@quiet_option
def bench_signals(design: Path | None, way: str, out: Path, force: bool) -> None:
    """Write bench_signal.wav for DESIGN, a tuning tone, and a sheet as HTML and text.

    The sheet says how to connect things, and what preamp (V), converter pin (V) and reading (counts) should
    show, with the limits that the parts' tolerances give. Loud sound harms hearing: read its caution first.
    """
    from envlab.bench.signals.program import tuning_tone_wav
    from envlab.bench.signals.sheet import bench_sheet
    from envlab.files.whole import check_folder, write_folder
    from envlab.report.bench_sheet import (
        LOUDNESS,
        SHEET_NAMES,
        TONE_NAME,
        WAV_NAME,
        sheet_html,
        sheet_text,
        what_to_do,
    )
    from envlab.shipped import demo_design
    from envlab.study.specification.specification import read_specification

    check_folder(out, force=force)
    specification = read_specification(design or demo_design())
    sheet = bench_sheet(specification.chain, way, specification.tolerance)
    files = {
        WAV_NAME: sheet.program.wav_bytes(),
        TONE_NAME: tuning_tone_wav(),
        SHEET_NAMES[0]: sheet_html(sheet).encode(),
        SHEET_NAMES[1]: sheet_text(sheet).encode(),
    }
    write_folder(out, files, replaces=tuple(files))
    note(LOUDNESS)
    for step in what_to_do(sheet):
        say(step)
    say(f"{len(files)} files are in {out}; {sheet.program.duration_s:.1f} s of signal.")


@main.command(
    short_help="Record a board's readings from a serial port.",
    epilog="\b\nExample:\n  envlab capture mine.toml --port /dev/ttyUSB0 --seconds 30 --out board1.csv",
)
@design_argument
@click.option("--port", required=True, help="The serial port, as /dev/ttyUSB0 or COM3.")
@click.option("--baud", type=int, default=115_200, show_default=True, help="Bits a second of the port.")
@click.option("--seconds", type=float, help="How long.  [default: the bench signal and 10 s]")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("capture.csv"),
    show_default=True,
    help="CSV of the counts.",
)
@force_option
@quiet_option
def capture(design: Path | None, port: str, baud: int, seconds: float | None, out: Path, force: bool) -> None:
    """Record the readings (counts) of DESIGN's board for some seconds (s), or until Ctrl-C.

    The board sends the frames of the runtime's logger (envlab_log.h), or plain numbers, one a line. Lost and
    doubled frames are found and said. A plug that is pulled keeps what came, marked as partial.
    """
    from envlab.bench.captures.count_log import capture_of_stream
    from envlab.bench.captures.serial_port import record_serial
    from envlab.bench.captures.table_file import capture_text
    from envlab.bench.signals.program import bench_program
    from envlab.design_file import read_design
    from envlab.files.whole import write_whole
    from envlab.shipped import demo_design

    refuse_existing(out, force=force)
    chain = read_design(design or demo_design())
    wanted_s = bench_program(chain).duration_s + 10 if seconds is None else seconds
    with progress() as report:
        recorded = record_serial(port, wanted_s, baud, lambda share: report("Recording", share))
    found = capture_of_stream(
        recorded.stream, rate_hz=chain.adc.rate_hz, name=out.name, is_partial=bool(recorded.broke_off)
    )
    write_whole(out, capture_text(found).encode())
    if recorded.broke_off:
        note(f"{recorded.broke_off}; what came until then is kept, marked as partial")
    for text in found.notes:
        note(text)
    say(
        f"{found.values.size} readings, {found.duration_s:.1f} s at {found.typical_rate_hz:g} Hz, "
        f"are in {out}."
    )


@main.command(
    "check-board",
    short_help="Hold a capture of a board against its design.",
    epilog="\b\nExamples:\n  envlab check-board mine.toml board1.csv\n"
    "  envlab check-board mine.toml scope.csv --column CH2 --out checked.csv",
)
@click.argument("design", type=click.Path(path_type=Path))
@click.argument("captured", metavar="CAPTURE", type=click.Path(path_type=Path))
@way_option
@click.option("--column", help="Heading or number of the column to take, of several.")
@click.option("--rate", "rate_hz", type=float, help="Values a second, Hz, where the file has no times.")
@click.option("--full-scale", "full_scale_v", type=float, metavar="V", help="Of a WAV: volts at full scale.")
@click.option("--out", type=click.Path(path_type=Path), help="CSV of measured beside simulated (V, counts).")
@force_option
@quiet_option
def check_board(
    design: Path,
    captured: Path,
    way: str,
    column: str | None,
    rate_hz: float | None,
    full_scale_v: float | None,
    out: Path | None,
    force: bool,
) -> None:
    """Say whether the board that made CAPTURE is what DESIGN says, and if not, what is likely wrong.

    CAPTURE: CSV with time_s,counts or volts, a table of an oscilloscope, a log of counts, or a WAV, made
    while
    bench_signal.wav played. Fitted: gain (dB), Ra·C and Rr·C (ms), offset and noise (counts), dead zone (mV),
    each with an interval of 95 %. Status 4 if the board is not within its tolerances.
    """
    from envlab.bench.captures.files import read_capture
    from envlab.bench.check import BoardChecker
    from envlab.bench.compare import comparison_csv
    from envlab.bench.signals.expected_boards import boards_within
    from envlab.bench.words import check_sentences
    from envlab.files.whole import write_whole
    from envlab.study.specification.specification import read_specification

    if out is not None:
        refuse_existing(out, force=force)
    if not captured.exists():
        raise FileError(f"{captured}: no such file")
    specification = read_specification(design)
    chain = specification.chain
    found = read_capture(
        captured, default_rate_hz=chain.adc.rate_hz, column=column, rate_hz=rate_hz, full_scale_v=full_scale_v
    )
    checker = BoardChecker(chain, way, boards_within(chain, way, specification.tolerance))
    check = checker.check(found)
    for sentence in check_sentences(check):
        # The table below shows it.
        if sentence.kind != "outside":
            say(sentence.text)
    if check.comparisons:
        say()
        say_lines("measured beside simulated, and the limits of the tolerances")
        for one in check.comparisons:
            mark = "ok" if one.passes else "OUTSIDE"
            say_lines(
                f"{one.metric:32}{one.measured:9.1f}{one.simulated:9.1f}{one.low:9.1f}{one.high:9.1f}"
                f" {one.unit:7}{mark}"
            )
    if out is not None:
        write_whole(out, comparison_csv(check.comparisons).encode())
        say(f"The table is in {out}.")
    if not check.passes:
        raise click.exceptions.Exit(NOT_WITHIN_EXIT)

"""The verbs behind check-board: fit-board, trim-boards, night-after."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING

import click

from envlab.cli.bench import way_option
from envlab.cli.group import main
from envlab.cli.options import force_option, level_option, quiet_option, refuse_existing
from envlab.cli.saying import note, say, say_lines
from envlab.errors import FileError, ParameterError
from envlab.sound.level_text import StatedLevel
from envlab.units import parse_value

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_PICTURE = "File for the picture: .png, .svg or .pdf."


# Fitted all the same; a street's.
_ANY_DB_SPL = 92.0


def _write_picture(fig: Figure, picture: Path) -> None:
    from envlab.files.whole import write_whole
    from envlab.plot.export import png_bytes

    if picture.suffix == ".png":
        write_whole(picture, png_bytes(fig))
        return
    buffer = io.BytesIO()
    fig.savefig(buffer, format=picture.suffix[1:])
    write_whole(picture, buffer.getvalue())


def _picture_file(picture: Path | None, *, force: bool) -> None:
    if picture is None:
        return
    if picture.suffix not in (".png", ".svg", ".pdf"):
        raise FileError(f"{picture}: a picture ends in .png, .svg or .pdf")
    refuse_existing(picture, force=force)


@main.command(
    "fit-board",
    short_help="Write a captured board as a design file.",
    epilog="\b\nExamples:\n  envlab fit-board mine.toml board1.csv --out board1.toml\n"
    "  envlab fit-board mine.toml a.csv --second b.csv --known 100k --out a.toml",
)
@click.argument("design", type=click.Path(path_type=Path))
@click.argument("captured", metavar="CAPTURE", type=click.Path(path_type=Path))
@way_option
@click.option(
    "--second",
    type=click.Path(path_type=Path),
    help="Capture with a known resistor across the hold capacitor.",
)
@click.option("--known", metavar="OHM", help="That resistor, as in 100k; best as a multimeter reads it.")
@click.option(
    "--known-percent",
    type=float,
    default=1.0,
    show_default=True,
    help="How far the known resistor may be off, %.",
)
@click.option("--out", type=click.Path(path_type=Path), required=True, help="The board's design file.")
@click.option("--picture", type=click.Path(path_type=Path), help=_PICTURE)
@force_option
@quiet_option
def fit_board_verb(
    design: Path,
    captured: Path,
    way: str,
    second: Path | None,
    known: str | None,
    known_percent: float,
    out: Path,
    picture: Path | None,
    force: bool,
) -> None:
    """Write the board that made CAPTURE as a design file, so that every verb speaks of the board that exists.

    Without --second the resistors take what Ra·C and Rr·C (s) are off; with it capacitor (F) and resistors
    (Ω) are told apart. A board with a fault that no design file can hold is refused.
    """
    from envlab.bench.boards.fitted_design import design_of_board, fitted_design_text
    from envlab.bench.boards.hold_resistor import fit_with_resistor, parts_alone, proposed_resistor
    from envlab.bench.captures.files import read_capture
    from envlab.bench.check import BoardChecker
    from envlab.bench.signals.expected_boards import boards_within
    from envlab.errors import EnvlabError
    from envlab.files.tables import source_text
    from envlab.files.whole import write_whole
    from envlab.study.specification.specification import read_specification
    from envlab.units import format_value

    refuse_existing(out, force=force)
    _picture_file(picture, force=force)
    if (second is None) != (known is None):
        raise FileError("--second and --known go together: a capture, and the resistor that lay across")
    specification = read_specification(design)
    chain = specification.chain
    known_ohm = None if known is None else parse_value(known, "ohm", name="--known")
    checker = BoardChecker(chain, way, boards_within(chain, way, specification.tolerance))
    found = read_capture(captured, default_rate_hz=chain.adc.rate_hz)
    check = checker.check(found)
    if check.fitted is None:
        raise EnvlabError(f"{captured}: {check.ranking.verdict}; nothing can be fitted, mend the board first")
    parts = None
    if second is not None and known_ohm is not None:
        loaded = read_capture(second, default_rate_hz=chain.adc.rate_hz)
        again = fit_with_resistor(loaded, checker.model, check.fitted, known_ohm)
        parts = parts_alone(check.fitted, again, known_ohm, known_percent)
    board = design_of_board(chain, check.fitted, way, parts)
    write_whole(out, fitted_design_text(source_text(design), board, captured.name, way).encode())
    if picture is not None:
        from envlab.plot.bench.board import board_sheet

        _write_picture(board_sheet(found, check), picture)
    say_lines(f"likeliest: {check.ranking.verdict}")
    for name, words in board.said.items():
        say_lines(f"{name}: {words}")
    for sentence in board.left:
        note(sentence)
    if parts is None:
        ohm = format_value(proposed_resistor(chain), "ohm") if hasattr(chain.detector, "release_ohm") else ""
        if ohm:
            say(f"To tell capacitor from resistors: {ohm} across the hold capacitor, and a second capture.")
    say(f"The board's design is in {out}.")


@main.command(
    "trim-boards",
    short_help="Two words for each of many boards, and what they buy.",
    epilog="\b\nExample:\n  envlab trim-boards mine.toml fifty.csv --out trims",
)
@click.argument("design", type=click.Path(path_type=Path))
@click.argument("readings", type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("trims"),
    show_default=True,
    help="Folder for the headers.",
)
@click.option("--no-yield", is_flag=True, help="Do not simulate what the trims buy.")
@force_option
@quiet_option
def trim_boards(design: Path, readings: Path, out: Path, no_yield: bool, force: bool) -> None:
    """Make a C header for each board of READINGS, so that one table fits them all.

    READINGS: a CSV with serial, silence_counts and one or two columns like counts_at_92_db_spl (1 kHz at the
    microphone) or counts_at_0.005_v (by wire, V rms at the input capacitor). Says how many boards meet every
    target of DESIGN as they are, and trimmed.
    """
    from envlab.bench.boards.trim import read_boards, trim_of
    from envlab.bench.boards.trim_header import trim_file_name, trim_header, trims_csv
    from envlab.bench.boards.trim_yield import NotFollowedError, yield_as_read
    from envlab.board_firmware import runtime_design
    from envlab.design_file import digest
    from envlab.files.whole import check_folder, write_folder
    from envlab.firmware.export import mark_of
    from envlab.study.specification.specification import read_specification

    check_folder(out, force=force)
    specification = read_specification(design)
    chain = specification.chain
    boards = read_boards(readings, chain)
    trims = [trim_of(chain, one) for one in boards]
    mark = mark_of(runtime_design(chain, level=chain.firmware.level), design_digest=digest(chain))
    files = {trim_file_name(one.serial): trim_header(one, mark).encode() for one in trims if one.is_usable}
    files["trims.csv"] = trims_csv(trims).encode()
    write_folder(out, files, replaces=tuple(files))
    for one in trims:
        if one.problem:
            note(f"board {one.serial}: {one.problem}")
    usable = [one for one in trims if one.is_usable]
    if usable and not no_yield and specification.clips:
        try:
            say(yield_as_read(specification, usable).words)
        except NotFollowedError as problem:
            note(f"what the trims buy is not judged: {problem}")
    say(f"{len(usable)} of {len(trims)} boards have a trim, in {out}.")


@main.command(
    "night-after",
    short_help="Hold a board's log of a song against a recording of it.",
    epilog="\b\nExample:\n  envlab night-after mine.toml phone.wav night.log --picture night.png",
)
@click.argument("design", type=click.Path(path_type=Path))
@click.argument("recording", type=click.Path(path_type=Path))
@click.argument("log", type=click.Path(path_type=Path))
@level_option
@click.option("--out", type=click.Path(path_type=Path), help="CSV of both traces (s, counts).")
@click.option("--picture", type=click.Path(path_type=Path), help=_PICTURE)
@force_option
@quiet_option
def night_after_verb(
    design: Path,
    recording: Path,
    log: Path,
    level: StatedLevel | None,
    out: Path | None,
    picture: Path | None,
    force: bool,
) -> None:
    """Say what is left (dB) between a board's LOG of a song and DESIGN playing a RECORDING of it, and why.

    The recording's level (dB SPL) need not be known: it is fitted. At most 180 s.
    """
    from envlab.bench.captures.files import read_capture
    from envlab.bench.night.night import check_length, night_after, night_csv
    from envlab.design_file import read_design
    from envlab.files.whole import write_whole
    from envlab.sound.clip import Clip
    from envlab.sound.decode import look_into

    if out is not None:
        refuse_existing(out, force=force)
    _picture_file(picture, force=force)
    chain = read_design(design)
    if not recording.is_file():
        raise FileError(f"{recording}: no such file")
    level_db, weighting = level or (_ANY_DB_SPL, None)
    try:
        file = look_into(recording)
        # Before it is held: a whole night would take gigabytes.
        check_length(file.stated_samples / file.sample_rate_hz)
        song = Clip(recording, level_db, (), weighting or "Z").recording()
    except ParameterError as problem:
        raise FileError(f"{recording}: {problem}") from None
    found = night_after(chain, song, read_capture(log, default_rate_hz=chain.adc.rate_hz))
    for sentence in found.words:
        say(sentence)
    if out is not None:
        write_whole(out, night_csv(found).encode())
    if picture is not None:
        from envlab.plot.bench.night import night_sheet

        _write_picture(night_sheet(found), picture)

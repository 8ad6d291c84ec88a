"""The verb for the moment before fifty boards are ordered: tolerance."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from envlab.cli.group import FLASHING_EXIT, main
from envlab.cli.options import (
    asked_specification,
    clip_option,
    design_argument,
    force_option,
    level_option,
    quiet_option,
    refuse_existing,
)
from envlab.cli.recorders import note_recorders
from envlab.cli.saying import counted, progress, say
from envlab.errors import FileError
from envlab.sound.level_text import StatedLevel

if TYPE_CHECKING:
    from envlab.study.tolerance.result import ToleranceResult


@main.command(
    short_help="Simulate many boards of one design: yield, causes.",
    epilog="\b\nExamples:\n  envlab tolerance my-night/design.toml\n"
    "  envlab tolerance mine.toml --boards 5000 --out all.csv --picture all.png",
)
@design_argument
@clip_option
@level_option
@click.option(
    "--boards", type=int, metavar="N", help="How many boards.  [default: what the design file says]"
)
@click.option("--out", type=click.Path(path_type=Path), help="File for the boards: .csv or .parquet.")
@click.option("--picture", type=click.Path(path_type=Path), help="File for the picture: .png, .svg or .pdf.")
@force_option
@quiet_option
def tolerance(
    design: Path | None,
    clip: Path | None,
    level: StatedLevel | None,
    boards: int | None,
    out: Path | None,
    picture: Path | None,
    force: bool,
) -> None:
    """Simulate many boards of DESIGN, each part somewhere within its tolerance: who meets the targets?

    The parts are those that stand in DESIGN, as in the design.toml that envlab design writes; what it sweeps
    is not swept. Section [tolerance] says how far boards may lie apart. Says what share of boards meets each
    target, what an order of 50 brings, which part to buy tighter, and the worst cases. With --out, one
    row a board: deviations and metrics, units in the column names. Ends with status 3 if the design itself
    does not keep the flash limit, with status 4 if no clip can show whether it does.
    """
    from envlab.files.whole import write_whole
    from envlab.report.tables import check_ending, table_bytes
    from envlab.study.tolerance.tolerance import tolerance as many_boards

    specification = asked_specification(design, clip, level)
    if out is not None:
        check_ending(out)
    if picture is not None and picture.suffix not in (".png", ".svg", ".pdf"):
        raise FileError(f"{picture}: a picture ends in .png, .svg or .pdf")
    for file in (out, picture):
        if file is not None:
            refuse_existing(file, force=force)
    tolerances = (
        specification.tolerance if boards is None else replace(specification.tolerance, boards=boards)
    )
    with progress() as report:
        note_recorders(specification.clips, report)
        result = many_boards(specification, tolerances=tolerances, progress=report)
    if out is not None:
        write_whole(out, table_bytes(result.boards, out))
    if picture is not None:
        write_whole(picture, _drawn(result, picture.suffix))
    for line in result.words:
        say(line)
    if out is not None:
        say()
        say(f"{counted(len(result.boards), 'board')}, in {out}.")
    if result.targets["nominal"].iloc[0] > result.targets["limit"].iloc[0]:
        raise click.exceptions.Exit(FLASHING_EXIT)


def _drawn(result: ToleranceResult, suffix: str) -> bytes:
    import io

    from envlab.plot.sweep.tolerance import tolerance_sheet

    whole = io.BytesIO()
    tolerance_sheet(result).savefig(whole, format=suffix[1:], dpi=150, facecolor="white")
    return whole.getvalue()

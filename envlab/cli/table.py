"""The verb for the way into the firmware: table."""

from __future__ import annotations

from pathlib import Path

import click

from envlab.cli.group import main
from envlab.cli.options import design_argument, force_option, quiet_option
from envlab.cli.saying import say


@main.command(
    short_help="Write table and C code for the microcontroller.",
    epilog="\b\nExamples:\n  envlab table mine.toml --out firmware\n"
    "  envlab table mine.toml --sensitivity steps --out with-a-button\n"
    "  envlab table mine.toml --project --out yoke",
)
@design_argument
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("firmware"),
    show_default=True,
    help="Folder for the files.",
)
@click.option("--identifier", default="brightness_table", show_default=True, help="Name of the C array.")
@click.option(
    "--sensitivity",
    type=click.Choice(["fixed", "steps", "automatic"]),
    default="fixed",
    show_default=True,
    help="What moves floor and ceiling in the field: nothing, a button in 3 dB steps, or the music.",
)
@click.option(
    "--project", is_flag=True, help="Write a whole program as well, with CMake, that builds as it is."
)
@force_option
@quiet_option
def table(
    design: Path | None, out: Path, identifier: str, sensitivity: str, project: bool, force: bool
) -> None:
    """Write what goes to the microcontroller: DESIGN's brightness table, and a runtime that feeds it.

    The table comes as C header, CSV, JSON and raw bytes (little-endian): index envelope counts above
    quiescent, values duty codes of the pixel's depth, scaled by the supply's duty limit; beside it the same
    up to full duty, for use with the limiter per frame. The runtime is C99: follower, level, gate, look-up
    and frame limiter, with the design's numbers in envlab_parameters.h and envlab_table.h. Where the design
    has a follower that the runtime lacks, the tables come alone.
    """
    from envlab.board_firmware.folder import FIRMWARE_NAMES, firmware_folder, firmware_words
    from envlab.design_file import read_design
    from envlab.digital.auto_level import AutoLevel, OffsetSteps
    from envlab.report.folder import check_folder, write_folder
    from envlab.shipped import demo_design

    chain = read_design(design or demo_design())
    check_folder(out, force=force)
    level = {"fixed": None, "steps": OffsetSteps(), "automatic": AutoLevel()}[sensitivity]
    files = firmware_folder(chain, identifier, level, project=project)
    write_folder(out, files, replaces=FIRMWARE_NAMES)
    for line in firmware_words(chain, level):
        say(line)
    say()
    say(f"{len(files)} files are in {out}.")

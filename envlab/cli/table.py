"""The verb for the way into the firmware: table."""

from __future__ import annotations

from pathlib import Path

import click

from envlab.cli.exported import exit_of_refusal, refuse, say_results, say_sentences
from envlab.cli.group import main
from envlab.cli.options import (
    accept_option,
    design_argument,
    force_option,
    quiet_option,
    sensitivity_option,
)
from envlab.cli.saying import progress, say


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
@sensitivity_option
@accept_option
@click.option(
    "--project", is_flag=True, help="Write a whole program as well, with CMake, that builds as it is."
)
@force_option
@quiet_option
def table(
    design: Path | None,
    out: Path,
    identifier: str,
    sensitivity: str | None,
    accept_misses: bool,
    project: bool,
    force: bool,
) -> None:
    """Write what goes to the microcontroller: DESIGN's brightness table, and a runtime that feeds it.

    The table comes as C header, CSV, JSON and raw bytes (little-endian): index envelope counts above
    quiescent, values duty codes of the pixel's depth, scaled by the supply's duty limit; beside it the same
    up to full duty, for use with the limiter per frame; of a design with a colour also its three channels, as
    IDENTIFIER_rgb. The runtime is C99: follower, level, gate, look-up
    and frame limiter, with the design's numbers in envlab_parameters.h and envlab_table.h. Where the design
    has a follower that the runtime lacks, the tables come alone.

    What is exported is first played on the design's clips, from power-up, after a quiet minute and after a
    shout. If it breaks a target it is refused: status 3 for too many flashes, judged without the guard. A
    design without clips is exported, and said not to be judged.
    """
    from envlab.board_firmware.folder import (
        FIRMWARE_NAMES,
        check_table_name,
        firmware_folder,
        firmware_words,
    )
    from envlab.files.whole import check_folder, claimed, write_folder
    from envlab.shipped import demo_design
    from envlab.study.exported.judgement import judge_exported
    from envlab.study.exported.words import sentences
    from envlab.study.specification.specification import read_specification, with_sensitivity

    specification = with_sensitivity(read_specification(design or demo_design()), sensitivity)
    chain = specification.chain
    check_table_name(chain, identifier)
    click.get_current_context().with_resource(claimed(out))
    check_folder(out, force=force)
    asked, guard = chain.firmware.sensitivity, chain.firmware.is_guarded
    files = firmware_folder(chain, identifier, chain.firmware.level, project=project)
    with progress() as report:
        judgement = judge_exported(
            specification, chain, (asked,), progress=lambda share: report("Playing the clips", share)
        )
    say_sentences(sentences(judgement, asked, guard=guard))
    if judgement.is_judged:
        say()
        say_results(judgement.of("none" if judgement.no_runtime else asked))
    status = exit_of_refusal(judgement, asked, guard=guard, accept=accept_misses)
    refuse(status, "nothing was exported", guard=guard)
    write_folder(out, files, replaces=FIRMWARE_NAMES)
    say()
    for line in firmware_words(chain, chain.firmware.level):
        say(line)
    say()
    say(f"{len(files)} files are in {out}.")

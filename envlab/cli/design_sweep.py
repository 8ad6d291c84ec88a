"""Verbs for the moment before the board is ordered: design, sweep."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from envlab.cli.exported import exit_of_refusal, refuse, say_results, say_sentences
from envlab.cli.group import FLASHING_EXIT, INTERRUPTED_EXIT, NOT_JUDGED_EXIT, main
from envlab.cli.options import (
    accept_option,
    asked_specification,
    clip_option,
    design_argument,
    force_option,
    level_option,
    quiet_option,
    refuse_existing,
    sensitivity_option,
)
from envlab.cli.recorders import note_recorders
from envlab.cli.saying import counted, progress, say, say_meanwhile, say_verdicts
from envlab.files.second_process import SecondProcess
from envlab.sound.level_text import StatedLevel

if TYPE_CHECKING:
    import pandas as pd

    from envlab.study.exported.judgement import ExportedJudgement
    from envlab.study.layouts.comparison import LayoutComparison
    from envlab.study.specification.specification import Specification
    from envlab.study.sweep.choice import Choice
    from envlab.study.tolerance.result import ToleranceResult


# Clips up to this length together are heard in a second process, too.
_SHORT_S = 900.0


@main.command(
    short_help="Choose the parts, say why, write report and table.",
    epilog="\b\nExamples:\n  envlab design\n  envlab design --demo garden-moon\n"
    "  envlab design mine.toml --clip song.flac --level 95 --out my-night",
)
@design_argument
@clip_option
@level_option
@click.option(
    "--out", type=click.Path(path_type=Path), help="Folder for the results.  [default: name of the design]"
)
@sensitivity_option
@accept_option
@click.option("--pdf/--no-pdf", default=True, help="Print the report as PDF too, where a browser is at hand.")
@force_option
@quiet_option
def design(
    design: Path | None,
    clip: Path | None,
    level: StatedLevel | None,
    out: Path | None,
    sensitivity: str | None,
    accept_misses: bool,
    pdf: bool,
    force: bool,
) -> None:
    """Choose parts: sweep them over the clips of DESIGN, judge, explain, and write a folder of results.

    DESIGN is a design file (TOML); without it, the lantern parade or what --demo names. With --clip, that
    recording takes the place of the design's clips. Writes design.toml, parts.csv, schematic.svg and .png,
    candidates.csv (units in the column names), brightness_table.h and .csv (duty codes), report.html, and
    report.pdf if a browser is on PATH. Boards of the best candidates are tried, parts a little off, before
    one is chosen. Ends with status 3, and without a table, if no candidate keeps the flash limit; then it
    says what would. Ends with status 4, and without a table, if no clip can show how often the lights flash:
    all are silent, or too short.

    What feeds the board is judged on the clips: current against limit and margin, the pixels' pulses, the
    rail and the controller's brown-out, hours, the last pixel, the lights into the microphone; of a design
    with a colour its red flashes, too, and its channels' tables are written. What a design does not state is
    taken, and named.

    The choice's firmware is then played at each sensitivity: from power-up, after a quiet minute, after a
    shout. Without a table it ends if the sensitivity of DESIGN breaks a target, with status 3 for flashes.
    """
    from envlab.files.whole import check_folder, claimed, write_folder
    from envlab.report.beside import Beside
    from envlab.study.specification.specification import with_sensitivity
    from envlab.study.sweep.choice import choose
    from envlab.study.sweep.robustness import robust_choice

    specification = with_sensitivity(asked_specification(design, clip, level), sensitivity)
    firmware = specification.chain.firmware
    asked, guard = firmware.sensitivity, firmware.is_guarded
    folder = out or Path(Path(specification.name).stem.replace("_", "-"))
    click.get_current_context().with_resource(claimed(folder))
    check_folder(folder, force=force)
    with progress() as report, SecondProcess(at_hand=_is_short(specification, report)) as second:
        beside = Beside(second, specification)
        note_recorders(specification.clips, report)
        table = _swept(specification, report)
        report("Choosing", math.nan)
        choice = robust_choice(
            choose(table, specification), specification,
            progress=report, foreseen=beside.foresee, chosen=beside.choose,
        )  # fmt: skip
        tolerance = beside.tolerance_of(choice)
        # What draws is loaded when it is needed: who leads the sweep is known half a second earlier.
        from envlab.plot.schematic.schematic import schematic_files
        from envlab.report.folder import RESULTS, result_files
        from envlab.report.page import page_and_verdicts
        from envlab.report.pdf import report_pdf
        from envlab.report.pictures import pictures_of_parts

        on_clips = beside.pictures_on_clips(choice)
        circuit, drawing = schematic_files(choice.chain), partial(report, "Drawing the report")
        boards = beside.boards(tolerance, report)
        pictures = pictures_of_parts(specification, choice, boards, circuit_svg=circuit.svg, progress=drawing)
        judgement, layouts, lights = beside.played(report)
        status = exit_of_refusal(judgement, asked, guard=guard, accept=accept_misses)
        others, power = beside.drawn(on_clips, report)
        page, power, colour = page_and_verdicts(
            specification, choice, boards, judgement, layouts, lights, drawn=(pictures | others, power)
        )
        status = FLASHING_EXIT if colour is not None and not colour.keeps else status
        may_be_worn = choice.flash_safe and not status
        files = result_files(specification, choice, folder, page, circuit, with_table=may_be_worn)
        write_folder(folder, files, replaces=RESULTS)
    _say_findings(choice, boards, judgement, layouts, asked, guard=guard)
    say()
    say_verdicts(power, colour)
    say()
    # A browser takes a while to print, and all that there is to say is known.
    with progress() as report:
        report("Printing the PDF", math.nan)
        printed = pdf and report_pdf(folder / "report.html", folder / "report.pdf")
    _say_where(folder, choice, asked_pdf=pdf, printed=printed)
    if not choice.flash_safe:
        raise click.exceptions.Exit(FLASHING_EXIT if choice.flashes_judged else NOT_JUDGED_EXIT)
    refuse(status, "no brightness table was written", guard=guard)


def _is_short(specification: Specification, report: Callable[[str, float], None]) -> bool:
    """Whether a second process that hears the clips too takes no memory to speak of."""
    return sum(sound.duration_s for sound in specification.sounds_told(report)) < _SHORT_S


def _say_findings(
    choice: Choice,
    boards: ToleranceResult | None,
    judgement: ExportedJudgement,
    layouts: LayoutComparison,
    asked: str,
    *,
    guard: bool,
) -> None:
    """Say what was chosen and why, what the firmware shows, and which layouts the numbers favour."""
    from envlab.study.exported.words import sentences
    from envlab.study.sentences import of_kind, texts
    from envlab.study.tolerance.words import IN_SHORT

    for line in (*choice.words, *(texts(of_kind(boards.sentences, *IN_SHORT)) if boards else ())):
        say(line)
    if boards is None and choice.flash_safe:
        say("Many boards were not simulated, as it would take minutes: envlab tolerance does it.")
    say()
    say_sentences(sentences(judgement, asked, guard=guard))
    if judgement.is_judged:
        say()
        say_results(judgement.results)
    if layouts.figures:
        say()
        say_sentences(of_kind(layouts.sentences, "layouts_over", "layouts_near", "layouts_far"))


def _say_where(folder: Path, choice: Choice, *, asked_pdf: bool, printed: bool) -> None:
    say(f"Results are in {folder}{_missing(choice)}. Open {folder / 'report.html'} first.")
    if asked_pdf and not printed:
        say("There is no report.pdf: no browser was found that prints; your own can print report.html.")


def _swept(specification: Specification, report: Callable[[str, float], None]) -> pd.DataFrame:
    """Sweep; say who leads as soon as a fifth of the sound has been heard, and when all has."""
    from envlab.study.sweep.leaders import leaders
    from envlab.study.sweep.sweep import sweep

    lengths = [sound.duration_s for sound in specification.sounds]
    first = next(count for count in range(1, len(lengths) + 1) if sum(lengths[:count]) >= 0.2 * sum(lengths))

    def so_far(table: pd.DataFrame, clips: int) -> None:
        if specification.ranges and clips in (first, len(lengths)):
            say_meanwhile(leaders(table, specification, clips).text)

    table = sweep(specification, progress=report, so_far=so_far)
    so_far(table, len(lengths))
    return table


def _missing(choice: Choice) -> str:
    """What is not among the results, and why."""
    if choice.flash_safe:
        return ""
    why = "the flash limit is not kept" if choice.flashes_judged else "flashes were not judged"
    return f" (no brightness table: {why})"


@main.command(
    short_help="Write every candidate with every metric.",
    epilog="\b\nExamples:\n  envlab sweep mine.toml --out candidates.parquet\n"
    "  envlab sweep --clip song.flac --level 95 --out song.csv",
)
@design_argument
@clip_option
@level_option
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("candidates.csv"),
    show_default=True,
    help="File for the results: .csv or .parquet.",
)
@click.option(
    "--most", type=click.IntRange(1), default=200_000, show_default=True, help="Refuse more candidates."
)
@force_option
@quiet_option
def sweep(
    design: Path | None, clip: Path | None, level: StatedLevel | None, out: Path, most: int, force: bool
) -> None:
    """Try every candidate of DESIGN on every clip: one row each, every metric, as .csv or .parquet.

    Units stand in the column names; rank 1 is the best. Interrupted (Ctrl-C), it keeps the clips that are
    done beside the result, and goes on from there when the same question is asked again.
    """
    from envlab.files.whole import claimed, write_whole
    from envlab.report.tables import check_ending, table_bytes
    from envlab.study.sweep.checkpoint import Checkpoint
    from envlab.study.sweep.not_judged import not_judged_column
    from envlab.study.sweep.ranking import rank_candidates
    from envlab.study.sweep.sweep import sweep as run_sweep

    specification = asked_specification(design, clip, level, most=most)
    refuse_existing(out, force=force)
    check_ending(out)
    click.get_current_context().with_resource(claimed(out))
    kept = out.with_name(out.name + ".partial")
    try:
        with progress() as report:
            table = run_sweep(specification, progress=report, checkpoint=kept, most=most)
    except KeyboardInterrupt:
        done = len(Checkpoint(kept, "").done())
        click.echo(f"Interrupted: {done} steps are kept in {kept}; ask again to go on from there.", err=True)
        raise click.exceptions.Exit(INTERRUPTED_EXIT) from None
    ranked = rank_candidates(table, specification).table
    said = ranked.assign(not_judged=not_judged_column(ranked, specification))
    write_whole(out, table_bytes(said, out))
    Checkpoint(kept, "").remove()
    say(f"{counted(len(table), 'candidate')} on {counted(len(specification.clips), 'clip')}, in {out}.")

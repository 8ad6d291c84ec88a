"""The command envlab: one verb for each thing that a maker does at the bench."""

from __future__ import annotations

import sys
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from envlab import __version__
from envlab.errors import EnvlabError, EnvlabWarning, FileError

if TYPE_CHECKING:
    from envlab.study.brief import Brief

FLASHING_EXIT = 3


class _Verbs(click.Group):
    """Turns every error that envlab raises on purpose into one line and a non-zero exit."""

    def invoke(self, ctx: click.Context) -> Any:
        with warnings.catch_warnings():
            warnings.showwarning = _show_warning
            warnings.simplefilter("always", EnvlabWarning)
            try:
                return super().invoke(ctx)
            except EnvlabError as problem:
                raise click.ClickException(str(problem)) from None
            except MemoryError:
                raise click.ClickException("out of memory; use a shorter clip or fewer candidates") from None


def _show_warning(message: Warning | str, *_: Any, **__: Any) -> None:
    click.echo(f"Note: {message}", err=True)


@click.group(cls=_Verbs, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80})
@click.version_option(__version__, prog_name="envlab")
def main() -> None:
    """Choose the parts of a microphone envelope detector, judge its lights, and export its brightness table.

    \b
    Example:  envlab design            (the lantern parade; writes lantern-parade/)
              envlab design mine.toml --clip song.flac --level 95 --out my-night
    """


_design_argument = click.argument("design", required=False, type=click.Path(path_type=Path))
_force = click.option("--force", is_flag=True, help="Replace results that are there already.")
_quiet = click.option("--quiet", is_flag=True, help="Say nothing but errors.")
_clip = click.option("--clip", type=click.Path(path_type=Path), help="A recording: WAV, FLAC, OGG or MP3.")
_level = click.option(
    "--level", "level_db_spl", type=float, help="How loud the clip is meant to be: Leq in dB SPL."
)


@main.command(
    epilog="\b\nExamples:\n  envlab design\n"
    "  envlab design mine.toml --clip song.flac --level 95 --out my-night"
)
@_design_argument
@_clip
@_level
@click.option(
    "--out", type=click.Path(path_type=Path), help="Folder for the results. [default: name of the design]"
)
@_force
@_quiet
def design(
    design: Path | None,
    clip: Path | None,
    level_db_spl: float | None,
    out: Path | None,
    force: bool,
    quiet: bool,
) -> None:
    """Choose parts: sweep them over the clips of DESIGN, judge, explain, and write a folder of results.

    DESIGN is a design file (TOML); without it, the lantern parade. With --clip, that recording takes the
    place of the design's clips. Writes design.toml, parts.csv, candidates.csv (units in the column names),
    brightness_table.h and .csv (duty codes), and report.html. Ends with status 3, and without a table, if
    no candidate keeps the flash limit; then it says what would.
    """
    from envlab.report.folder import check_folder, result_files, write_folder
    from envlab.report.page import report_html
    from envlab.study.choice import choose
    from envlab.study.flash_remedies import with_remedies
    from envlab.study.sweep import sweep

    brief = _brief(design, clip, level_db_spl)
    folder = out or Path(Path(brief.name).stem.replace("_", "-"))
    check_folder(folder, force=force)
    with _progress(quiet) as report:
        table = sweep(brief.chain, brief.ranges, brief.clips, judging=brief.judging, progress=report)
    choice = with_remedies(choose(table, brief), brief)
    write_folder(folder, result_files(brief, choice, folder, report_html(brief, choice)))
    if not quiet:
        _say_choice(choice.words, folder, out_of_limit=not choice.flash_safe)
    if not choice.flash_safe:
        raise click.exceptions.Exit(FLASHING_EXIT)


def _say_choice(words: tuple[str, ...], folder: Path, *, out_of_limit: bool) -> None:
    for line in words:
        click.echo(click.wrap_text(line, width=79, subsequent_indent="  "))
    missing = " (no brightness table: the flash limit is not kept)" if out_of_limit else ""
    click.echo(f"\nResults are in {folder}{missing}. Open {folder / 'report.html'} first.")


@main.command(epilog="\b\nExample:\n  envlab sweep mine.toml --out candidates.parquet")
@_design_argument
@_clip
@_level
@click.option("--out", type=click.Path(path_type=Path), default=Path("candidates.csv"), show_default=True)
@click.option(
    "--most", type=click.IntRange(1), default=200_000, show_default=True, help="Refuse more candidates."
)
@_force
@_quiet
def sweep(
    design: Path | None,
    clip: Path | None,
    level_db_spl: float | None,
    out: Path,
    most: int,
    force: bool,
    quiet: bool,
) -> None:
    """Try every candidate of DESIGN on every clip: one row each, every figure, as .csv or .parquet.

    Units stand in the column names; rank 1 is the best. Interrupted (Ctrl-C), it keeps the clips that are
    done beside the result, and goes on from there when the same question is asked again.
    """
    from envlab.firmware.atomic import write_whole
    from envlab.report.tables import check_ending, table_bytes
    from envlab.study.checkpoint import Checkpoint
    from envlab.study.choice import rank_candidates
    from envlab.study.sweep import sweep as run_sweep

    brief = _brief(design, clip, level_db_spl, most=most)
    if out.exists() and not force:
        raise FileError(f"{out}: exists already; give --force to replace it, or another --out")
    check_ending(out)
    kept = out.with_name(out.name + ".partial")
    try:
        with _progress(quiet) as report:
            table = run_sweep(
                brief.chain, brief.ranges, brief.clips,
                judging=brief.judging, progress=report, checkpoint=kept, most=most,
            )  # fmt: skip
    except KeyboardInterrupt:
        done = len(Checkpoint(kept, "").done())
        click.echo(f"Interrupted: {done} steps are kept in {kept}; ask again to go on from there.", err=True)
        raise click.exceptions.Exit(130) from None
    write_whole(out, table_bytes(rank_candidates(table, brief), out))
    Checkpoint(kept, "").remove()
    if not quiet:
        click.echo(f"{len(table)} candidates on {len(brief.clips)} clips, in {out}.")


@main.command(epilog="\b\nExample:\n  envlab simulate mine.toml --clip song.flac --level 92 --out nodes.csv")
@_design_argument
@_clip
@_level
@click.option("--out", type=click.Path(path_type=Path), default=Path("nodes.csv"), show_default=True)
@click.option("--noise/--no-noise", default=True, show_default=True, help="Microphone, preamp and ADC noise.")
@_force
@_quiet
def simulate(
    design: Path | None,
    clip: Path | None,
    level_db_spl: float | None,
    out: Path,
    noise: bool,
    force: bool,
    quiet: bool,
) -> None:
    """Run one design on one clip: a CSV of every node, one row per ADC reading.

    Columns: time_s, pressure_pa (Pa), microphone_v, preamp_v (V round its bias), rectified_v, detector_v (V
    at the ADC's ground), adc_counts, envelope_counts (counts), duty (share of full), lightness_lstar (L*).
    Without --clip, the first clip of the design is used. Then says how loud quiet and loud music are at each
    node, how far from noise and limits (rms volts of a 1 kHz sine), and what is wrong with the board.
    """
    import numpy as np

    from envlab.firmware.atomic import write_whole
    from envlab.study.level_diagram import level_diagram, stated_levels
    from envlab.study.nodes import nodes_at_readings

    brief = _brief(design, clip, level_db_spl)
    if not brief.clips:
        raise FileError(f"{brief.name}: has no clips; give one with --clip and --level")
    if out.exists() and not force:
        raise FileError(f"{out}: exists already; give --force to replace it, or another --out")
    first = brief.clips[0]
    rng = np.random.default_rng(brief.judging.seed) if noise else None
    with _progress(quiet) as report:
        nodes = nodes_at_readings(
            brief.chain, first.recording(), rng, lambda share: report(first.label, share)
        )
    write_whole(out, nodes.to_csv(index=False, float_format="%.7g", lineterminator="\n").encode())
    if not quiet:
        click.echo(
            f"{first.label}: {len(nodes)} rows, one per {1e3 / brief.chain.adc.rate_hz:g} ms, in {out}."
        )
        click.echo("\n" + "\n".join(level_diagram(brief.chain, *stated_levels(brief.clips)).lines()))
    for caution in brief.chain.cautions:
        click.echo(f"Note: {caution}", err=True)


@main.command(epilog="\b\nExample:\n  envlab table mine.toml --out firmware")
@_design_argument
@click.option("--out", type=click.Path(path_type=Path), default=Path("firmware"), show_default=True)
@click.option("--identifier", default="brightness_table", show_default=True, help="Name of the C array.")
@click.option(
    "--sensitivity",
    type=click.Choice(["fixed", "steps", "automatic"]),
    default="fixed",
    show_default=True,
    help="What moves floor and ceiling in the field: nothing, a button in 3 dB steps, or the music.",
)
@_force
@_quiet
def table(
    design: Path | None, out: Path, identifier: str, sensitivity: str, force: bool, quiet: bool
) -> None:
    """Write what goes to the microcontroller: DESIGN's brightness table, and a runtime that feeds it.

    The table comes as C header, CSV, JSON and raw bytes (little-endian): index envelope counts above rest,
    values duty codes of the pixel's depth, scaled by the supply's cap; beside it the same up to full duty,
    for use with the limiter per frame. The runtime is C99: follower, level, gate, look-up and frame limiter,
    with the design's numbers in envlab_parameters.h and envlab_table.h.
    """
    from envlab.design_file import read_design
    from envlab.digital.auto_level import AutoLevel, OffsetSteps
    from envlab.report.firmware_folder import firmware_folder, firmware_words
    from envlab.report.folder import check_folder, write_folder
    from envlab.shipped import demo_design

    chain = read_design(design or demo_design())
    check_folder(out, force=force)
    level = {"fixed": None, "steps": OffsetSteps(), "automatic": AutoLevel()}[sensitivity]
    files = firmware_folder(chain, identifier, level)
    write_folder(out, files)
    if not quiet:
        for line in firmware_words(chain, level):
            click.echo(click.wrap_text(line, width=79, subsequent_indent="  "))
        click.echo(f"\n{len(files)} files are in {out}.")


@main.command(epilog="\b\nExample:\n  envlab notebooks")
@click.option(
    "--folder",
    type=click.Path(path_type=Path),
    default=Path("envlab-notebooks"),
    show_default=True,
    help="Where your copies of the notebooks lie.",
)
def notebooks(folder: Path) -> None:
    """Open JupyterLab on copies of the notebooks, on this machine only, behind its token."""
    import shutil
    import subprocess

    from envlab.shipped import shipped_folder

    folder.mkdir(parents=True, exist_ok=True)
    for notebook in sorted(shipped_folder("notebooks").glob("*.ipynb")):
        if not (folder / notebook.name).exists():
            shutil.copyfile(notebook, folder / notebook.name)
    command = [sys.executable, "-m", "jupyterlab", "--ServerApp.ip=127.0.0.1", str(folder)]
    raise click.exceptions.Exit(subprocess.run(command, check=False).returncode)


def _brief(design: Path | None, clip: Path | None, level_db_spl: float | None, **limits: int) -> Brief:
    from envlab.shipped import demo_design
    from envlab.study.brief import read_brief

    if clip is None and level_db_spl is not None:
        raise FileError("--level is given without --clip; levels of the design's own clips stand in its file")
    if clip is not None and level_db_spl is None:
        raise FileError("--clip is given without --level; say how loud it is meant to be, as in --level 95")
    brief = read_brief(design or demo_design(), **limits)
    if clip is None or level_db_spl is None:
        return brief
    if not clip.is_file():
        raise FileError(f"{clip}: no such file")
    return brief.with_clip(clip, level_db_spl)


@contextmanager
def _progress(quiet: bool) -> Iterator[Callable[[str, float], None]]:
    """A progress line with time left on a terminal; on anything else nothing moves."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    console = Console(stderr=True, quiet=quiet)
    columns = (TextColumn("{task.description:<24.24}"), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=not console.is_terminal) as bar:
        task = bar.add_task("Compiling", total=1.0)

        def report(what: str, share: float) -> None:
            bar.update(task, description=what, completed=share)

        yield report


if __name__ == "__main__":
    main()

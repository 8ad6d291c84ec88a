"""Verbs for the moment before the night: simulate, notebooks."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from envlab.cli.group import main
from envlab.cli.options import (
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
from envlab.cli.saying import note, paint, progress, say, say_lines
from envlab.errors import FileError
from envlab.sound.level_text import StatedLevel

if TYPE_CHECKING:
    import pandas as pd

# Share of the time of simulate that playing takes; the rest writes numbers as text.
PLAYED = 0.5
# What leaves this machine if nobody says no: news, the search for a newer JupyterLab, its shop of extensions.
AT_HOME = (
    "--LabApp.news_url=None",
    "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
    "--LabApp.extension_manager=readonly",
)
# The first of these that came with this copy of envlab is open when JupyterLab comes up.
OPENED = ("02_audition.ipynb", "00_tour.ipynb", "01_choose_parts.ipynb")


@main.command(
    short_help="Run one board on one clip, see every node.",
    epilog="\b\nExample:\n  envlab simulate mine.toml --clip song.flac --level 92 --out nodes.csv",
)
@design_argument
@clip_option
@level_option
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("nodes.csv"),
    show_default=True,
    help="CSV file for the nodes.",
)
@sensitivity_option
@click.option("--noise/--no-noise", default=True, show_default=True, help="Microphone, preamp and ADC noise.")
@force_option
@quiet_option
def simulate(
    design: Path | None,
    clip: Path | None,
    level: StatedLevel | None,
    out: Path,
    sensitivity: str | None,
    noise: bool,
    force: bool,
) -> None:
    """Run one design on one clip: a CSV of every node, one row per ADC reading.

    Columns: time_s, pressure_pa (Pa), microphone_v, preamp_v (V round its bias), rectified_v, detector_v (V
    at the ADC's ground), adc_counts, envelope_counts (counts), duty (share of full), lightness_lstar (L*).
    Duty and L* are those of the exported firmware, on a board that has been on; where the runtime lacks the
    design's follower or depth, those of the table. Without --clip, the first clip of the design is used.
    Then says how loud quiet and loud music are at each node, how far from noise and limits (rms volts of a
    1 kHz sine), and what is wrong with the board.
    """
    import numpy as np

    from envlab.analog.adc import instant_count
    from envlab.engine.node_table import node_pieces
    from envlab.files.whole import write_pieces
    from envlab.study.exported.shown import light_as_worn
    from envlab.study.level_diagram import level_diagram, stated_levels
    from envlab.study.specification.specification import with_sensitivity

    specification = with_sensitivity(asked_specification(design, clip, level), sensitivity)
    refuse_existing(out, force=force)
    first = specification.clips[0]
    rng = np.random.default_rng(specification.judging.seed) if noise else None
    chain = specification.chain
    with progress() as report:
        note_recorders([first], report)
        sound = first.sound()
        rows = instant_count(sound.duration_s, chain.adc.rate_hz)
        pieces = node_pieces(
            chain, sound, rng, lambda share: report(first.label, PLAYED * share), light_as_worn(chain)
        )
        write_pieces(
            out, _csv_of(pieces, lambda done: report("Writing", PLAYED + (1 - PLAYED) * done / rows))
        )
    say(f"{first.label}: {rows} rows, one per {1e3 / chain.adc.rate_hz:g} ms, in {out}.")
    say()
    headline, *lines = level_diagram(specification.chain, *stated_levels(specification.clips)).lines()
    say_lines("\n".join((paint(headline, bold=True), *lines)))
    for caution in specification.chain.design_rule_warnings:
        note(caution)


def _csv_of(pieces: Iterator[pd.DataFrame], written: Callable[[int], None]) -> Iterator[bytes]:
    """Yield tables of nodes as one CSV; written: told how many rows have gone."""
    rows = 0
    for piece in pieces:
        yield piece.to_csv(index=False, header=not rows, float_format="%.7g", lineterminator="\n").encode()
        rows += len(piece)
        written(rows)


@main.command(
    short_help="Open JupyterLab: hear, see, turn the parts.",
    epilog="\b\nExamples:\n  envlab notebooks\n  envlab notebooks --folder my-notebooks\n"
    "  envlab notebooks -- --no-browser --port 9000",
)
@click.option(
    "--folder",
    type=click.Path(path_type=Path),
    default=Path("envlab-notebooks"),
    show_default=True,
    help="Where your copies of the notebooks lie.",
)
@quiet_option
@click.argument("words", metavar="[-- JUPYTERLAB'S OPTIONS]", nargs=-1)
def notebooks(folder: Path, words: tuple[str, ...]) -> None:
    """Open JupyterLab on copies of the notebooks, on this machine only, behind its token.

    It comes up with the audition: hear a recording, see the lights, turn the parts. The others lie beside
    it; 00_tour shows the whole way in five minutes. Copies that lie in the folder already are yours and stay
    as they are. What follows -- goes to JupyterLab. Ctrl-C, twice, ends it.
    """
    import subprocess

    copy_notebooks(folder)
    command = [sys.executable, "-m", "jupyterlab", "--ServerApp.ip=127.0.0.1", *AT_HOME]
    opened = [f"--LabApp.default_url=/lab/tree/{name}" for name in first_opened(folder)]
    raise click.exceptions.Exit(
        subprocess.run([*command, *opened, *words, str(folder)], check=False).returncode
    )


def copy_notebooks(folder: Path) -> None:
    """Copy the notebooks that came with envlab into a folder; what lies there already stays as it is."""
    import shutil

    from envlab.shipped import shipped_folder

    shipped = sorted(shipped_folder("notebooks").glob("*.ipynb"))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for notebook in shipped:
            if not (folder / notebook.name).exists():
                shutil.copyfile(notebook, folder / notebook.name)
    except OSError as problem:
        raise FileError(f"{folder}: notebooks cannot be copied there: {problem.strerror}") from None


def first_opened(folder: Path) -> tuple[str, ...]:
    """Return the name of the notebook that JupyterLab comes up with; none if the folder lacks them all."""
    return tuple(name for name in OPENED if (folder / name).is_file())[:1]

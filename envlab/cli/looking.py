"""Verbs for the moment before the night: simulate, notebooks."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from envlab.cli.group import main
from envlab.cli.options import (
    asked_brief,
    clip_option,
    design_argument,
    force_option,
    level_option,
    quiet_option,
    refuse_existing,
)
from envlab.cli.saying import note, progress, say, say_lines
from envlab.errors import FileError

# The first of these that came with this copy of envlab is open when JupyterLab comes up.
OPENED = ("02_audition.ipynb", "00_tour.ipynb", "01_choose_parts.ipynb")


@main.command(epilog="\b\nExample:\n  envlab simulate mine.toml --clip song.flac --level 92 --out nodes.csv")
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
@click.option("--noise/--no-noise", default=True, show_default=True, help="Microphone, preamp and ADC noise.")
@force_option
@quiet_option
def simulate(
    design: Path | None, clip: Path | None, level_db_spl: float | None, out: Path, noise: bool, force: bool
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

    brief = asked_brief(design, clip, level_db_spl)
    if not brief.clips:
        raise FileError(f"{brief.name}: has no clips; give one with --clip and --level")
    refuse_existing(out, force=force)
    first = brief.clips[0]
    rng = np.random.default_rng(brief.judging.seed) if noise else None
    with progress() as report:
        nodes = nodes_at_readings(
            brief.chain, first.recording(), rng, lambda share: report(first.label, share)
        )
    write_whole(out, nodes.to_csv(index=False, float_format="%.7g", lineterminator="\n").encode())
    say(f"{first.label}: {len(nodes)} rows, one per {1e3 / brief.chain.adc.rate_hz:g} ms, in {out}.")
    say()
    say_lines("\n".join(level_diagram(brief.chain, *stated_levels(brief.clips)).lines()))
    for caution in brief.chain.cautions:
        note(caution)


@main.command(epilog="\b\nExample:\n  envlab notebooks")
@click.option(
    "--folder",
    type=click.Path(path_type=Path),
    default=Path("envlab-notebooks"),
    show_default=True,
    help="Where your copies of the notebooks lie.",
)
@quiet_option
def notebooks(folder: Path) -> None:
    """Open JupyterLab on copies of the notebooks, on this machine only, behind its token.

    Copies that lie in the folder already are yours and stay as they are.
    """
    import shutil
    import subprocess

    from envlab.shipped import shipped_folder

    folder.mkdir(parents=True, exist_ok=True)
    for notebook in sorted(shipped_folder("notebooks").glob("*.ipynb")):
        if not (folder / notebook.name).exists():
            shutil.copyfile(notebook, folder / notebook.name)
    command = [sys.executable, "-m", "jupyterlab", "--ServerApp.ip=127.0.0.1", str(folder)]
    raise click.exceptions.Exit(subprocess.run(command, check=False).returncode)

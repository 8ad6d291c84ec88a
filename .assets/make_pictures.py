"""Draw the README's pictures anew from the built-in design; takes about a minute."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from envlab.bench.boards.invented import invented_capture
from envlab.bench.check import BoardChecker
from envlab.chain import Chain
from envlab.plot.bench.board import board_sheet
from envlab.plot.export import save_png
from envlab.plot.schematic.schematic import schematic
from envlab.plot.sheets import effects_sheet, strips_sheet, table_sheet
from envlab.plot.sweep.overview import overview_figure
from envlab.study.chosen_on_clips import light_on_clips
from envlab.study.specification.specification import demo_specification
from envlab.study.sweep.choice import choose
from envlab.study.sweep.robustness import robust_choice
from envlab.study.sweep.sweep import sweep

HERE = Path(__file__).parent
DPI = 150.0


def main() -> None:
    """Sweep and choose once, then write all pictures beside this file."""
    specification = demo_specification()
    choice = robust_choice(choose(sweep(specification), specification), specification)
    save_png(overview_figure(specification, choice), HERE / "overview.png", dpi=DPI)
    save_png(effects_sheet(choice, specification), HERE / "sweep.png", dpi=DPI)
    save_png(schematic(choice.chain), HERE / "schematic.png", dpi=DPI)
    lights = light_on_clips(specification, choice.chain)
    save_png(strips_sheet(lights), HERE / "night.png", dpi=DPI)
    save_png(table_sheet(choice.chain, lights), HERE / "table.png", dpi=DPI)
    board_picture(specification.chain)


def board_picture(chain: Chain) -> None:
    """Draw an invented board of the parade whose release resistor is a step of E6 too large."""
    parts = replace(chain.detector, attack_ohm=7e3, hold_farad=0.95e-6, release_ohm=220e3)
    board = replace(chain, detector=parts, adc=replace(chain.adc, offset_lsb=2.2, noise_lsb=0.5))
    capture = invented_capture(chain, board, seed=6, clock=0.013, delay_s=0.8)
    picture = board_sheet(capture, BoardChecker(chain).check(capture))
    save_png(picture, HERE / "board.png", dpi=DPI)


if __name__ == "__main__":
    main()

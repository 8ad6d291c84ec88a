"""Draw the README's pictures anew from the built-in design; takes about a minute."""

from __future__ import annotations

from pathlib import Path

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


if __name__ == "__main__":
    main()

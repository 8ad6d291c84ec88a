"""What feeds the board, and what its counts light: a row of boxes under the circuit."""

from __future__ import annotations

from envlab.chain import Chain
from envlab.plot.palette import colour
from envlab.plot.schematic.pen import Pen, Point

_HEIGHT = 1.9


def power_and_light(pen: Pen, at: Point, chain: Chain) -> Point:
    """Draw pack, converter, pixels, microcontroller and analog supply, in a row; return its end.

    Pack and fuse have no values: no stage of the model stands for them.
    """
    supply, pixels, board = chain.supply, chain.pixels, chain.preamp
    entries = chain.table_entries or 2**chain.adc.bits
    pack = pen.box(at, ("pack",), least_height=_HEIGHT).right
    fused = (pack[0] + 1.6, pack[1])
    pen.fuse(pack, fused)
    pen.word("fuse", (pack[0] + 0.8, pack[1] + 0.3), va="bottom")
    step_up = pen.box(fused, ("converter", f"{supply.volts:g} V, {supply.limit_a:g} A"), least_height=_HEIGHT)
    light = (step_up.right[0] + 0.8, at[1])
    pen.arrow(step_up.right, light)
    lamps = (f"{pixels.count} pixels", f"{pixels.channels} × {1e3 * pixels.channel_a:g} mA", "each at full")
    lit = pen.box(light, lamps, least_height=_HEIGHT).right
    told = (lit[0] + 1.0, lit[1])
    pen.arrow(told, lit)
    runs = (
        "microcontroller",
        f"table of {entries} × {chain.pixel_bits} bit",
        f"{chain.frame_rate_hz:g} frames/s",
    )
    controller = pen.box(told, runs, least_height=_HEIGHT)
    top = controller.top
    pen.arrow((top[0], top[1] + 0.7), top)
    pen.word("counts", (top[0] + 0.15, top[1] + 0.4), ha="left", colour=colour("counts"))
    fed = (controller.right[0] + 1.2, controller.right[1])
    rails = ("analog supply", f"{board.supply_v:g} V for amplifiers", f"{board.bias_v:g} V as bias")
    return pen.box(fed, rails, least_height=_HEIGHT).right

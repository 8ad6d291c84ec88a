"""What the headers say of the frame part: pixels, depth, limit, and what the light's metrics refer to."""

from __future__ import annotations

import numpy as np

from envlab.digital.fixed_frame import WORD_MOST, full_code
from envlab.digital.pixel_layout import LayoutTable, rank_duties
from envlab.firmware.runtime_design import RuntimeDesign
from envlab.light.layout.table import whole_light
from envlab.light.pixels import supply_duty_limit


def frame_lines(design: RuntimeDesign) -> list[str]:
    """Return one line a fact; printable ASCII.

    >>> from envlab import read_design
    >>> from envlab.board_firmware import runtime_design
    >>> from envlab.shipped import demo_design
    >>> frame_lines(runtime_design(read_design(demo_design())))[0]
    'pixels: 24 of 3 channels, codes of 16 bit, the nearest to the duty, half up'
    """
    words = design.frame_words
    pixels = design.pixels
    share = words.limit / (words.pixels * words.channels * full_code(words.bits))
    lines = [
        f"pixels: {pixels.count} of {pixels.channels} channels, codes of {words.bits} bit, the nearest to"
        " the duty, half up",
        f"frame limit: {words.limit} codes on {design.supply.limit_words}, {100 * share:.3g} % of all"
        " channels at full",
    ]
    if design.dither is not None:
        lines += [
            f"dithering: {design.dither.bits} bit, pixels written at {design.dither.refresh_hz:g} Hz, repeats"
            f" at {design.dither.repetition_hz:g} Hz"
        ]
    layout = design.layout_table
    if layout is not None:
        return [*lines, *_layout_lines(design, layout)]
    return [*lines, _reference(design)]


def _layout_lines(design: RuntimeDesign, layout: LayoutTable) -> list[str]:
    """Return what the layout of light comes to at the table's brightest duty."""
    words, brightest = design.frame_words, design.brightest_duty
    whole = whole_light(layout, words, brightest)
    lightest = int(rank_duties(layout, np.array([brightest])).max())
    lines = [
        f"layout of light: {design.layout.kind}, {layout.ranks} ranks; at the brightest white takes"
        f" {whole} codes, a pixel at most {100 * lightest / WORD_MOST:.3g} % of full, rest light"
        f" {100 * layout.rest / WORD_MOST:.3g} %",
        f"brightest duty of the table: {brightest / WORD_MOST:.4g}, of which the layout makes what fits the"
        " frame limit; L* and flashes of the whole refer to its light there",
    ]
    if layout.travels:
        asked = design.layout.pixels_per_second
        achieved = layout.pixels_per_second(design.brightness_rate_hz)
        lines.append(f"travels: asked {asked:g}, achieved {achieved:.5g} pixels a second")
    return lines


def _reference(design: RuntimeDesign) -> str:
    """Return whether table or limiter spares the supply, and what L* and flashes refer to."""
    duty_limit = supply_duty_limit(design.pixels, design.supply)
    brightest = int(design.codes[-1]) / 0xFFFF
    if brightest <= duty_limit + 1e-9:
        return (
            f"brightest duty of the table: {brightest:.4g}, which all channels may have at once; L* and"
            " flashes refer to it"
        )
    return (
        f"brightest duty of the table: {brightest:.4g}, more than the {duty_limit:.4g} that all channels may"
        " have at once: never show it without the frame limiter. L* and flashes refer to all channels alike,"
        f" which the limiter holds at {duty_limit:.4g}; other pictures get brighter, and their flashes are"
        " judged apart"
    )

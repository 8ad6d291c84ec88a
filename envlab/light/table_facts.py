"""What a brightness table can and cannot do, in metrics, and what helps when the pixel is too coarse."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from envlab.light.curve import LevelScale, relative_luminance
from envlab.light.lightness import lightness_cie1976
from envlab.light.table import LookupTable, top_code
from envlab.units import FloatArray


@dataclass(frozen=True)
class TableFacts:
    """Metrics of one table; lightness is that of Y/Y_max, the table's own brightest state being 100.

    distinct_levels: different codes, the dark one counted. largest_step_lstar, smallest_step_lstar: between
    neighbouring different codes that occur. first_lit_entry, first_lit_counts: the first entry with light and
    its counts; −1 and nan for a table that stays dark. first_lit_db_spl: the same as a level, nan without a
    scale. interpolation_error_lstar: the worst difference between what the firmware looks up and the curve
    itself over every whole count, and rounding_error_lstar that share of it which the pixel's depth forces.
    """

    entries: int
    distinct_levels: int
    top_duty: float
    largest_step_lstar: float
    smallest_step_lstar: float
    first_lit_entry: int
    first_lit_counts: float
    first_lit_db_spl: float
    interpolation_error_lstar: float
    rounding_error_lstar: float


def table_facts(table: LookupTable, scale: LevelScale | None = None) -> TableFacts:
    """Return the metrics of a table; with the board's level scale, the first light in dB SPL too."""
    codes = table.duty_codes
    steps = np.diff(lightness_cie1976(np.unique(codes) / top_code(table.bits, table.duty_limit)))
    lit = np.flatnonzero(codes)
    entry = int(lit[0]) if lit.size else -1
    counts = float(table.entry_counts[entry]) if lit.size else math.nan
    level = scale.level_db_spl(counts) if scale is not None and lit.size else math.nan
    error, rounding = _errors_lstar(table)
    return TableFacts(
        entries=table.entries,
        distinct_levels=int(np.unique(codes).size),
        top_duty=float(codes[-1]) / table.full_code,
        largest_step_lstar=float(steps.max()) if steps.size else 0.0,
        smallest_step_lstar=float(steps.min()) if steps.size else 0.0,
        first_lit_entry=entry,
        first_lit_counts=counts,
        first_lit_db_spl=level,
        interpolation_error_lstar=error,
        rounding_error_lstar=rounding,
    )


def _errors_lstar(table: LookupTable) -> tuple[float, float]:
    """Worst difference in L* over whole counts: looked up against the curve; rounding to codes alone."""
    counts = np.arange(table.full_scale_counts + 1, dtype=np.float64)
    top = top_code(table.bits, table.duty_limit)
    wanted = table.base_light + (1.0 - table.base_light) * relative_luminance(counts, table.count_map)
    wanted_lstar = lightness_cie1976(wanted)

    def error(codes: FloatArray) -> float:
        return float(np.max(np.abs(lightness_cie1976(np.minimum(codes / top, 1.0)) - wanted_lstar)))

    return error(table.look_up(counts).astype(np.float64)), error(np.floor(wanted * top + 0.5))


@dataclass(frozen=True)
class DepthAdvice:
    """Whether the pixel's depth can do an even curve, and what dithering over frames would add.

    bottom_step_lstar: L* of the lowest code of the limited range. bits_needed: depth at which that step is
    small enough under the same duty limit. dither_bits: how many are missing; each doubles the frames of one
    dither round: dither_frames, dither_round_hz.
    """

    bottom_step_lstar: float
    bits_needed: int
    dither_bits: int
    dither_frames: int
    dither_round_hz: float
    words: str


# Slower rounds than this are seen as flicker ([IEEE1789] draws its line at 90 Hz; secondary source).
DITHER_ROUND_MIN_HZ = 90.0


def bottom_step_lstar(bits: int, duty_limit: float = 1.0) -> float:
    """Return the lightness of the lowest code relative to the limited full light: 24389/27 over the top code.

    duty_limit: 0..1. Holds while one code lies on the straight foot of L* (top code of 113 or more); above it
    the cube root.
    """
    return float(lightness_cie1976(1.0 / top_code(bits, duty_limit)))


def depth_advice(
    bits: int, frame_rate_hz: float, *, duty_limit: float = 1.0, largest_step_lstar: float = 1.0
) -> DepthAdvice:
    """Return what a pixel of so many bits does at the dark end under a duty_limit.

    And the dither that mends it.
    """
    step = bottom_step_lstar(bits, duty_limit)
    needed = bits
    while bottom_step_lstar(needed, duty_limit) > largest_step_lstar and needed < 24:
        needed += 1
    missing = needed - bits
    round_hz = frame_rate_hz / (1 << missing)
    codes = top_code(bits, duty_limit)
    words = f"The lowest code of {bits} bit is {step:.2f} L* bright ({codes} codes under the duty limit); "
    if missing == 0:
        words += f"that is within {largest_step_lstar:g} L*: no dither needed."
    else:
        words += (
            f"{largest_step_lstar:g} L* needs {needed} bit. Dither over {1 << missing} frames adds the"
            f" missing {missing} bit; at {frame_rate_hz:g} frames per second one round lasts"
            f" {1e3 / round_hz:.0f} ms ({round_hz:.1f} Hz), "
        )
        if round_hz >= DITHER_ROUND_MIN_HZ:
            words += "fast enough not to be seen."
        else:
            words += (
                f"which is seen as flicker in the dark end: send at least"
                f" {DITHER_ROUND_MIN_HZ * (1 << missing):.0f} frames per second, or take deeper pixels."
            )
    return DepthAdvice(step, needed, missing, 1 << missing, round_hz, words)

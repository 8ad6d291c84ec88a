"""What one board's microcontroller runs: the runtime's design out of a Chain."""

from __future__ import annotations

from envlab.chain import Chain
from envlab.digital.auto_level import LevelControl
from envlab.digital.fixed_frame import Dither
from envlab.digital.fixed_point import Gate, fixed_follower
from envlab.firmware.level_table import build_level_table
from envlab.firmware.runtime_design import RuntimeDesign
from envlab.light.power.supply_tables import SupplyTables, build_supply_tables


def runtime_design(
    chain: Chain, *, level: LevelControl | None = None, gate: Gate | None = None, dither: Dither | None = None
) -> RuntimeDesign:
    """Return what the firmware does from this board's readings to its pixels, in decibels throughout.

    The table covers the window from floor to ceiling, limited so that all pixels may be lit at once; the
    frame limiter uses the same supply. level: what moves the window, None leaves it. Raises ParameterError
    for a follower that the firmware lacks, or a floor or ceiling that the ADC's word cannot hold.
    """
    return RuntimeDesign(
        table=build_level_table(chain.count_map(), adc_bits=chain.adc.bits, duty_limit=chain.duty_limit),
        follower=fixed_follower(chain.follower, chain.adc.rate_hz),
        adc_bits=chain.adc.bits,
        quiescent_counts=chain.quiescent_counts,
        noise_lsb=chain.adc.noise_lsb,
        brightness_rate_hz=chain.frame_rate_hz,
        gate=gate or Gate(),
        level=level,
        pixels=chain.pixels,
        supply=chain.supply,
        dither=dither,
    )


def both_tables(chain: Chain) -> SupplyTables:
    """Return the board's limited table, that of the chain with a note on its use, and the unlimited one.

    Parameters
    ----------
    chain : Chain
        The board.

    Returns
    -------
    SupplyTables
    """
    return build_supply_tables(
        chain.count_map(),
        chain.pixels,
        chain.supply,
        adc_bits=chain.adc.bits,
        entries=chain.table_entries,
        bits=chain.pixel_bits,
    )

"""What one board's microcontroller runs: the runtime's design out of a Chain."""

from __future__ import annotations

from envlab.chain import Chain
from envlab.digital.auto_level import LevelControl
from envlab.digital.fixed_frame import LEAST_BITS, MOST_BITS, Dither
from envlab.digital.fixed_point import Gate, fixed_follower
from envlab.digital.followers import MovingMaximum, MovingMean
from envlab.errors import check_range
from envlab.firmware.level_table import build_level_table
from envlab.firmware.runtime_design import RuntimeDesign
from envlab.light.power.supply_tables import SupplyTables, build_supply_tables


def runtime_design(
    chain: Chain, *, level: LevelControl | None = None, gate: Gate | None = None, dither: Dither | None = None
) -> RuntimeDesign:
    """Return what the firmware does from this board's readings to its pixels, in decibels throughout.

    The table covers the window from floor to ceiling. With chain.current_limit "table" it is limited so that
    all pixels may be lit at once, else it goes up to full; the frame limiter, for pixels of 8 bit or more,
    uses the same supply, and the chain says whether the flash guard is on. level: what moves the window, None
    leaves it. dither: None takes the chain's. Raises
    ParameterError for a follower that the firmware lacks, a floor or ceiling that the ADC's word cannot hold,
    or pixels that cannot be written so often.
    """
    chain.check_sending()
    check_range("pixel_bits", chain.pixel_bits, LEAST_BITS, MOST_BITS, unit="bit")
    if dither is None and chain.dither_bits:
        dither = Dither(chain.dither_bits, chain.refresh_hz)
    table = build_level_table(
        chain.count_map(),
        adc_bits=chain.adc.bits,
        duty_limit=chain.duty_limit if chain.current_limit == "table" else 1.0,
        pixel_bits=chain.pixel_bits,
        dither_bits=0 if dither is None else dither.bits,
    )
    return RuntimeDesign(
        table=table,
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
        pixel_bits=chain.pixel_bits,
        guard=chain.firmware.is_guarded,
        moving=chain.follower if isinstance(chain.follower, MovingMean | MovingMaximum) else None,
        layout=chain.layout,
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
        bits=chain.pixel_bits + chain.dither_bits,
    )

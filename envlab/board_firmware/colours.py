"""A board's colour tables: what red, green and blue of its pixels do along the brightness."""

from __future__ import annotations

from envlab.chain import Chain
from envlab.light.colour_tables import ColourTables, build_colour_tables, channel_sum_limit


def colour_tables(chain: Chain) -> ColourTables | None:
    """Return the tables of a board's colour on the index of its brightness table; None without a colour.

    With current_limit "table" the three duties of a pixel add up to what the supply carries of all pixels at
    once; with "frame" the brightest goes up to full, and the firmware's limiter has to scale each frame.

    Parameters
    ----------
    chain : Chain
        The board.

    Returns
    -------
    ColourTables or None

    Examples
    --------
    >>> from dataclasses import replace
    >>> import envlab
    >>> from envlab.export import colour_tables
    >>> from envlab.light.costume_colour import CostumeColour
    >>> amber = replace(envlab.Chain(), colour=CostumeColour(full="#ff8000"))
    >>> colour_tables(amber).duty[-1].round(3).tolist(), colour_tables(envlab.Chain())
    ([0.68, 0.147, 0.0], None)
    """
    ramp = chain.colour.ramp
    if ramp is None:
        return None
    limited = chain.current_limit == "table"
    return build_colour_tables(
        ramp,
        chain.brightness_table(),
        channel_sum=channel_sum_limit(chain.pixels, chain.supply) if limited else 3.0,
        primaries=chain.colour.primaries,
    )

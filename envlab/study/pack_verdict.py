"""How long a pack of cells feeds a board on its clips, and what its loudest beat makes of the rail meanwhile.

The clips are taken as the night: they play over and over, and their loudest frame comes whenever it likes.
While pixels switch together the converter gives its limit during a pulse, however little they take in the
mean; so that, and not the mean of the loudest frame, pulls the cells down. What the controller takes is
counted.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from envlab.chain import Chain
from envlab.circuit.supplies import bulk_farad
from envlab.errors import ParameterError
from envlab.light.pixels import supply_duty_limit
from envlab.light.power.battery import supply_power_w
from envlab.light.power.cells import Cells, Discharge, cell_v, charge_at
from envlab.light.power.pulses import Pulses, droop_v, pulsed_current, pulses_of
from envlab.light.power.rail import brown_out_v, pack_v_of_rail, rail_v
from envlab.study.chosen_on_clips import ClipLight, light_on_clips
from envlab.study.pack_words import LoudestBeat, PackVerdict, RailCourse
from envlab.study.specification.specification import Specification
from envlab.units import FloatArray

# Of the rail's course over the night.
_POINTS = 41


def judge_pack(
    specification: Specification,
    chain: Chain,
    cells: Cells,
    temperature_c: float = 25.0,
    *,
    pulses: Pulses | None = None,
    lights: Sequence[ClipLight] | None = None,
) -> PackVerdict:
    """Return how long cells feed a board on the clips of a specification, and what becomes of its rail.

    Parameters
    ----------
    specification : Specification
        Its clips are the night.
    chain : Chain
        The board.
    cells : Cells
        What feeds it.
    temperature_c : float
        Of the cells, -20 to 60 °C.
    pulses : Pulses or None
        When the pixels switch; None: as the board's pixels state it.
    lights : sequence of ClipLight or None
        The board's light on the clips, where it is known already.

    Returns
    -------
    PackVerdict
    """
    if chain.supply.is_power_bank:
        limit = "'cells': a power bank has cells and converter inside, and shows neither"
        raise ParameterError("fed_by", chain.supply.fed_by, limit)
    shown = light_on_clips(specification, chain) if lights is None else tuple(lights)
    beat = loudest_beat(shown, chain, pulses_of(chain.pixels) if pulses is None else pulses)
    current_a = np.concatenate([one.current_a for one in shown])
    return _judged(chain, cells, temperature_c, beat, current_a, sum(one.duration_s for one in shown) / 3600)


def loudest_beat(lights: Sequence[ClipLight], chain: Chain, pulses: Pulses) -> LoudestBeat:
    """Return the frame of all clips that takes most, and what its pulses do to the rail."""
    light = max(lights, key=lambda one: float(one.current_a.max()))
    frame = int(np.argmax(light.current_a))
    # A table's top may round up by half a code.
    duty = min(float(light.duty[frame]), supply_duty_limit(chain.pixels, chain.supply))
    current = pulsed_current(duty, chain.pixels, chain.supply, pulses)
    asked_a = current.high_a + chain.supply.counted_controller_a
    mean_a = float(light.current_a[frame])
    return LoudestBeat(
        light.clip.label,
        frame / light.frame_rate_hz,
        duty,
        mean_a,
        min(chain.supply.limit_a, asked_a) if current.high_s > 0 else mean_a,
        droop_v(duty, chain.pixels, chain.supply, pulses, bulk_farad(chain.supply, chain.pixels)),
    )


def _judged(
    chain: Chain, cells: Cells, celsius: float, beat: LoudestBeat, current_a: FloatArray, clips_h: float
) -> PackVerdict:
    supply, pack = chain.supply, cells.pack
    power_w = supply.losses.inputs_w(current_a * supply.volts)
    mean_w, peak_w = float(power_w.mean()), float(power_w.max())
    pulse_w = max(peak_w, supply_power_w(beat.pulse_a, supply))
    discharge = Discharge(power_w, cells, celsius)

    def pack_v(charge: float) -> float:
        return pack.cells * cell_v(pulse_w, cells, charge, celsius)

    def lowest_rail_v(charge: float) -> float:
        return max(0.0, rail_v(pack_v(charge), supply, pack) - beat.droop_v)

    cells_end = charge_at(pack.empty_cell_v, pulse_w, cells, celsius)
    resets_v = brown_out_v(supply)
    resets_at = _charge_at_reset(chain, cells, celsius, pulse_w, beat.droop_v)
    resets_first = resets_at > cells_end
    end = max(cells_end, resets_at)
    charge_after = discharge.charge_after(clips_h)
    charges = np.linspace(1.0, cells_end, _POINTS)
    return PackVerdict(
        cells=cells,
        temperature_c=celsius,
        loudest=beat,
        mean_w=mean_w,
        peak_w=peak_w,
        pulse_w=pulse_w,
        full_v=pack_v(1.0),
        lowest_v=pack.cells * pack.empty_cell_v,
        charge_left=cells_end,
        hours=discharge.hours(1.0, cells_end),
        rail_full_v=lowest_rail_v(1.0),
        rail_after_v=lowest_rail_v(charge_after),
        rail_end_v=lowest_rail_v(cells_end),
        brown_out_v=resets_v,
        brown_out_hours=discharge.hours(1.0, resets_at) if resets_first else math.inf,
        brown_out_charge=resets_at if resets_first else 0.0,
        clips_h=clips_h,
        charge_after=charge_after,
        hours_after=discharge.hours(charge_after, end),
        course=RailCourse(
            discharge.hours_down_to(charges),
            np.array([pack_v(float(charge)) for charge in charges]),
            np.array([lowest_rail_v(float(charge)) for charge in charges]),
        ),
    )


def _charge_at_reset(chain: Chain, cells: Cells, celsius: float, pulse_w: float, falls_v: float) -> float:
    """The charge at which a pulse brings the rail down to where the controller resets; 1: at once."""
    supply, pack = chain.supply, cells.pack
    asked_v = brown_out_v(supply) + falls_v
    if asked_v >= supply.volts:
        return 1.0
    return charge_at(pack_v_of_rail(asked_v, supply, pack) / pack.cells, pulse_w, cells, celsius)

"""What may be wrong with a board, by name, and where each fault puts the numbers that are fitted.

A class is what a capture can tell apart, no finer. Its members may have several causes; which of them it is
takes another measurement, and the class says which.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from envlab.analog.stage import fitted_parts
from envlab.bench.fit.values import BoardValues, designed_values
from envlab.bench.fit.vector import AS_LOGARITHM
from envlab.chain import Chain
from envlab.units import FloatArray, format_value

# Numbers by which classes differ, in this order; logarithms of all but drop_v and offset_lsb.
TOLD_BY = ("gain", "attack_s", "release_s", "offset_lsb", "drop_v", "limit")
# How far two places of a broad class lie apart, and the standard deviation that fills the gap.
_APART = 0.35


@dataclass(frozen=True, eq=False)
class FaultClass:
    """One class of faults.

    name: as it is said. next_step: what to measure or to look at to be sure. shifts: shape (places, numbers),
    where it may put the numbers of TOLD_BY, beside a healthy board's. width: standard deviation round each
    place that comes on top of the tolerances', shape (numbers,). half_wave: whether one half of the wave is
    missing.
    """

    name: str
    next_step: str
    shifts: FloatArray
    width: FloatArray
    half_wave: bool = False


HEALTHY = "within its tolerances"
NOTHING = "nothing arrives"
REVERSED = "diode reversed"
SATURATED = "converter saturated"
HALF_WAVE = "half wave missing"
SWAPPED = "attack and release swapped"
CANNOT_TELL = "cannot tell"


def fault_classes(chain: Chain) -> list[FaultClass]:
    """Return the classes that a fitted board of a design may belong to, a healthy one first.

    Parameters
    ----------
    chain : Chain
        The design; its detector says where swapped resistors would put the time constants.
    """
    design = designed_values(chain)
    attack, release, hold = (_part(chain, name) for name in ("attack_ohm", "release_ohm", "hold_farad"))
    tenfold = math.log(10)
    swap = math.log(design.release_s / design.attack_s)
    some = [
        _class(HEALTHY, "nothing", {}),
        _class(
            "one value a step off",
            f"measure {attack} and {release} with an ohmmeter, one leg lifted: a capture cannot "
            f"tell a resistor from "
            "the capacitor that it works with",
            *(
                {key: sign * math.log(times)}
                for key in ("attack_s", "release_s")
                for sign in (-1, 1)
                for times in (1.2, 1.5, 2.2)
            ),
        ),
        _class(
            "gain low: weak microphone, gain resistor or level",
            "measure the 1 kHz step at the preamp's output with a multimeter on AC volts; if it "
            "is low there, "
            "feed the preamp by wire: right by wire means the microphone or its covering",
            *({"gain": shift} for shift in _along(-2.6, -0.55)),
        ),
        _class(
            "gain high",
            "measure the gain resistors with an ohmmeter, one leg lifted; check the level played",
            *({"gain": shift} for shift in _along(0.55, 2.6)),
        ),
        _class(
            f"attack ten times too slow ({attack})",
            f"read the code on {attack}; measure it, one leg lifted",
            {"attack_s": tenfold},
        ),
        _class(
            f"attack ten times too quick ({attack})",
            f"read the code on {attack}; measure it, one leg lifted",
            {"attack_s": -tenfold},
        ),
        _class(
            f"release ten times too slow ({release})",
            f"read the code on {release}; measure it, one leg lifted",
            {"release_s": tenfold},
        ),
        _class(
            f"released too quickly: {hold} leaks, or {release} is too small",
            f"lift one leg of {release}: if the reading still falls within a second, {hold} leaks "
            f"(or is in the "
            "wrong way round); then look for flux between its pads",
            *({"release_s": shift} for shift in _along(-4.0, -0.9)),
        ),
        _class(
            SWAPPED,
            f"read the codes on {attack} and {release}",
            {"attack_s": swap, "release_s": -swap},
        ),
        _class(
            f"release missing ({release})",
            f"measure across {hold} with the board off: it should show {_value(chain, 'release_ohm')}",
            *({"release_s": shift} for shift in _along(math.log(30), math.log(3000))),
        ),
        _class(
            f"capacitor dried out or too small ({hold})",
            f"solder a known capacitor of the same value across {hold} and capture again: both "
            f"times should grow "
            "by its share",
            *({"attack_s": shift, "release_s": shift} for shift in _along(-3.5, -0.7)),
        ),
        _class(
            "offset",
            "measure the pin's voltage in silence with a multimeter; then the converter's reference",
            *(
                {"offset_lsb": sign * share * 2.0**chain.adc.bits}
                for sign in (-1, 1)
                for share in (0.02, 0.04, 0.07, 0.12)
            ),
        ),
        _class(
            "clipped early",
            "measure supply and bias at the preamp with a multimeter; the bias "
            "is to stand at "
            f"{chain.preamp.bias_v:g} V",
            *({"limit": shift} for shift in _along(-2.5, -0.45)),
        ),
        _class(
            "dead zone",
            "measure the rectifier's output at the lowest step: if it stays at "
            "rest, a diode stands "
            "outside the amplifier's loop",
            *({"drop_v": shift} for shift in (0.05, 0.1, 0.2, 0.35, 0.5, 0.65)),
        ),
    ]
    if chain.rectifier.kind == "full":
        some.append(
            _class(
                HALF_WAVE,
                "look at the rectifier's output with an oscilloscope, or measure the inverting stage: one "
                "of two diodes or the inverter is missing",
                {},
                half_wave=True,
            )
        )
    return some


def next_step_of(name: str, chain: Chain) -> str:
    """Return what to measure next for the classes that are told without a fit."""
    coupling = _part(chain, "coupling_farad")
    steps = {
        NOTHING: f"measure the 1 kHz tone on both sides of {coupling} with a multimeter on AC volts: on the "
        "microphone's "
        "side only means it is not soldered; on neither, the microphone is dead or nothing is "
        "played; on both, "
        "follow the signal through the preamp to the rectifier's diode",
        REVERSED: "look at the ring on the rectifier's diode",
        SATURATED: "measure the pin in silence and the converter's reference with a multimeter",
    }
    return steps[name]


def _along(first: float, last: float) -> FloatArray:
    return np.linspace(first, last, max(2, math.ceil(abs(last - first) / _APART) + 1))


def _class(name: str, next_step: str, *places: dict[str, float], half_wave: bool = False) -> FaultClass:
    shifts = np.array([[place.get(key, 0.0) for key in TOLD_BY] for place in places])
    used = (shifts != 0).any(axis=0)
    # Between two places of a broad class nothing is less likely than at one of them.
    gaps = np.array([_gap(shifts[:, place]) for place in range(shifts.shape[1])])
    width = np.where(used & (len(places) > 1), gaps, 0.0)
    return FaultClass(name, next_step, shifts, width, half_wave)


def _gap(shifts: FloatArray) -> float:
    steps = np.diff(np.unique(shifts))
    return 0.6 * float(np.median(steps)) if steps.size else 0.0


def _part(chain: Chain, field: str) -> str:
    """The part's reference, or the field in words where the board has none."""
    for stage in (chain.detector, chain.preamp):
        for name, part, _ in fitted_parts(stage):
            if name == field:
                return part.reference
    return field.rsplit("_", 1)[0].replace("_", " ")


def _value(chain: Chain, field: str) -> str:
    value = getattr(chain.detector, field, None)
    return "its value" if value is None else format_value(value, "ohm")


def vector(values: BoardValues, design: BoardValues) -> FloatArray:
    """Return the numbers of TOLD_BY of a board beside its design's, shape (numbers,)."""
    pairs = ((name, getattr(values, name), getattr(design, name)) for name in TOLD_BY)
    return np.array(
        [math.log(here / there) if name in AS_LOGARITHM else here - there for name, here, there in pairs]
    )

"""Amplifiers by class and data sheet: what decides whether a circuit round them works on its supply.

An output on a single supply never reaches ground, and an input is only followed within its common-mode
range. Both come before speed and noise: a rectifier on ground holds the output's lowest voltage in silence.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from envlab.errors import ParameterError, check_choice, check_range

DATA_SHEET_C = 25.0
# The class of an amplifier of which every value is given.
BY_DATA_SHEET = "data_sheet"


@dataclass(frozen=True)
class Amplifier:
    """One amplifier as its data sheet gives it, typical values.

    Parameters
    ----------
    gain_bandwidth_hz : float
        1 kHz to 10 GHz.
    slew_v_per_s : float
        How fast the output moves at most, 1 kV/s to 100 GV/s (1 V/µs is 1e6).
    output_low_v : float
        How near to the negative supply the unloaded output comes, 0 to 10 V above it.
    output_low_ohm : float
        What each ampere that flows into the lowest output adds to that, 0 to 10 kΩ.
    output_high_v : float
        How near to the positive supply the output comes, 0 to 10 V below it.
    output_high_ohm : float
        What each ampere out of the highest output takes from it, 0 to 10 kΩ.
    input_low_v : float
        Lowest input that is followed, −0.5 to 10 V above the negative supply.
    input_high_v : float
        Highest input that is followed, −0.5 to 10 V below the positive supply.
    offset_v : float
        Largest input offset, either sign, 0 to 0.1 V.
    offset_drift_v_per_k : float
        Drift of the offset, 0 to 1 mV/K.
    bias_current_a : float
        Into each input, 0 to 10 µA.
    noise_v_per_rthz : float
        Of the input, 0 to 1 µV/√Hz.

    Raises
    ------
    ParameterError
        For a value outside its range.

    Examples
    --------
    >>> from envlab.analog.amplifier import AMPLIFIER_CLASSES
    >>> AMPLIFIER_CLASSES["rail_to_rail"].output_low_v
    0.015
    """

    gain_bandwidth_hz: float
    slew_v_per_s: float
    output_low_v: float
    output_low_ohm: float
    output_high_v: float
    output_high_ohm: float
    input_low_v: float
    input_high_v: float
    offset_v: float
    offset_drift_v_per_k: float
    bias_current_a: float
    noise_v_per_rthz: float

    def __post_init__(self) -> None:
        check_amplifier_values(vars(self))

    def lowest_v(self, sunk_a: float = 0.0) -> float:
        """Return the lowest output above the negative supply, V, while a current flows into it, A."""
        return self.output_low_v + self.output_low_ohm * sunk_a


# Unit and ends of each value.
_LIMITS: Mapping[str, tuple[float, float, str]] = MappingProxyType(
    {
        "gain_bandwidth_hz": (1e3, 10e9, "Hz"),
        "slew_v_per_s": (1e3, 1e11, "V/s"),
        "output_low_v": (0.0, 10.0, "V"),
        "output_low_ohm": (0.0, 10e3, "ohm"),
        "output_high_v": (0.0, 10.0, "V"),
        "output_high_ohm": (0.0, 10e3, "ohm"),
        "input_low_v": (-0.5, 10.0, "V"),
        "input_high_v": (-0.5, 10.0, "V"),
        "offset_v": (0.0, 0.1, "V"),
        "offset_drift_v_per_k": (0.0, 1e-3, "V/K"),
        "bias_current_a": (0.0, 10e-6, "A"),
        "noise_v_per_rthz": (0.0, 1e-6, "V/√Hz"),
    }
)
AMPLIFIER_VALUES = tuple(_LIMITS)


def check_amplifier_values(values: Mapping[str, Any]) -> None:
    """Raise ParameterError for a data-sheet value outside its range; None and other names pass."""
    for name, (low, high, unit) in _LIMITS.items():
        if values.get(name) is not None:
            check_range(name, values[name], low, high, unit=unit)


# Typical of each class, from memory; a part's own data sheet goes before them.
AMPLIFIER_CLASSES: Mapping[str, Amplifier] = MappingProxyType(
    {
        # CMOS, rail to rail in and out
        "rail_to_rail": Amplifier(
            3e6, 3e6, 0.015, 100.0, 0.015, 100.0, -0.1, -0.1, 2e-3, 3e-6, 10e-12, 12e-9
        ),
        "fast_rail_to_rail": Amplifier(
            10e6, 8e6, 0.015, 60.0, 0.015, 60.0, -0.1, -0.1, 2e-3, 3e-6, 10e-12, 9e-9
        ),
        # the input reaches ground, the output ground but not the positive supply
        "single_supply": Amplifier(1e6, 0.4e6, 0.02, 500.0, 1.5, 100.0, 0.0, 1.5, 3e-3, 7e-6, 45e-9, 40e-9),
        # meant for two supplies: neither end comes near
        "general_purpose": Amplifier(3e6, 10e6, 1.5, 100.0, 1.5, 100.0, 1.5, 1.0, 5e-3, 10e-6, 50e-12, 18e-9),
    }
)
AMPLIFIER_NAMES = (*AMPLIFIER_CLASSES, BY_DATA_SHEET)


def amplifier_of(kind: str, stated: Mapping[str, float | None]) -> Amplifier:
    """Return the amplifier of a class, with what is stated of it in place of what is typical.

    Parameters
    ----------
    kind : str
        One of AMPLIFIER_CLASSES, or "data_sheet": nothing is typical, every value must be stated.
    stated : mapping
        Name of a value → value in the unit of the name; None: not stated.

    Returns
    -------
    Amplifier

    Raises
    ------
    ParameterError
        For a value outside its range, or one that "data_sheet" leaves out.

    Examples
    --------
    >>> from envlab.analog.amplifier import amplifier_of
    >>> amplifier_of("rail_to_rail", {"gain_bandwidth_hz": 1e6}).gain_bandwidth_hz
    1000000.0
    """
    check_choice("amplifier", kind, AMPLIFIER_NAMES)
    own = {name: value for name in AMPLIFIER_VALUES if (value := stated.get(name)) is not None}
    if kind != BY_DATA_SHEET:
        return dataclasses.replace(AMPLIFIER_CLASSES[kind], **own)
    for name in AMPLIFIER_VALUES:
        if name not in own:
            limit = f'given for amplifier "{BY_DATA_SHEET}"; or take the class that comes nearest'
            raise ParameterError(name, None, f"{limit}: {', '.join(AMPLIFIER_CLASSES)}")
    return Amplifier(**own)

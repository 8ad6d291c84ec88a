"""The same board on a winter night with a tired pack: temperature and supply sag, all parts at once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from envlab.analog.electret import Electret
from envlab.analog.rectifiers.active import ActiveRectifier
from envlab.chain import Chain
from envlab.engine.board import field_names
from envlab.errors import check_range


def moved_parts(chain: Chain, temperature_c: float) -> tuple[str, ...]:
    """Return what a temperature does to this board's parts, one clause each; none if it moves none of them.

    Against the temperature that the design has. Each stage that has one says it of itself.

    Parameters
    ----------
    chain : Chain
        The board.
    temperature_c : float
        −40 to 60 °C.

    Examples
    --------
    >>> import envlab
    >>> from envlab.stages import HoldCapacitor, Rectifier
    >>> moved_parts(envlab.Chain(), -10.0)
    ()
    >>> moved_parts(envlab.Chain(hold_capacitor=HoldCapacitor("x7r")), -10.0)
    ('the hold capacitor has 6.2 % less capacitance',)
    """
    check_range("temperature_c", temperature_c, -40, 60, unit="°C")
    moved: list[str] = []
    for _, stage in _stages_with_temperature(chain):
        moved += stage.moved_at(temperature_c)
    return tuple(moved)


def _stages_with_temperature(chain: Chain) -> list[tuple[str, Any]]:
    stages = [(name, getattr(chain, name)) for name in field_names(chain)]
    return _with_temperature(dict(stages))


def _with_temperature(stages: Mapping[str, Any]) -> list[tuple[str, Any]]:
    return [(name, stage) for name, stage in stages.items() if hasattr(stage, "temperature_c")]


def under_conditions(
    chain: Chain,
    *,
    temperature_c: float | None = 25.0,
    supply_v: float | None = None,
    ratiometric: bool = True,
) -> Chain:
    """Return the chain at a temperature and an analog supply voltage.

    temperature_c: −40 to 60 °C; of rectifier and hold capacitor; None: as the chain has them. supply_v:
    of preamp and microphone, with the bias at the same share of it, and the rectifier's reference node if
    that hangs on the bias; None: as the chain has it. ratiometric: the ADC's reference is that supply and
    sags with it (only if it was equal to it before). Raises ParameterError where a part cannot be what the
    operating conditions makes of it, as a drain that starves.
    """
    stages = {name: getattr(chain, name) for name in field_names(chain)}
    changed = stages_under_conditions(
        stages, temperature_c=temperature_c, supply_v=supply_v, ratiometric=ratiometric
    )
    return replace(chain, **changed)


def stages_under_conditions(
    stages: Mapping[str, Any],
    *,
    temperature_c: float | None,
    supply_v: float | None,
    ratiometric: bool = True,
) -> dict[str, Any]:
    """Return those stages of a board that operating conditions change; arguments as under_conditions.

    stages: name of a chain's field → stage. Whether they go together is seen when a Chain is made of them.
    """
    changed: dict[str, Any] = {}
    if temperature_c is not None:
        check_range("temperature_c", temperature_c, -40, 60, unit="°C")
        some = _with_temperature(stages)
        changed |= {name: replace(one, temperature_c=temperature_c) for name, one in some}
    if supply_v is None:
        return changed
    now = {**stages, **changed}
    preamp, adc, microphone, rectifier = (now[name] for name in ("preamp", "adc", "microphone", "rectifier"))
    share = supply_v / preamp.supply_v
    # With amplifiers a lifted node comes from a divider of the supply.
    divided = isinstance(rectifier, ActiveRectifier)
    if divided or rectifier.reference_node_v == preamp.bias_v:
        changed["rectifier"] = replace(rectifier, reference_node_v=rectifier.reference_node_v * share)
    if ratiometric and adc.reference_v == preamp.supply_v:
        changed["adc"] = replace(adc, reference_v=supply_v)
    if isinstance(microphone, Electret):
        changed["microphone"] = replace(microphone, supply_v=microphone.supply_v * share)
    changed["preamp"] = replace(preamp, supply_v=supply_v, bias_v=preamp.bias_v * share)
    return changed

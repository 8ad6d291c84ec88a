"""The circuit of a board as data: which parts there are, and which node each of their pins is on.

Nothing else says how a board is joined. What is drawn, bought, labelled, warned of and solved by the tests is
made from this one description.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, TypeVar

from envlab.errors import ParameterError, check_choice

GROUND = "ground"
# Every kind of part, and the names of its pins; None: as many as there are.
KINDS: Mapping[str, tuple[str, ...] | None] = MappingProxyType(
    {
        "resistor": ("1", "2"),
        "capacitor": ("1", "2"),
        "diode": ("anode", "cathode"),
        "amplifier": ("in+", "in-", "out", "v+", "v-"),
        "transistor": ("base", "collector", "emitter"),
        "microphone": None,
        "converter": None,
        "fuse": ("1", "2"),
        "controller": None,
        "pixel": None,
        "pack": ("+", "-"),
    }
)
_Thing = TypeVar("_Thing")
_SECTION = re.compile(r"^(?P<package>U\d+)[A-Z]$")


@dataclass(frozen=True)
class Component:
    """One part, or one section of a package that holds several.

    Parameters
    ----------
    reference : str
        As in the schematic: "R4"; "U2A" is the first amplifier of package U2.
    kind : str
        One of KINDS.
    pins : tuple of (str, str)
        Pin name and the node that it is on.
    role : str
        What it is for.
    value : float or None
        SI: ohm of a resistor, farad of a capacitor, ampere of a fuse.
    unit : str
        "ohm", "F", "A"; "" without a value.
    key : str
        The design's key that sets the value, as "detector.attack_ohm"; "" if it follows from others.
    stage : str
        Field of the chain that it belongs to; "supply" for what feeds the board.
    tolerance_percent : float or None
        Usual tolerance (common practice, no source).
    data : mapping
        What else a solver or a buyer must know, SI: a diode's saturation_a, an amplifier's
        gain_bandwidth_hz.

    Raises
    ------
    ParameterError
        For a kind that does not exist, or pins that the kind does not have.

    Examples
    --------
    >>> from envlab.circuit.description import Component
    >>> part = Component("R4", "resistor", (("1", "rectified"), ("2", "detector")), "attack", 4.7e3, "ohm")
    >>> part.node_at("2"), part.package
    ('detector', 'R4')
    """

    reference: str
    kind: str
    pins: tuple[tuple[str, str], ...]
    role: str
    value: float | None = None
    unit: str = ""
    key: str = ""
    stage: str = ""
    tolerance_percent: float | None = None
    data: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))

    def __post_init__(self) -> None:
        check_choice("kind", self.kind, tuple(KINDS))
        names, known = tuple(name for name, _ in self.pins), KINDS[self.kind]
        if known is not None and names != known:
            raise ParameterError("pins", names, f"those of a {self.kind}: {', '.join(known)}")

    def node_at(self, pin: str) -> str:
        """Return the name of the node that a pin is on."""
        return dict(self.pins)[pin]

    @property
    def nodes(self) -> tuple[str, ...]:
        """Names of the nodes of its pins, in their order."""
        return tuple(node for _, node in self.pins)

    @property
    def package(self) -> str:
        """Reference of what is bought: "U2" of the section "U2A"."""
        section = _SECTION.match(self.reference)
        return section["package"] if section else self.reference


@dataclass(frozen=True)
class Node:
    """What is at one voltage.

    Parameters
    ----------
    name : str
        Unique in its circuit.
    label : str
        What a trace or a drawing calls it; "" for a node that nobody looks at.
    trace : str
        Array of a ChainResult that is this node's voltage, as "preamp_v"; "" if none is.
    quiescent_v : float or None
        Where it rests, V against ground, as designed; None: not known without solving the circuit.
    fixed : bool
        Whether a supply holds it at quiescent_v.
    highest_v : float
        Most that it can be at, V against ground: from it follow the ratings of the parts.
    """

    name: str
    label: str = ""
    trace: str = ""
    quiescent_v: float | None = None
    fixed: bool = False
    highest_v: float = 0.0


@dataclass(frozen=True)
class Circuit:
    """Parts and nodes of one board; every pin is on a node, every reference stands for one part.

    Parameters
    ----------
    components : tuple of Component
        In the order of the signal, supply last.
    nodes : tuple of Node
        Every node of every pin.
    remarks : tuple of str
        What the description cannot say, one sentence each: a stage that no parts make.

    Raises
    ------
    ParameterError
        For a reference or a node that stands there twice, a pin on no node, a node without pins.
    """

    components: tuple[Component, ...]
    nodes: tuple[Node, ...]
    remarks: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        references = [one.reference for one in self.components]
        names = [one.name for one in self.nodes]
        for what, some in (("reference", references), ("node", names)):
            twice = sorted({one for one in some if some.count(one) > 1})
            if twice:
                raise ParameterError(what, twice[0], "there once")
        joined = {node for one in self.components for node in one.nodes}
        for node in sorted(joined ^ set(names)):
            limit = "among the circuit's nodes" if node in joined else "on a pin of a part"
            raise ParameterError("node", node, limit)

    def component(self, reference: str) -> Component:
        """Return the part of a reference."""
        return _only("reference", reference, {one.reference: one for one in self.components})

    def node(self, name: str) -> Node:
        """Return the node of a name."""
        return _only("node", name, {one.name: one for one in self.nodes})

    def has(self, reference: str) -> bool:
        """Whether the board has a part of this reference."""
        return any(one.reference == reference for one in self.components)

    def of_stage(self, stage: str) -> tuple[Component, ...]:
        """Return the parts of one field of the chain, in their order."""
        return tuple(one for one in self.components if one.stage == stage)

    def pins_on(self, node: str) -> tuple[tuple[str, str], ...]:
        """Return (reference, pin) of everything on a node."""
        return tuple(
            (one.reference, pin) for one in self.components for pin, name in one.pins if name == node
        )

    def of_trace(self, trace: str) -> Node:
        """Return the node whose voltage an array of a ChainResult is, as "preamp_v"."""
        return _only("trace", trace, {one.trace: one for one in self.nodes if one.trace})


def _only(what: str, name: str, known: Mapping[str, _Thing]) -> _Thing:
    if name not in known:
        raise ParameterError(what, name, f"one of {', '.join(known)}")
    return known[name]

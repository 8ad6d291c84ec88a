"""The description's rectifiers against the same circuits drawn by hand: one may not tell another story.

Both are solved by the nodal solver; the hand-drawn netlists (reference.nodal.rectifiers) were written from
the circuits, not from the package.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from circuit.nodal_board import node, rectifier_alone
from reference.nodal.rectifiers import HAND_DRAWN, Kit
from reference.nodal.solve import Circuit as Solver
from reference.nodal.waves import sine

from envlab.analog.detector import PeakDetector
from envlab.analog.rectifiers.absolute_value import AbsoluteValue
from envlab.analog.rectifiers.bias_superdiodes import BiasSuperdiodes
from envlab.analog.rectifiers.difference_superdiodes import DifferenceSuperdiodes
from envlab.analog.rectifiers.diodeless import Diodeless
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.rectifiers.pumps import Bridge, VoltageDoubler
from envlab.analog.rectifiers.transistor_detector import TransistorDetector
from envlab.chain import Chain
from envlab.circuit.circuit import circuit_of

KIT = Kit(hold_farad=0.22e-6, release_ohm=100e3)
DETECTOR = PeakDetector(KIT.attack_ohm, KIT.hold_farad, KIT.release_ohm)
N = KIT.network_ohm
# The amplifiers of the kit draw nothing.
SHEET = {"bias_current_a": 0.0}
SHIFT = dict.fromkeys(("shift_source_ohm", "shift_reference_ohm", "shift_bias_ohm", "shift_feedback_ohm"), N)
ABSOLUTE = {
    "half_input_ohm": N,
    "half_feedback_ohm": N,
    "sum_signal_ohm": N,
    "sum_half_ohm": N / 2,
    "sum_feedback_ohm": N,
}
SAME = {
    "difference_superdiodes": (DifferenceSuperdiodes(**SHEET), 0.0),
    "difference_superdiodes, lifted": (DifferenceSuperdiodes(0.15, **SHEET), 0.15),
    "absolute_value": (AbsoluteValue(**ABSOLUTE, **SHIFT, **SHEET), 0.0),
    "diodeless": (
        Diodeless(return_ohm=0.1 * N, sum_input_ohm=N, sum_feedback_ohm=N, **SHEET),
        0.0,
    ),
    "bias_superdiodes": (BiasSuperdiodes(**SHEET), 1.65),
    "passive_half_wave": (Rectifier("half", 1.65, diode="silicon"), 1.65),
    "coupled_half_wave": (
        Rectifier("half", diode="silicon", reference="coupled", coupling_farad=1e-6, return_ohm=10e3),
        0.0,
    ),
    "bridge": (Bridge(diode="silicon", inverter_input_ohm=N, inverter_feedback_ohm=N), 0.0),
    "voltage_doubler, lifted": (VoltageDoubler(0.15, diode="silicon"), 0.15),
    "transistor_detector, lifted": (TransistorDetector(reference_node_v=0.15, base_ohm=0.01), 0.15),
}


@pytest.mark.parametrize("peak_v", [0.01, 0.5, 1.6])
@pytest.mark.parametrize("name", list(SAME))
def test_the_same_circuit(name: str, peak_v: float) -> None:
    rectifier, node_v = SAME[name]
    drawn = HAND_DRAWN[name.partition(",")[0]](replace(KIT, reference_v=node_v))
    described = circuit_of(Chain(rectifier=rectifier, detector=DETECTOR))
    foot = node(described.component("C3").node_at("2"))
    held = []
    for netlist, across in (
        (drawn, "H-" + next(part.b for part in drawn if part.name == "R5")),
        (rectifier_alone(described, KIT.bias_v, node_v), f"detector-{foot}"),
    ):
        solver = Solver(netlist)
        solver.settle()
        held.append(solver.run(sine(peak_v, 1000.0, 0.01), 0.01, [across], base_s=5e-6).volts[across])
    assert held[0].max() > 1e-9
    # The description's transistor has half an ohm of emitter besides.
    within = 2e-4 if "transistor" in name else 2e-5
    assert held[1] == pytest.approx(held[0], abs=within * held[0].max())

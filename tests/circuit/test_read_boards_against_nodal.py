"""Boards whose hold capacitor shares its charge with the converter's at every reading, against their nodes.

The nodal solution knows the parts alone; at each instant the charge of the hold capacitor, against ground, is
spread over both capacitors (charge is kept), and the solution goes on from there.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from circuit.nodal_board import BASE_HZ, held_of_chain, netlist_of, node
from circuit.nodal_boards import ON_THE_BIAS, Stretch, recording_of
from reference.nodal import parts as p
from reference.nodal.solve import Circuit as Solver
from reference.nodal.waves import sampled

from envlab.analog.adc import Adc
from envlab.analog.detector import PeakDetector, averaged
from envlab.analog.hold_capacitor import HoldCapacitor
from envlab.analog.preamps.board_preamp import BoardPreamp
from envlab.analog.rectifiers.bias_superdiodes import BiasSuperdiodes
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.rectifiers.pumps import VoltageDoubler
from envlab.chain import Chain
from envlab.circuit.circuit import circuit_of
from envlab.sound.recording import Recording

SAMPLING_FARAD = 70e-12
# 500 s of the nominal capacitance, what an X7R of its class leaks.
INSULATION_S = 500.0
SILENCE_S = 0.02
TONES = recording_of((Stretch(500.0, 96.0, 0.03), Stretch(1000.0, 84.0, 0.015)))
SOUND = Recording(
    np.concatenate((np.zeros(round(SILENCE_S * TONES.sample_rate_hz)), TONES.pressure_pa)),
    TONES.sample_rate_hz,
    "silence, two tones",
)
READ = {
    "preamp": BoardPreamp(),
    "detector": PeakDetector(10e3, 10e-9, 1e6),
    "hold_capacitor": HoldCapacitor("x7r", 6.3, 2.0),
    "adc": Adc(12, rate_hz=2000.0, sampling_farad=SAMPLING_FARAD, sampling_ohm=1e3, buffered="no"),
}
BOARDS = {
    "schottky on the bias": Rectifier(**ON_THE_BIAS, diode="schottky"),
    "silicon, coupled": Rectifier(
        "half", diode="silicon", reference="coupled", coupling_farad=10e-6, return_ohm=10e3
    ),
    "super-diodes on the bias": BiasSuperdiodes(),
    "doubler, lifted": VoltageDoubler(reference_node_v=0.5),
}


@lru_cache(maxsize=len(BOARDS))
def nodal_v(chain: Chain, sound: Recording) -> np.ndarray:
    """Volts that hold capacitor and sampling capacitor have in common after each reading but the first.

    V above the reference node. The solution begins where a resistor that draws the mean would let it rest,
    as coupling capacitors take seconds to get there, and goes on through a silence without that resistor.
    """
    circuit = circuit_of(chain)
    farad = chain.detector.hold_farad * chain.hold_capacitor.share_left
    across = tuple(node(n) for n in circuit.component("C3").nodes)
    net = [one for one in netlist_of(circuit) if not one.name.endswith(".pin")]
    net = [replace(one, farad=farad) if one.name == "C3" else one for one in net]
    net.append(p.Resistor("leak", *across, INSULATION_S / chain.detector.hold_farad))
    drawn_s = SAMPLING_FARAD * chain.adc.rate_hz
    loaded = Solver([*net, p.Resistor("mean", across[0], p.GROUND, 1 / drawn_s)])
    loaded.settle()
    solver = Solver(net)
    solver.charge({one: loaded.stored_v(one) for one in solver.equations.store_names})
    wave, node_v = sampled(sound.pressure_pa, sound.sample_rate_hz), chain.rectifier.reference_node_v
    period_s, per_reading = 1 / chain.adc.rate_hz, math.ceil(BASE_HZ / chain.adc.rate_hz)
    after: list[float] = []
    for _ in range(math.floor(sound.duration_s * chain.adc.rate_hz)):
        solver.run(wave, period_s, ["-".join(across)], base_s=period_s / per_reading, every=per_reading)
        to_ground_v = solver.stored_v("C3") + node_v
        after.append(to_ground_v * farad / (farad + SAMPLING_FARAD) - node_v)
        solver.charge({"C3": after[-1]})
    return np.array(after)


def share_apart(name: str, monkeypatch: pytest.MonkeyPatch | None = None) -> float:
    """Worst difference of Chain.run's readings from the nodal solution's, over its rise above silence."""
    chain = Chain(rectifier=BOARDS[name], **READ)  # type: ignore[arg-type]
    truth_v = nodal_v(chain, SOUND)
    if monkeypatch is not None:
        built = averaged(chain.detector_as_built)
        monkeypatch.setattr(Chain, "detector_as_built", property(lambda _: built))
    chain_v, _ = held_of_chain(chain, SOUND)
    both = slice(round(0.8 * SILENCE_S * chain.adc.rate_hz), min(truth_v.size, chain_v.size))
    truth_v, chain_v = truth_v[both], chain_v[both]
    return float(np.abs(chain_v - truth_v).max() / (truth_v.max() - truth_v[0]))


@pytest.mark.parametrize("name", BOARDS)
def test_readings_that_take_charge_one_by_one(name):
    assert share_apart(name) < 1e-3


def test_a_steady_current_of_the_same_mean_is_seen_to_be_wrong(monkeypatch):
    assert share_apart("silicon, coupled", monkeypatch) > 3e-3

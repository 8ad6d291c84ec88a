"""What a board makes of its own lights' current, against the nodal solution of its description.

The microphone is silent. In its place stands what the pixels' current does, as parts: the current in steps of
1 µs, its ground as a resistance, its rail behind the regulator through the RC that decouples the microphone.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from circuit.nodal_board import netlist_of, node
from circuit.nodal_boards import BOARDS
from reference.nodal import parts as p
from reference.nodal.solve import Circuit as Solver
from reference.nodal.waves import Waves

from envlab.chain import Chain
from envlab.circuit.circuit import circuit_of
from envlab.light.curve import BrightnessMap
from envlab.light.power.coupling import Coupling
from envlab.study.feedback_wave import returned_duties, settled_v, swing_a

STEP_S = 1e-6
SETTLED_S, SEEN_S = 0.15, 0.05
MAP = BrightnessMap(66.0, 102.0)
NAMES = ("on the bias", "silicon on the bias, unbuffered")
CHAINS = {name: replace(BOARDS[name], brightness=MAP) for name in NAMES}
GROUND, RAIL = Coupling(rail_ohm=0.0, ground_ohm=1e-3), Coupling(rail_rejection_db=20.0)
CASES = (
    ("on the bias", GROUND, 0.1),
    ("on the bias", replace(GROUND, pwm_hz=16_000.0), 0.1),
    ("on the bias", RAIL, 0.2),
    ("silicon on the bias, unbuffered", replace(RAIL, ground_ohm=3e-3), 0.05),
    ("silicon on the bias, unbuffered", replace(GROUND, ground_ohm=3e-3), 0.15),
)
QUICK = 1


def current_wave(duty: float, pwm_hz: float, height_a: float) -> Waves:
    """Switched in steps of 1 µs, each edge a straight line over one of them; without its mean, A."""
    cells = round((SETTLED_S + SEEN_S) / STEP_S)
    on = (np.arange(cells + 1) * STEP_S * pwm_hz) % 1.0 < duty
    current_a = height_a * (on - on.mean())
    coefficients = np.zeros((1, cells, 6))
    coefficients[0, :, 4] = np.diff(current_a)
    coefficients[0, :, 5] = current_a[:-1]
    return Waves(coefficients, 1 / STEP_S)


def held_of_nodes(chain: Chain, coupling: Coupling, duty: float) -> float:
    """The held voltage above the board's rest, V, mean over whole periods once it is settled."""
    circuit = circuit_of(chain)
    out = next(part.out for part in netlist_of(circuit) if part.name == "capsule")
    silent = [part for part in netlist_of(circuit) if part.name not in ("capsule", "sound")]
    pressure = p.VoltageSource("sound", "pressure", p.GROUND, 0.0)
    rail = [
        p.VoltageSource("rail", "rail", p.GROUND, 0.0, coupling.rail_v_per_a),
        p.Resistor("decoupling R", "rail", "decoupled", coupling.decoupling_ohm),
        p.Capacitor("decoupling C", "decoupled", p.GROUND, coupling.decoupling_farad),
        p.ControlledSource("microphone's supply", "decoupled", p.GROUND, "foot"),
        p.VoltageSource("shared ground", out, "foot", 0.0, coupling.ground_ohm),
    ]
    solver = Solver([*silent, pressure, *rail])
    solver.settle()
    rest_v, across = solver.stored_v("C3"), "-".join(node(n) for n in circuit.component("C3").nodes)
    wave = current_wave(duty, coupling.pwm_hz, swing_a(chain))
    solved = solver.run(wave, SETTLED_S + SEEN_S, [across], base_s=5e-6, every=1)
    periods = np.floor(SEEN_S * coupling.pwm_hz) / coupling.pwm_hz
    seen = solved.times_s > solved.times_s[-1] - periods
    return float(solved.volts[across][seen].mean()) - rest_v


@pytest.mark.parametrize(
    ("board", "coupling", "duty"),
    [
        *(pytest.param(*case) for case in CASES[:QUICK]),
        *(pytest.param(*case, marks=pytest.mark.slow) for case in CASES[QUICK:]),
    ],
)
def test_what_is_held_while_the_lights_shine(board, coupling, duty):
    chain = CHAINS[board]
    nodal_v, wave_v = held_of_nodes(chain, coupling, duty), settled_v(chain, coupling, duty)
    # As for all boards: 0.15 dB above 10 counts.
    assert nodal_v > 10 * chain.adc.lsb_v
    assert abs(20 * np.log10(wave_v / nodal_v)) < 0.15


def test_the_gain_is_the_duty_that_the_nodes_would_show():
    chain, coupling = CHAINS["on the bias"], GROUND
    table = chain.brightness_table()
    (one,) = returned_duties(chain, coupling, (0.2,))
    held_v = held_of_nodes(chain, coupling, one.duty)
    counts = chain.adc_as_built.envelope_lsb(held_v, chain.quiescent_v)
    shown = float(table.look_up(np.array([counts]))[0]) / table.full_code
    # 0.15 dB of the held voltage, at half a decibel of a 36 dB map for each hundredth of the way.
    assert one.gain == pytest.approx(shown / one.duty, rel=0.03)
    assert one.gain > 1


@pytest.mark.slow
def test_the_fundamental_alone_would_be_told_apart():
    """Of a square of a twentieth the fundamental has a fifth of the height less a part: 16 dB under it."""
    chain = CHAINS["on the bias"]
    held_v = held_of_nodes(chain, GROUND, 0.05)
    fundamental = 2 / np.pi * np.sin(np.pi * 0.05)
    weaker = replace(GROUND, ground_ohm=GROUND.ground_ohm * fundamental)
    assert 20 * np.log10(held_v / settled_v(chain, weaker, 0.05)) > 6

"""A netlist in time: at rest, and then with its waves, at even instants."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from reference.nodal import kernels
from reference.nodal.equations import Equations, equations_of
from reference.nodal.parts import Part
from reference.nodal.waves import Waves, silence

RELATIVE = 1e-6
ABSOLUTE_V = 1e-7
HALVINGS = 18
# The least step of the start, s, before which nothing is known of the currents.
_REST_STEPS_PER_S = 10.0 ** np.arange(9.0, -2.01, -0.25)


@dataclass(frozen=True, eq=False)
class Solved:
    """times_s: shape (n,). volts: node → shape (n,). taken, refused: steps of the solver."""

    times_s: np.ndarray
    volts: dict[str, np.ndarray]
    taken: int
    refused: int


def _network(equations: Equations, alphas: Sequence[float], outputs: Sequence[str]) -> kernels.Network:
    """Solve the linear part once for each step length, 1/alpha."""
    e = equations
    rows = np.array([e.row(node) for node in outputs]).reshape(len(outputs), len(e.unknowns))
    right = np.hstack([e.incidence, e.drive, e.law_into])
    cuts = np.cumsum([e.incidence.shape[1], e.drives])
    parts: list[list[np.ndarray]] = []
    for alpha in alphas:
        stores = (e.incidence * (alpha * e.farads)) @ e.incidence.T
        blocks = np.split(np.linalg.solve(e.conductance + stores, right), cuts, axis=1)
        parts.append([look @ block for look in (e.law_of, e.incidence.T, rows) for block in blocks])
    seen = (np.ascontiguousarray(np.stack(some)) for some in zip(*parts, strict=True))
    return kernels.Network(e.farads, e.law_kind, e.law_numbers, e.law_pivot, e.law_constant, *seen)


class Circuit:
    """A netlist, at rest; run carries on from where the last one ended."""

    def __init__(self, netlist: Sequence[Part], waves: int = 1) -> None:
        self.equations = equations_of(netlist, waves)
        self._w = np.zeros(len(self.equations.store_names))
        self._j = np.zeros(self._w.size)
        self._v = np.zeros(self.equations.law_kind.size)
        self._time_s = 0.0
        self._consistent = True

    def settle(self) -> None:
        """Go to where nothing moves any more, the waves standing at 0.

        Raises RuntimeError if that is nowhere.
        """
        drive = np.zeros(self.equations.drives)
        drive[0] = 1.0
        net = _network(self.equations, _REST_STEPS_PER_S.tolist(), ())
        moved_v = kernels.relax(net, _REST_STEPS_PER_S, 5000, drive, self._w, self._v)
        if moved_v > 1e-6:
            raise RuntimeError(f"the circuit does not come to rest: {moved_v} V in the last step")
        self._j[:] = 0.0

    def charge(self, volts: Mapping[str, float]) -> None:
        """Put volts on capacitors (by name) at once; the rest finds its way in the next run."""
        for name, value in volts.items():
            self._w[self.equations.store_names.index(name)] = value
        self._consistent = False

    def stored_v(self, name: str) -> float:
        """Volts on a capacitor, or of an amplifier's pole ("U1.pole"), now."""
        return float(self._w[self.equations.store_names.index(name)])

    def run(
        self,
        waves: Waves,
        duration_s: float,
        outputs: Sequence[str],
        *,
        base_s: float,
        every: int = 1,
        relative: float = RELATIVE,
        absolute_v: float = ABSOLUTE_V,
    ) -> Solved:
        """Return nodes ("a", or "a-b") at every `every`th multiple of base_s, the longest step, after now.

        relative, absolute_v: what a step may err in any store. Raises RuntimeError if Newton's method fails.
        """
        alphas = [(1 << level) / (kernels.D * base_s) for level in range(HALVINGS)]
        net = _network(self.equations, alphas, outputs)
        if not self._consistent:
            self._find_currents(net, alphas[-1], waves)
        steps = round(duration_s / base_s)
        volts, taken, refused, ok = kernels.march(
            net, waves.coefficients, waves.cells_per_s, self._time_s, base_s, steps, every,
            self._w, self._j, self._v, absolute_v, relative,
        )  # fmt: skip
        if not ok:
            raise RuntimeError("Newton's method failed in the shortest step")
        times_s = self._time_s + base_s * every * np.arange(1, steps // every + 1)
        self._time_s += steps * base_s
        return Solved(times_s, dict(zip(outputs, volts.T, strict=True)), taken, refused)

    def _find_currents(self, net: kernels.Network, alpha: float, waves: Waves) -> None:
        """A few backward Euler steps of the shortest length, after which currents belong to voltages."""
        drive = np.ones(self.equations.drives)
        drive[1:] = [waves.at(np.array([self._time_s]), i)[0] for i in range(drive.size - 1)]
        last = net._replace(**{name: getattr(net, name)[-1:] for name in net._fields[5:]})
        kernels.relax(last, np.array([alpha]), 3, drive, self._w, self._v)
        before = self._w.copy()
        kernels.relax(last, np.array([alpha]), 1, drive, self._w, self._v)
        self._j = self.equations.farads * alpha * (self._w - before)
        self._consistent = True


def at_rest(netlist: Sequence[Part], nodes: Sequence[str]) -> dict[str, float]:
    """Return the volts of nodes when nothing moves and all waves are silent."""
    circuit = Circuit(netlist)
    circuit.settle()
    held = circuit.run(silence(), 1e-6, nodes, base_s=1e-6)
    return {node: float(volts[-1]) for node, volts in held.volts.items()}

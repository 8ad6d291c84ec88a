"""What a rectifier's amplifiers lose by being slow: the whole circuit against its static part.

Boards are swept and judged with the whole circuit, amplifiers included: in vector lanes it takes 0.5 to 1 ns
a sample and board (tests/benchmarks/bench_half_waves.py), so that ranking by the static part first would gain
nothing and could rank wrongly. How far the two lie apart on a board is asked here.
"""

from __future__ import annotations

from dataclasses import dataclass

from envlab.analog.rectifiers.half_waves import HalfWaves
from envlab.analog.tones.answer import steady_ratio
from envlab.chain import Chain
from envlab.errors import ParameterError
from envlab.units import db

LEVELS_DB_SPL = (66.0, 78.0, 90.0, 102.0)
FREQUENCIES_HZ = (60.0, 1000.0, 10_000.0)


@dataclass(frozen=True)
class SpeedLoss:
    """A settled tone behind one board's rectifier.

    Parameters
    ----------
    level_db_spl : float
        Of the tone, as 1 kHz would have to be to reach the rectifier so.
    frequency_hz : float
        Of the tone, Hz.
    whole_v, static_v : float
        Held above silence, V: by the whole circuit, and by amplifiers that are there at once.
    """

    level_db_spl: float
    frequency_hz: float
    whole_v: float
    static_v: float

    @property
    def loss_db(self) -> float:
        """What the dead time takes, dB below the static part; −inf where nothing is left."""
        return float(db(self.whole_v / self.static_v)) if self.whole_v > 0 else -float("inf")


def speed_losses(chain: Chain) -> tuple[SpeedLoss, ...]:
    """Return how the whole circuit differs from its static part, by level and frequency.

    Parameters
    ----------
    chain : Chain
        A board whose rectifier has amplifiers.

    Returns
    -------
    tuple of SpeedLoss
        Levels at which the static part holds less than a count are left out.

    Raises
    ------
    ParameterError
        For a rectifier without amplifiers, which has nothing to lose.

    Examples
    --------
    >>> import envlab
    >>> from envlab.analog.rectifiers.bias_superdiodes import BiasSuperdiodes
    >>> from envlab.study.rectifier_speed import speed_losses
    >>> losses = speed_losses(envlab.Chain(rectifier=BiasSuperdiodes()))
    >>> min(one.loss_db for one in losses) < -2
    True
    """
    whole = chain.rectifier_as_built
    if not isinstance(whole, HalfWaves):
        raise ParameterError(
            "topology", chain.rectifier.topology, "one with amplifiers, which take their time"
        )
    found = []
    for level_db_spl in LEVELS_DB_SPL:
        peak_v = chain.peak_at_rectifier_v(level_db_spl)
        for frequency_hz in FREQUENCIES_HZ:
            whole_v, static_v = (
                peak_v * steady_ratio(chain.detector_as_built, built, frequency_hz, peak_v)
                for built in (whole, whole.static)
            )
            if static_v >= chain.adc.lsb_v:
                found.append(SpeedLoss(level_db_spl, frequency_hz, whole_v, static_v))
    return tuple(found)

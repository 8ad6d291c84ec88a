"""The metrics of a steady tone: attack, release, ripple and what remains of the peak.

attack_ms, release_ms, settled_ratio: of CALIBRATION_HZ; attack_60hz_ms, ripple_db: of BASS_HZ; each 20 dB
under the preamp's clipping. attack_quiet_ms, settled_quiet_ratio: of CALIBRATION_HZ 40 dB under it, where a
rectifier's drop shows; only where some board does not scale with the level. How each is measured on a tone
stands in analog/tones/steady_state.py.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np

from envlab.analog.tones.answer import learn_tones
from envlab.chain import CALIBRATION_HZ, Chain
from envlab.units import FloatArray

BASS_HZ = 60.0
QUIETER = 0.1
_OF_BASS = ("attack_60hz_ms", "ripple_db")
_OF_TONE = ("attack_ms", "release_ms", "settled_ratio")
_OF_QUIET = ("attack_quiet_ms", "settled_quiet_ratio")
TONE_METRICS = ("attack_ms", "attack_60hz_ms", "release_ms", "ripple_db", "settled_ratio")


def learn_bench_tones(chains: Sequence[Chain]) -> None:
    """Find out how all boards answer the bench's tones; what asks for one of them then has it at once."""
    learn_tones(
        [(one.detector_as_built, one.rectifier_as_built) for one in chains], (BASS_HZ, CALIBRATION_HZ)
    )


def tone_metrics(
    chains: Sequence[Chain], asked: Collection[str] = (*TONE_METRICS, *_OF_QUIET)
) -> dict[str, FloatArray]:
    """Return metric → values, shape (chains,), in the unit of its name, of the tones that somebody asks of.

    Parameters
    ----------
    chains
        At least one.
    asked
        Names of metrics; others of the same tone come with them.

    Examples
    --------
    >>> import envlab
    >>> from envlab.metrics.tone_metrics import tone_metrics
    >>> list(tone_metrics([envlab.Chain()], ["ripple_db"]))
    ['attack_60hz_ms', 'ripple_db']
    """
    columns: dict[str, FloatArray] = {}
    if not set(asked).isdisjoint((*TONE_METRICS, *_OF_QUIET)):
        learn_bench_tones(chains)
    if not set(asked).isdisjoint(_OF_TONE):
        middle = [one.tone_response() for one in chains]
        columns["attack_ms"] = np.array([1e3 * one.attack_s for one in middle])
        columns["release_ms"] = np.array([1e3 * one.release_s for one in middle])
        columns["settled_ratio"] = np.array([one.settled_ratio for one in middle])
    if not set(asked).isdisjoint(_OF_BASS):
        low = [one.tone_response(BASS_HZ) for one in chains]
        columns["attack_60hz_ms"] = np.array([1e3 * one.attack_s for one in low])
        columns["ripple_db"] = np.array([one.ripple_db for one in low])
    scaling = all(one.rectifier.scales_with_level for one in chains)
    if not scaling and not set(asked).isdisjoint(_OF_QUIET):
        quiet = [one.tone_response(peak_v=QUIETER * one.tone_peak_v) for one in chains]
        columns["attack_quiet_ms"] = np.array([1e3 * one.attack_s for one in quiet])
        columns["settled_quiet_ratio"] = np.array([one.settled_ratio for one in quiet])
    return {name: columns[name] for name in (*TONE_METRICS, *_OF_QUIET) if name in columns}

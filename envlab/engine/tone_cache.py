"""The answers of many boards to the bench's tones, asked for together."""

from __future__ import annotations

from collections.abc import Sequence

from envlab.analog.detector import Detector
from envlab.analog.rectifier import Rectifier
from envlab.analog.tones.steady_state import tone_responses
from envlab.chain import CALIBRATION_HZ, Chain

BASS_HZ = 60.0


def learn_tones(chains: Sequence[Chain]) -> None:
    """Find out how all boards answer BASS_HZ and CALIBRATION_HZ; Chain.tone_response then knows it.

    Boards that do not scale with the level are left to themselves.
    """
    detectors: dict[str, list[Detector]] = {}
    for chain in chains:
        if chain.rectifier.scales_with_level:
            detectors.setdefault(chain.rectifier.kind, []).append(chain.detector_as_built)
    for kind, some in detectors.items():
        for frequency_hz in (BASS_HZ, CALIBRATION_HZ):
            tone_responses(some, Rectifier(kind), frequency_hz)

"""Loads every compiled loop that a control may call for, so that the first move is as quick as the next."""

from __future__ import annotations

import numpy as np

from envlab.chain import Chain
from envlab.errors import EnvlabError, ParameterError
from envlab.sound.recording import Recording
from envlab.sound.signals import tone
from envlab.study.listening.firmware import FirmwareListening
from envlab.study.listening.listening import Listening
from envlab.study.listening.metrics import bench_metrics, clip_light_metrics, light_flashes, region_flashes
from envlab.widget.audition.controls import Control, controls_of

_WARM_S = 0.1


def warm_up(chain: Chain, sample_rate_hz: float) -> None:
    """Hear a short tone at a clip's sample rate through the board with each choice that it offers."""
    beep = Recording(np.asarray(tone(1000.0, 1.0, _WARM_S, sample_rate_hz)), sample_rate_hz, "tone")
    short = Listening(beep)
    for control in controls_of(chain):
        for board in _tries(chain, control):
            region_flashes(short.window(board, 0.0))
            region_flashes(short.whole(board))
    light = short.whole(chain)
    clip_light_metrics(light)
    light_flashes(light)
    bench_metrics(chain)
    try:
        for _ in FirmwareListening(short.wave).in_portions(chain, light):
            pass
    except EnvlabError:
        # A board so deaf that it misses the tone loads what it needs when it first hears something.
        return


def _tries(chain: Chain, control: Control) -> list[Chain]:
    found = []
    for index in range(len(control.options)) if control.kind == "choice" else ():
        try:
            found.append(control.turned(chain, index))
        except ParameterError:
            continue
    return found

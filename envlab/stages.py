"""What a board is made of, from the microphone to the supply: the stages that envlab.Chain takes."""

from __future__ import annotations

from envlab.analog.adc import Adc
from envlab.analog.band_filter import (
    FirstBandPass,
    FirstHighPass,
    FirstLowPass,
    NoBandFilter,
    SecondBandPass,
    SecondHighPass,
    SecondLowPass,
)
from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.electret import Electret
from envlab.analog.hold_capacitor import HoldCapacitor
from envlab.analog.microphone import Microphone
from envlab.analog.preamps.board_preamp import BoardPreamp
from envlab.analog.preamps.preamp import Preamp
from envlab.analog.rectifiers.absolute_value import AbsoluteValue
from envlab.analog.rectifiers.bias_superdiodes import BiasSuperdiodes
from envlab.analog.rectifiers.difference_superdiodes import DifferenceSuperdiodes
from envlab.analog.rectifiers.diodeless import Diodeless
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.rectifiers.pumps import Bridge, VoltageDoubler
from envlab.analog.rectifiers.transistor_detector import TransistorDetector
from envlab.digital.firmware_settings import FirmwareSettings
from envlab.digital.followers import (
    AttackRelease,
    MeanSquare,
    MovingMaximum,
    MovingMean,
    OnePole,
    PassThrough,
    PeakHold,
)
from envlab.light.curve import BrightnessMap
from envlab.light.layout.layout import Layout
from envlab.light.pixels import Pixels, Supply

__all__ = [
    "AbsoluteValue",
    "Adc",
    "AttackRelease",
    "AverageDetector",
    "BiasSuperdiodes",
    "BoardPreamp",
    "Bridge",
    "BrightnessMap",
    "DifferenceSuperdiodes",
    "Diodeless",
    "Electret",
    "FirmwareSettings",
    "FirstBandPass",
    "FirstHighPass",
    "FirstLowPass",
    "HoldCapacitor",
    "Layout",
    "MeanSquare",
    "Microphone",
    "MovingMaximum",
    "MovingMean",
    "NoBandFilter",
    "OnePole",
    "PassThrough",
    "PeakDetector",
    "PeakHold",
    "Pixels",
    "Preamp",
    "Rectifier",
    "SecondBandPass",
    "SecondHighPass",
    "SecondLowPass",
    "Supply",
    "TransistorDetector",
    "VoltageDoubler",
]

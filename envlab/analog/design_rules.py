"""What a bench would show to be wrong with a board that can be built; each with what to change."""

from __future__ import annotations

import numpy as np

from envlab.analog.adc import Adc
from envlab.analog.band_filter import BandFilter
from envlab.analog.detector import Detector
from envlab.analog.preamps.board_preamp import BoardPreamp
from envlab.analog.preamps.preamp import Preamp
from envlab.analog.rectifiers.active import ActiveRectifier
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.rectifiers.pumps import PumpRectifier

_SPEECH_HZ = 1000.0
_LEAST_SWING_V = 0.1


def design_rule_warnings(
    preamp: Preamp,
    band_filter: BandFilter,
    rectifier: Rectifier | ActiveRectifier | PumpRectifier,
    detector: Detector,
    adc: Adc,
    quiescent_v: float,
) -> tuple[str, ...]:
    """Return one sentence for each thing that is wrong; none if the board is sound.

    detector, adc: as built. quiescent_v: V at the detector when nothing sounds.
    """
    found = _preamp_warnings(preamp)
    if isinstance(rectifier, Rectifier):
        found += _rectifier_warnings(preamp, rectifier)
    found += [
        *_adc_warnings(adc),
        *_dead_zone_warnings(adc, quiescent_v),
        *_buffer_warnings(adc, quiescent_v),
    ]
    most_v = _most_at_pin_v(preamp, rectifier, detector, quiescent_v)
    if most_v > adc.pin_bears_v:
        found.append(
            f"The detector can reach {most_v:.2f} V; the ADC's pin bears {adc.pin_bears_v:.2f} V: lower"
            " reference_node_v or the preamp's supply, or put a resistor and a clamp before the pin."
        )
    if abs(band_filter.response(_SPEECH_HZ)) < 1e-3:
        found.append(
            "The band filter takes more than 60 dB off at 1 kHz, where floor and ceiling are converted to"
            " counts: move its corner, or state floor and ceiling for what it lets through."
        )
    return tuple(found)


def _preamp_warnings(preamp: Preamp) -> list[str]:
    found = []
    stages = preamp.stages if isinstance(preamp, BoardPreamp) else (preamp,)
    for stage in stages:
        gain = 1 + stage.feedback_ohm / stage.ground_ohm
        if stage.gain_bandwidth_hz < gain * _SPEECH_HZ:
            found.append(
                f"A gain of {gain:.0f} with a gain-bandwidth of {stage.gain_bandwidth_hz:.3g} Hz ends at"
                f" {stage.gain_bandwidth_hz / gain:.0f} Hz: lower feedback_ohm or take a faster amplifier."
            )
    if min(preamp.swing_up_v, preamp.swing_down_v) < _LEAST_SWING_V:
        found.append(
            f"bias_v {preamp.bias_v:g} V leaves {min(preamp.swing_up_v, preamp.swing_down_v):.2f} V of swing:"
            f" move it towards {preamp.supply_v / 2:g} V."
        )
    if isinstance(preamp, BoardPreamp):
        away = abs(preamp.output_offset_v)
        if away > 0.1 * min(preamp.swing_up_v, preamp.swing_down_v):
            found.append(
                f"Offset and input bias current move the resting output by {away:.2f} V: lower input_ohm."
            )
    return found


def _rectifier_warnings(preamp: Preamp, rectifier: Rectifier) -> list[str]:
    found = []
    if rectifier.reference == "bias" and rectifier.quiescent_rectified_v(preamp.bias_v) < 0:
        found.append(
            f"The signal rests at {preamp.bias_v:g} V, below the reference node at "
            f"{rectifier.reference_node_v:g} V: nothing passes until its"
            " peaks reach the reference node; lower reference_node_v."
        )
    return found


def _adc_warnings(adc: Adc) -> list[str]:
    needed_s = adc.settling_s(0.5)
    if adc.sampling_s >= needed_s:
        return []
    return [
        f"{adc.source_ohm:g} Ω before the ADC need {1e6 * needed_s:.3g} µs to charge its sampling capacitor"
        f" to half a count, and it samples for {1e6 * adc.sampling_s:.3g} µs: lower source_ohm, sample"
        " longer, or put a buffer before the pin."
    ]


def _dead_zone_warnings(adc: Adc, quiescent_v: float) -> list[str]:
    lost_v = adc.dead_low_v - quiescent_v
    if lost_v < adc.lsb_v or adc.lowest_pin_v >= adc.dead_low_v:
        return []
    return [
        f"The ADC reads 0 up to {1e3 * adc.dead_low_v:.3g} mV and the detector rests at"
        f" {_millivolts(quiescent_v)} mV: the first {1e3 * lost_v:.3g} mV of every sound are lost. Lift"
        " reference_node_v above the dead zone, or state a floor that lies above it."
    ]


def _buffer_warnings(adc: Adc, quiescent_v: float) -> list[str]:
    lost_v = adc.lowest_pin_v - quiescent_v
    if lost_v < adc.lsb_v:
        return []
    return [
        f"The buffer before the ADC comes no nearer to ground than {1e3 * adc.lowest_pin_v:.3g} mV and the"
        f" detector rests at {_millivolts(quiescent_v)} mV: the first {1e3 * lost_v:.3g} mV of every sound,"
        f" {lost_v / adc.lsb_v:.3g} counts, are lost. Lift reference_node_v above that, state buffer_low_v of"
        ' an amplifier that comes nearer, or leave it out: buffered = "no", with what the pin takes.'
    ]


def _millivolts(volts: float) -> str:
    """Three digits, of which none is finer than a microvolt."""
    return f"{round(1e3 * volts, 3) + 0.0:.3g}"


def _most_at_pin_v(
    preamp: Preamp,
    rectifier: Rectifier | ActiveRectifier | PumpRectifier,
    detector: Detector,
    quiescent_v: float,
) -> float:
    if isinstance(rectifier, ActiveRectifier):
        built = rectifier.as_built(preamp.bias_v, preamp.supply_v)
        ends_v = np.array([-preamp.swing_down_v, preamp.swing_up_v])
        most_v = min(float(built.rectified_v(ends_v).max()), built.output_high_v)
        return max(quiescent_v, rectifier.reference_node_v + most_v * detector.divider)
    if isinstance(rectifier, PumpRectifier):
        # Twice the mean swing, no drop: an upper end.
        most_v = preamp.swing_up_v + preamp.swing_down_v
        return max(quiescent_v, rectifier.reference_node_v + most_v * detector.divider)
    swing_v = preamp.swing_up_v
    if rectifier.kind == "full":
        swing_v = max(swing_v, preamp.swing_down_v)
    offered_v = rectifier.quiescent_rectified_v(preamp.bias_v) + swing_v
    diode = rectifier.passive_diode
    lost_v = 0.0
    if diode is not None:
        # The drop at the release resistor's own current is the least that is lost.
        current_a = offered_v / (detector.slowest_s / detector.hold_farad)
        lost_v = min(offered_v, rectifier.diodes_in_path * diode.drop_v(max(0.0, current_a)))
    return max(quiescent_v, rectifier.reference_node_v + (offered_v - lost_v) * detector.divider)

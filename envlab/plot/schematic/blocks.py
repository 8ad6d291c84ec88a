"""The stages of a chain as circuits: each is drawn from a point on and returns where the signal goes on.

Drawn is what the model computes. Where the model knows what a stage does but not out of which parts it is
made (precision rectifier, level shift, phase splitter), it is a box with its class.
"""

from __future__ import annotations

from envlab.analog.board_preamp import BoardPreamp
from envlab.analog.detector import AverageDetector
from envlab.analog.electret import Electret
from envlab.analog.hold_capacitor import HoldCapacitor
from envlab.analog.microphone import Microphone
from envlab.analog.preamp import Preamp
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.plot.palette import INK, colour
from envlab.plot.schematic.pen import INPUT_Y, Pen, Point, text_width

_STAGE_KEYS = ("coupling_farad", "input_ohm", "ground_ohm", "ground_farad", "feedback_ohm")


def microphone(pen: Pen, at: Point, chain: Chain) -> Point:
    """Draw the microphone: a ready module, or an electret with its load."""
    part = chain.microphone
    x, y = at
    if isinstance(part, Electret):
        capsule = (x + 1.0, y - 1.3)
        drain = (capsule[0], y)
        pen.capsule(capsule)
        pen.wire((capsule[0], capsule[1] + 0.5), drain)
        pen.dot(drain)
        pen.wire((capsule[0], capsule[1] - 0.5), (capsule[0], capsule[1] - 0.7))
        pen.ground((capsule[0], capsule[1] - 0.7))
        top = (capsule[0], y + 1.5)
        pen.down("microphone.load_ohm", top, words="left")
        pen.rail(top, f"{part.supply_v:g} V")
        rated = f"{_decibel(part)}\nat {_ohm(part.rated_load_ohm)}"
        pen.word(f"electret\n{rated}", (capsule[0], capsule[1] - 1.4), va="top")
        return pen.wire(drain, (x + 2.0, y))
    pen.capsule((x + 0.5, y))
    box = pen.box((x + 1.0, y), ("microphone", _decibel(part)), least_height=1.6)
    pen.rail(box.top, "supply")
    pen.ground(box.bottom)
    return pen.wire(box.right, (box.right[0] + 0.2, y))


def preamp(pen: Pen, at: Point, chain: Chain) -> Point:
    """Draw one or two non-inverting stages, each from its coupling capacitor on."""
    board = chain.preamp
    stages = board.stages if isinstance(board, BoardPreamp) else (board,)
    for stage, prefix in zip(stages, ("preamp.", "preamp.second_"), strict=False):
        at = _stage(pen, at, stage, prefix, _leg_foot_v(board))
    return pen.named(at, "preamp", colour("preamp"))


def _stage(pen: Pen, at: Point, stage: Preamp, prefix: str, reference_node_v: float) -> Point:
    coupling, tie, leg, leg_capacitor, feedback = (prefix + key for key in _STAGE_KEYS)
    node = pen.across(coupling, at)
    pen.dot(node)
    pen.potential(pen.down(tie, node, words="left"), stage.bias_v)
    plus = pen.wire(node, (node[0] + 1.6, node[1]))
    out = pen.amplifier(plus)
    minus = (plus[0], plus[1] - 2 * INPUT_Y)
    knot = pen.wire(minus, (minus[0] - 0.35, minus[1]), (minus[0] - 0.35, minus[1] - 1.25))
    pen.dot(knot)
    output = (out[0] + 0.5, out[1])
    back = pen.across(feedback, knot, output[0] - knot[0])
    pen.wire(back, output, out)
    pen.dot(output)
    node_below = pen.down(leg, knot, 1.6)
    if leg_capacitor in pen.parts:
        node_below = pen.down(leg_capacitor, node_below, 0.9)
    pen.potential(node_below, reference_node_v)
    return output


def _leg_foot_v(board: Preamp) -> float:
    """A plain preamp's leg has its foot at ground behind a capacitor, at the bias without one."""
    if isinstance(board, BoardPreamp):
        return board.bias_v if board.leg_foot_v is None else board.leg_foot_v
    return board.bias_v if board.ground_farad is None else 0.0


def band_filter(pen: Pen, at: Point, chain: Chain) -> Point:
    """Draw the sections of the band filter in their order, each with its amplifier of unity gain."""
    bias_v = chain.preamp.bias_v
    for kind, way, other in (("high", "farad", "ohm"), ("low", "ohm", "farad")):
        one, two = f"band_filter.{kind}_{way}", f"band_filter.{kind}_in_{way}"
        if one in pen.parts:
            at = _first_order(pen, at, one, f"band_filter.{kind}_{other}", bias_v)
        elif two in pen.parts:
            names = (two, f"band_filter.{kind}_out_{way}")
            others = (f"band_filter.{kind}_feedback_{other}", f"band_filter.{kind}_shunt_{other}")
            at = _second_order(pen, at, names, others, bias_v)
    return at


def _first_order(pen: Pen, at: Point, way: str, shunt: str, bias_v: float) -> Point:
    node = pen.across(way, at)
    pen.dot(node)
    pen.potential(pen.down(shunt, node, words="left"), bias_v)
    return _follower(pen, pen.wire(node, (node[0] + 1.3, node[1])))


def _second_order(
    pen: Pen, at: Point, ways: tuple[str, str], others: tuple[str, str], bias_v: float
) -> Point:
    between = pen.across(ways[0], pen.wire(at, (at[0] + 0.2, at[1])))
    node = pen.across(ways[1], pen.wire(between, (between[0] + 0.3, between[1])))
    pen.dot(between)
    pen.dot(node)
    pen.potential(pen.down(others[1], node, words="left"), bias_v)
    end = _follower(pen, pen.wire(node, (node[0] + 1.3, node[1])))
    over = between[1] + 1.25
    corner = pen.wire(between, (between[0], over))
    back = pen.across(others[0], corner, end[0] - 0.3 - between[0])
    pen.wire(back, (end[0] - 0.3, end[1]))
    return end


def _follower(pen: Pen, plus: Point) -> Point:
    """An amplifier whose output goes back to its − input."""
    out = pen.amplifier(plus)
    minus = (plus[0], plus[1] - 2 * INPUT_Y)
    output = (out[0] + 0.35, out[1])
    below = minus[1] - 0.6
    pen.wire(minus, (minus[0] - 0.25, minus[1]), (minus[0] - 0.25, below), (output[0], below), output)
    pen.wire(out, output)
    pen.dot(output)
    return pen.wire(output, (output[0] + 0.3, output[1]))


def rectifier(pen: Pen, at: Point, chain: Chain) -> Point:
    """Draw the rectifier: precision as a box, a passive diode as it is soldered."""
    part = chain.rectifier
    if part.output_current_a is not None:
        at = pen.named(at, f"≤ {1e3 * part.output_current_a:g} mA", INK)
    if part.diode == "none":
        return _precision(pen, at, part)
    quiescent_v = chain.preamp.bias_v if part.reference == "bias" else part.reference_node_v
    if part.reference == "node" and part.reference_node_v != chain.preamp.bias_v and part.kind == "half":
        shifted = ("level shift", f"{chain.preamp.bias_v:g} V", f"to {part.reference_node_v:g} V")
        at = pen.box(at, shifted).right
    if part.kind == "half":
        return _diodes_in_way(pen, _coupled(pen, at, part), part)
    return _bridge(pen, at, part) if part.diodes_in_path == 2 else _two_phases(pen, at, part, quiescent_v)


def _precision(pen: Pen, at: Point, part: Rectifier) -> Point:
    y = at[1]
    lines = ["precision", "rectifier", f"{part.kind} wave"]
    if part.reference == "bias":
        lines.append("round bias")
    if part.gain_bandwidth_hz is not None:
        lines.append(f"{part.gain_bandwidth_hz / 1e6:g} MHz")
    box = pen.box(at, lines)
    pen.potential(pen.wire(box.bottom, (box.bottom[0], y - 1.5)), part.reference_node_v)
    return box.right


def _coupled(pen: Pen, at: Point, part: Rectifier) -> Point:
    if part.reference != "coupled":
        return at
    node = pen.across("rectifier.coupling_farad", at)
    if part.return_ohm is not None:
        pen.dot(node)
        pen.potential(pen.down("rectifier.return_ohm", node, words="left"), part.reference_node_v)
    return node


def _diodes_in_way(pen: Pen, at: Point, part: Rectifier) -> Point:
    start = pen.wire(at, (at[0] + 0.3, at[1]))
    length = max(1.2, (text_width(part.diode) + 0.2) / part.diodes_in_path)
    at = start
    for _ in range(part.diodes_in_path):
        at = pen.diode(at, (at[0] + length, at[1]), schottky=part.diode == "schottky")
    pen.word(part.diode, ((start[0] + at[0]) / 2, at[1] + 0.3), va="bottom")
    return at


def _two_phases(pen: Pen, at: Point, part: Rectifier, quiescent_v: float) -> Point:
    box = pen.box(at, ("phase", "splitter", f"at {quiescent_v:g} V"), least_height=2.6)
    x, y = box.right
    end = x + 1.8
    for side, sign in ((0.95, "+"), (-0.95, "−")):
        pen.word(sign, (x - 0.25, y + side))
        pen.diode((x, y + side), (end, y + side), schottky=part.diode == "schottky")
    pen.wire((end, y + 0.95), (end, y), (end, y - 0.95))
    pen.dot((end, y))
    pen.word(part.diode, (x + 0.9, y + 1.25), va="bottom")
    return end, y


def _bridge(pen: Pen, at: Point, part: Rectifier) -> Point:
    box = pen.box(at, ("floating", "drive"), least_height=1.8)
    x, y = box.right
    west, north, south, east = (x + 0.6, y), (x + 1.7, y + 1.1), (x + 1.7, y - 1.1), (x + 2.8, y)
    pen.wire(box.right, west)
    for start, end in ((west, north), (east, north), (south, west), (south, east)):
        pen.diode(start, end, schottky=part.diode == "schottky")
    for corner in (west, north, south, east):
        pen.dot(corner)
    pen.potential(south, part.reference_node_v)
    under = y - 2.35
    pen.wire(box.bottom, (box.bottom[0], under), (east[0], under), east)
    pen.word(part.diode, (north[0], north[1] + 0.2), va="bottom")
    return pen.wire(north, (east[0] + 0.5, north[1]), (east[0] + 0.5, y))


def detector(pen: Pen, at: Point, chain: Chain) -> Point:
    """Draw the resistor in the way, the hold capacitor and what empties it.

    All on the rectifier's reference node.
    """
    reference_node_v = chain.rectifier.reference_node_v
    average = isinstance(chain.detector, AverageDetector)
    way = "detector.smoothing_ohm" if average else "detector.attack_ohm"
    across = "detector.load_ohm" if average else "detector.release_ohm"
    material = _material(chain.hold_capacitor)
    lead = max(0.15, text_width(material.partition("\n")[0]) - 0.9)
    node = pen.across(way, pen.wire(at, (at[0] + lead, at[1])))
    pen.dot(node)
    node_below = pen.down("detector.hold_farad", node)
    pen.potential(node_below, reference_node_v)
    if material:
        pen.word(material, (node_below[0] - 0.4, node_below[1] + 0.75), ha="right")
    if across in pen.parts:
        beside = 0.9 + text_width(pen.parts["detector.hold_farad"].value_text)
        node = pen.wire(node, (node[0] + max(1.6, beside), node[1]))
        pen.dot(node)
        pen.potential(pen.down(across, node), reference_node_v)
    return pen.named(node, "detector", colour("detector"))


def _material(capacitor: HoldCapacitor) -> str:
    if capacitor.material == "ideal":
        return ""
    name = capacitor.material
    return f"{name.upper() if any(map(str.isdigit, name)) else name}\n{capacitor.rated_v:g} V"


def converter(pen: Pen, at: Point, chain: Chain) -> Point:
    """Draw buffer, resistor and the converter's pin; return where its counts leave."""
    part = chain.adc
    if part.buffered == "yes":
        at = _follower(pen, at)
    if "adc.source_ohm" in pen.parts:
        at = pen.across("adc.source_ohm", at)
    lines = ("ADC", f"{part.bits} bit", f"0 to {part.reference_v:g} V", _hertz(part.rate_hz))
    return pen.box(at, lines).right


def _decibel(part: Microphone) -> str:
    return f"{part.sensitivity_dbv_pa:g} dBV/Pa".replace("-", "−")


def _hertz(rate_hz: float) -> str:
    return f"{rate_hz / 1e3:g} kHz" if rate_hz >= 1e3 else f"{rate_hz:g} Hz"


def _ohm(value: float) -> str:
    return f"{value / 1e3:g} kΩ" if value >= 1e3 else f"{value:g} Ω"

"""The circuit: every part of its description once, joined as described, words that can be read."""

from __future__ import annotations

import hashlib
import io
import re
import subprocess
import sys
from collections import Counter
from functools import cache
from xml.etree import ElementTree

import matplotlib.image
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text
from plot.schematic.read_back import at, branches, joined_pins

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
from envlab.chain import Chain
from envlab.circuit.circuit import circuit_of
from envlab.circuit.description import Circuit
from envlab.circuit.ratings import plus_pin
from envlab.light.pixels import Pixels, Supply
from envlab.plot.schematic.pen import Drawn
from envlab.plot.schematic.schematic import (
    drawn_joints,
    schematic,
    schematic_files,
    schematic_png,
    schematic_svg,
)
from envlab.study.specification.parts_list import parts_list

HIGH, LOW = (1.5e-7, 1.5e-7, 6.8e3, 15e3), (6.8e3, 15e3, 1.5e-7, 6.8e-8)
FILTERS = (
    NoBandFilter(),
    FirstLowPass(10e3, 1.5e-8),
    FirstHighPass(10e3, 1.5e-7),
    FirstBandPass(10e3, 1.5e-7, 100e3, 1.5e-8),
    SecondLowPass(*LOW),
    SecondHighPass(*HIGH),
    SecondBandPass(*HIGH, *LOW),
)
RECTIFIERS = (
    Rectifier("full"),
    Rectifier("half", 1.65),
    Rectifier("full", 0.0, "bias", output_current_a=5e-3),
    Rectifier("half", 0.0, "bias", "silicon"),
    Rectifier("half", 0.0, "node", "schottky", output_current_a=20e-3),
    Rectifier("half", 1.65, "node", "germanium", diodes_in_path=2),
    Rectifier("half", 0.0, "coupled", "silicon", coupling_farad=1e-6, return_ohm=100e3),
    Rectifier("half", 0.0, "coupled", "germanium", diodes_in_path=2, coupling_farad=1e-6),
    Rectifier("full", 0.0, "node", "silicon"),
    Rectifier("full", 1.65, "bias", "schottky", diodes_in_path=2),
    DifferenceSuperdiodes(),
    DifferenceSuperdiodes(0.15, diode="schottky"),
    AbsoluteValue(),
    AbsoluteValue(0.2, "fast_rail_to_rail"),
    Diodeless(),
    Diodeless(blocking="none"),
    AbsoluteValue(0.2, blocking="none"),
    BiasSuperdiodes(),
    VoltageDoubler(),
    Bridge(0.15),
    TransistorDetector(),
    TransistorDetector(reference="coupled", coupling_farad=1e-6, return_ohm=100e3, base_ohm=0.0),
)
PREAMPS = (
    Preamp(),
    Preamp(470e3, ground_farad=None),
    BoardPreamp(leg_foot_v=0.0),
    BoardPreamp(second_feedback_ohm=100e3, leg_foot_v=0.0),
    BoardPreamp(second_feedback_ohm=10e3, second_ground_farad=None),
)
DETECTORS = (
    PeakDetector(4.7e3, 1e-6, 470e3),
    AverageDetector(10e3, 1e-6),
    AverageDetector(10e3, 2.2e-7, 4.7e6),
)
CAPACITORS = (HoldCapacitor(), HoldCapacitor("x7r"), HoldCapacitor("electrolytic", 50.0))
ADCS = (Adc(), Adc(buffered="no"), Adc(16, 2.5, 400.0, source_ohm=4.7e3))


def board(n: int, **stages: object) -> Chain:
    """A board in which the stages that are not given go round with n."""
    usual = {
        "microphone": (Microphone(), Electret(load_ohm=4.7e3))[n % 2],
        "preamp": PREAMPS[n % len(PREAMPS)],
        "detector": DETECTORS[n % len(DETECTORS)],
        "hold_capacitor": CAPACITORS[(n // 2) % len(CAPACITORS)],
        "adc": ADCS[(n // 3) % len(ADCS)],
    }
    chosen = {**usual, **stages}
    rectifier = chosen.get("rectifier")
    if not isinstance(rectifier, Rectifier | None) or (rectifier and rectifier.diode != "none"):
        chosen["detector"] = DETECTORS[0]  # a diode charges; it cannot drive an average both ways
    return Chain(**chosen)  # type: ignore[arg-type]


BOARDS = [
    *(board(n, band_filter=one, preamp=PREAMPS[3]) for n, one in enumerate(FILTERS)),
    *(
        board(n + 1, rectifier=one, band_filter=FILTERS[(n * (n % 2)) % 7])
        for n, one in enumerate(RECTIFIERS)
    ),
    *(board(n, detector=one, rectifier=Rectifier("half")) for n, one in enumerate(DETECTORS)),
    *(board(n + 2, preamp=one) for n, one in enumerate(PREAMPS)),
    Chain(
        microphone=Electret(supply_v=2.5), preamp=BoardPreamp(leg_foot_v=0.4), rectifier=AbsoluteValue(0.15)
    ),
    Chain(preamp=Preamp(supply_v=5.0, bias_v=2.5), pixels=Pixels(data_lines=3)),
]


@cache
def joints() -> tuple[tuple[Chain, Circuit, Drawn], ...]:
    """What the drawing of each board joins, beside its circuit."""
    return tuple((chain, circuit_of(chain), drawn_joints(chain)) for chain in BOARDS)


@pytest.fixture(scope="module")
def drawings() -> list[tuple[Chain, Figure]]:
    return [(chain, schematic(chain)) for chain in BOARDS]


def words_of(fig: Figure) -> list[str]:
    return [text.get_text() for text in fig.findobj(Text) if text.get_text()]


def test_every_part_of_the_circuit_is_drawn_once_and_no_other() -> None:
    for chain, circuit, drawn in joints():
        first = {one.reference: one.pins[0][0] for one in circuit.components}
        counted = Counter(name for name, pin, _ in drawn.pins if pin == first[name])
        assert counted == Counter(list(first)), chain


def test_every_reference_and_every_value_is_written_once(drawings: list[tuple[Chain, Figure]]) -> None:
    reference = re.compile(r"(?<![\w.])(?:MK|BT|PS|LED|[A-Z])\d{1,2}[A-D]?(?![\w.])")
    for chain, fig in drawings:
        said = " ".join(words_of(fig)).replace("\n", " ")
        written = Counter(reference.findall(said))
        expected = Counter(one.reference for one in circuit_of(chain).components)
        # A package with its supply pins, beside its sections; of a single amplifier both have one name.
        expected.update(one.package for one in circuit_of(chain).components if one.reference[-1] == "A")
        expected.update(
            one.reference
            for one in circuit_of(chain).components
            if one.kind == "amplifier" and one.reference == one.package
        )
        assert written == expected, chain
        for part in parts_list(chain):
            if part.value is not None:
                assert re.search(rf"\b{part.reference} {re.escape(part.value_text)}(\s|$)", said), part


def test_the_drawing_joins_what_the_description_joins() -> None:
    """Read back from pins, wires, dots and names of the drawing, by rules that know no circuit."""
    for chain, circuit, drawn in joints():
        described = {frozenset(circuit.pins_on(node.name)) for node in circuit.nodes}
        assert joined_pins(drawn) == described, chain


def test_a_dot_stands_where_three_wires_meet_and_nowhere_else() -> None:
    for chain, _, drawn in joints():
        places = {at(end): end for wire in drawn.wires for end in wire}
        places |= {at(place): place for _, _, place in drawn.pins}
        meeting = {key for key, place in places.items() if branches(drawn, place) > 2}
        assert meeting == {at(dot) for dot in drawn.dots}, chain


def test_reading_back_sees_a_wire_that_is_missing_and_one_too_many() -> None:
    """The reader itself, on three pins by hand: joined at a dot, only crossing, and by a name."""
    pins = (("R1", "1", (0.0, 0.0)), ("R2", "1", (2.0, 0.0)), ("R3", "1", (1.0, 1.0)))
    wires = (((0.0, 0.0), (2.0, 0.0)), ((1.0, 1.0), (1.0, -1.0)))
    one, two, three = (("R1", "1"), ("R2", "1"), ("R3", "1"))
    assert joined_pins(Drawn(pins, wires, (), ())) == {frozenset({one, two}), frozenset({three})}
    assert joined_pins(Drawn(pins, wires, ((1.0, 0.0),), ())) == {frozenset({one, two, three})}
    assert joined_pins(Drawn(pins, wires[:1], (), ())) == {frozenset({one, two}), frozenset({three})}
    names = (((0.0, 0.0), "bias"), ((1.0, 1.0), "bias"))
    assert joined_pins(Drawn(pins, wires[:1], (), names)) == {frozenset({one, two, three})}
    assert joined_pins(Drawn(pins, (), (), ())) == {frozenset({one}), frozenset({two}), frozenset({three})}


def test_no_word_lies_on_another_word_or_on_a_line(drawings: list[tuple[Chain, Figure]]) -> None:
    for chain, fig in drawings:
        FigureCanvasAgg(fig).draw()
        (axes,) = fig.axes
        texts = [text for text in axes.texts if text.get_text()]
        boxes = [text.get_window_extent() for text in texts]
        for n, one in enumerate(boxes):
            for m, other in enumerate(boxes[:n]):
                pair = (texts[n].get_text(), texts[m].get_text())
                assert not one.padded(-0.5).overlaps(other.padded(-0.5)), (pair, chain)
        for text, box in zip(texts, boxes, strict=True):
            inner = box.padded(-1.0)
            for line in axes.lines:
                path = line.get_path().transformed(line.get_transform())
                assert not path.intersects_bbox(inner, filled=False), (text.get_text(), chain)


def test_all_of_it_lies_on_the_sheet_and_the_sheet_is_no_wider_than_the_page(
    drawings: list[tuple[Chain, Figure]],
) -> None:
    for chain, fig in drawings:
        FigureCanvasAgg(fig).draw()
        assert fig.get_figwidth() <= 180 / 25.4 + 1e-9, chain
        sheet = fig.bbox.padded(0.5)
        for artist in (*fig.axes[0].texts, *fig.axes[0].lines):
            extent = artist.get_window_extent()
            assert sheet.contains(*extent.min), (artist, chain)
            assert sheet.contains(*extent.max), (artist, chain)


@pytest.mark.parametrize(
    ("chain", "told"),
    [
        (Chain(), ["MK1", "microphone", "−42 dBV/Pa", "ADC 10 bit", "0 to 3.3 V", "1 kHz"]),
        (Chain(), ["ideal rectifier", "no parts make it", "24 pixels", "3 × 150 mA", "5 V, 3 A"]),
        (Chain(microphone=Electret(supply_v=2.5)), ["MK1\nelectret\n−42 dBV/Pa\nat 2.2 kΩ", "2.5 V"]),
        (Chain(rectifier=RECTIFIERS[4]), ["ideal level shift"]),
        (Chain(rectifier=RECTIFIERS[8]), ["ideal splitter"]),
        (Chain(rectifier=Diodeless()), ["unused"]),
        (Chain(pixels=Pixels(count=8), supply=Supply(limit_a=1.5)), ["8 pixels", "5 V, 1.5 A"]),
        (Chain(adc=Adc(16, 2.5, 400.0)), ["ADC 16 bit", "0 to 2.5 V", "400 Hz", "regulator"]),
    ],
)
def test_what_has_no_value_is_told_in_words(chain: Chain, told: list[str]) -> None:
    said = words_of(schematic(chain))
    for words in told:
        assert words in said


def test_nothing_is_left_open_where_parts_make_all_of_it(drawings: list[tuple[Chain, Figure]]) -> None:
    for chain, fig in drawings:
        assert ("no parts make it" in words_of(fig)) == bool(circuit_of(chain).remarks), chain


def test_amplifiers_are_as_many_as_the_circuit_has(drawings: list[tuple[Chain, Figure]]) -> None:
    for chain, fig in drawings:
        # Each carries one "+" and one "−" on its inputs: five points, back, tip and back again.
        triangles = 0
        for line in fig.axes[0].lines:
            x, y = line.get_data()
            whole = ~np.isnan(x)
            corners = {(round(a, 3), round(b, 3)) for a, b in zip(x[whole], y[whole], strict=True)}
            triangles += len(corners) == 4 and np.isclose(np.ptp(y[whole]), 1.5) and np.ptp(x[whole]) > 1.2
        assert triangles == sum(one.kind == "amplifier" for one in circuit_of(chain).components), chain


def test_a_plus_stands_beside_each_capacitor_that_has_one(drawings: list[tuple[Chain, Figure]]) -> None:
    marked = 0
    for chain, fig in drawings:
        circuit = circuit_of(chain)
        polar = [one for one in circuit.components if plus_pin(circuit, one)]
        # Two strokes of 0.18 each; no other line is as short.
        ends = [line.get_xydata()[[0, -1]] for line in fig.axes[0].lines]
        strokes = [one for one in ends if np.isclose(np.hypot(*(one[1] - one[0])), 0.18)]
        assert len(strokes) == 2 * len(polar), chain
        at = {(name, pin): np.array(place) for name, pin, place in drawn_joints(chain).pins}
        for one in polar:
            plus = at[one.reference, plus_pin(circuit, one)]
            (minus,) = (at[one.reference, pin] for pin, _ in one.pins if pin != plus_pin(circuit, one))
            near = [stroke.mean(axis=0) for stroke in strokes]
            nearest = min(near, key=lambda place, middle=(plus + minus) / 2: np.hypot(*(place - middle)))
            assert np.hypot(*(nearest - plus)) < np.hypot(*(nearest - minus)), (one.reference, chain)
        marked += len(polar)
    assert marked > len(drawings)


def test_potentials_are_named_with_the_volts_by_which_other_places_call_them() -> None:
    said = words_of(schematic(Chain(rectifier=DifferenceSuperdiodes(0.15))))
    assert "bias 1.65 V" in said and "reference node 0.15 V" in said
    assert {"1.65 V", "0.15 V"} <= set(said)


def test_svg_and_png_are_whole_pictures_of_the_same_size() -> None:
    root = ElementTree.fromstring(schematic_svg(Chain()))
    width_pt, height_pt = (float(root.attrib[side].removesuffix("pt")) for side in ("width", "height"))
    picture = matplotlib.image.imread(io.BytesIO(schematic_png(Chain(), dpi=72)))
    assert picture.shape[:2] == (int(height_pt), int(width_pt))
    assert 0.01 < (picture[..., :3].min(axis=2) < 0.5).mean() < 0.2


def test_drawn_once_it_is_the_same_drawing_and_the_same_picture() -> None:
    chain = BOARDS[-1]
    both = schematic_files(chain, dpi=100)
    assert both.svg == schematic_svg(chain)
    assert both.png == schematic_png(chain, dpi=100)


def test_the_same_chain_gives_the_same_bytes_in_any_process() -> None:
    code = (
        "import hashlib; from envlab.chain import Chain\n"
        "from envlab.plot.schematic.schematic import schematic_svg\n"
        "print(hashlib.sha256(schematic_svg(Chain()).encode()).hexdigest())\n"
    )
    here = hashlib.sha256(schematic_svg(Chain()).encode()).hexdigest()
    again = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert again.stdout.strip() == here
    assert schematic_svg(Chain()) != schematic_svg(Chain(preamp=Preamp(22e3)))


def test_no_word_is_smaller_than_8_points(drawings: list[tuple[Chain, Figure]]) -> None:
    for _, fig in drawings:
        assert min(text.get_fontsize() for text in fig.axes[0].texts) >= 8.0

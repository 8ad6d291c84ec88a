"""The circuit: every part of the parts list once, joined as the model computes it, words that can be read."""

from __future__ import annotations

import dataclasses
import hashlib
import io
import re
import subprocess
import sys
from collections import Counter
from xml.etree import ElementTree

import matplotlib.image
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

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
from envlab.analog.board_preamp import BoardPreamp
from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.electret import Electret
from envlab.analog.hold_capacitor import HoldCapacitor
from envlab.analog.microphone import Microphone
from envlab.analog.preamp import Preamp
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.light.pixels import Pixels, Supply
from envlab.plot.schematic.schematic import schematic, schematic_png, schematic_svg
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
    if isinstance(rectifier, Rectifier) and rectifier.diode != "none":
        chosen["detector"] = DETECTORS[0]  # a diode charges; it cannot drive an average both ways
    return Chain(**chosen)  # type: ignore[arg-type]


BOARDS = [
    *(board(n, band_filter=one) for n, one in enumerate(FILTERS)),
    *(board(n + 3, band_filter=one, preamp=PREAMPS[3]) for n, one in enumerate(FILTERS)),
    *(board(n, rectifier=one) for n, one in enumerate(RECTIFIERS)),
    *(board(n + 1, rectifier=one, band_filter=FILTERS[n % 7]) for n, one in enumerate(RECTIFIERS)),
    *(board(n, detector=one, rectifier=Rectifier("half")) for n, one in enumerate(DETECTORS)),
    *(board(n + 2, preamp=one) for n, one in enumerate(PREAMPS)),
]


@pytest.fixture(scope="module")
def drawings() -> list[tuple[Chain, Figure]]:
    return [(chain, schematic(chain)) for chain in BOARDS]


def words_of(fig: Figure) -> list[str]:
    return [text.get_text() for text in fig.findobj(Text) if text.get_text()]


def test_every_part_of_the_list_stands_in_the_drawing_once_and_no_other(
    drawings: list[tuple[Chain, Figure]],
) -> None:
    for chain, metric in drawings:
        named = Counter(re.findall(r"\b[A-Z]{1,2}\d{1,2}\b(?=[ \n])", "\n".join(words_of(metric))))
        named.pop("X7R", None)
        assert named == Counter(part.reference for part in parts_list(chain)), chain


def test_each_reference_carries_the_value_of_its_part(drawings: list[tuple[Chain, Figure]]) -> None:
    for chain, metric in drawings:
        said = " ".join(words_of(metric)).replace("\n", " ")
        for part in parts_list(chain):
            assert re.search(rf"\b{part.reference} {re.escape(part.value_text)}(\s|$)", said), part


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


def test_the_usual_board_is_one_row_from_microphone_to_counts() -> None:
    said = words_of(schematic(Chain()))
    assert "preamp" in said
    assert "detector" in said
    assert said.count("counts") == 2  # they leave the converter and reach the microcontroller
    assert not any(word == "filtered" for word in said)


@pytest.mark.parametrize(
    ("chain", "told"),
    [
        (Chain(), ["microphone", "−42 dBV/Pa", "precision", "full wave", "10 bit", "0 to 3.3 V", "1 kHz"]),
        (Chain(), ["24 pixels", "3 × 150 mA", "5 V, 3 A", "table of 1024 × 16 bit", "100 frames/s"]),
        (Chain(), ["3.3 V for amplifiers", "1.65 V as bias", "fuse", "pack"]),
        (Chain(microphone=Electret(supply_v=2.5)), ["electret\n−42 dBV/Pa\nat 2.2 kΩ", "2.5 V"]),
        (Chain(rectifier=RECTIFIERS[2]), ["round bias", "10 MHz", "≤ 5 mA"]),
        (Chain(rectifier=RECTIFIERS[4]), ["level shift", "1.65 V", "to 0 V", "schottky", "≤ 20 mA"]),
        (Chain(rectifier=RECTIFIERS[8]), ["phase", "splitter", "at 0 V", "silicon"]),
        (Chain(rectifier=RECTIFIERS[9]), ["floating", "drive", "schottky"]),
        (Chain(hold_capacitor=HoldCapacitor("x7r")), ["X7R\n16 V"]),
        (Chain(pixels=Pixels(count=8), supply=Supply(limit_a=1.5)), ["8 pixels", "5 V, 1.5 A"]),
        (Chain(adc=Adc(16, 2.5, 400.0)), ["16 bit", "0 to 2.5 V", "400 Hz", "table of 4097 × 16 bit"]),
    ],
)
def test_what_has_no_reference_is_told_in_words(chain: Chain, told: list[str]) -> None:
    said = words_of(schematic(chain))
    for words in told:
        assert words in said


def potentials(chain: Chain, volts: str) -> int:
    return words_of(schematic(chain)).count(volts)


def test_capacitor_and_release_stand_on_the_rectifiers_reference_node() -> None:
    """quiescent_v is the reference node of rectifier, hold capacitor and release resistor."""
    lifted = Chain(rectifier=Rectifier("full", 1.2))
    assert potentials(lifted, "1.2 V") == 3
    assert potentials(Chain(), "1.2 V") == 0
    assert potentials(Chain(rectifier=Rectifier("half", 1.2, "bias", "silicon")), "1.2 V") == 2


def test_the_ground_leg_ends_where_the_model_has_it() -> None:
    """Input resistor and leg: both at the bias, or the leg at another voltage."""
    assert potentials(Chain(preamp=BoardPreamp()), "1.65 V") == 2
    assert potentials(Chain(preamp=BoardPreamp(leg_foot_v=0.4)), "0.4 V") == 1
    assert potentials(Chain(preamp=BoardPreamp(leg_foot_v=0.4)), "1.65 V") == 1
    assert potentials(Chain(preamp=Preamp(ground_farad=None)), "1.65 V") == 2
    assert potentials(Chain(preamp=Preamp()), "1.65 V") == 1
    assert potentials(Chain(preamp=BoardPreamp(second_feedback_ohm=10e3)), "1.65 V") == 4


def test_amplifiers_are_as_many_as_the_model_has() -> None:
    def amplifiers(chain: Chain) -> int:
        # Each carries one "+" and one "−" on its inputs: five points, back, tip and back again.
        triangles = 0
        for line in schematic(chain).axes[0].lines:
            x, y = line.get_data()
            whole = ~np.isnan(x)
            corners = {(round(a, 3), round(b, 3)) for a, b in zip(x[whole], y[whole], strict=True)}
            triangles += len(corners) == 4 and np.isclose(np.ptp(y[whole]), 1.5) and np.ptp(x[whole]) > 1.2
        return triangles

    bare = Chain(adc=Adc(buffered="no"))
    assert amplifiers(bare) == 1
    assert amplifiers(Chain()) == 2
    assert amplifiers(dataclasses.replace(bare, preamp=BoardPreamp(second_feedback_ohm=10e3))) == 2
    assert [amplifiers(dataclasses.replace(bare, band_filter=one)) for one in FILTERS] == [
        1,
        2,
        2,
        3,
        2,
        2,
        3,
    ]


def test_svg_and_png_are_whole_pictures_of_the_same_size() -> None:
    root = ElementTree.fromstring(schematic_svg(Chain()))
    width_pt, height_pt = (float(root.attrib[side].removesuffix("pt")) for side in ("width", "height"))
    picture = matplotlib.image.imread(io.BytesIO(schematic_png(Chain(), dpi=72)))
    assert picture.shape[:2] == (int(height_pt), int(width_pt))
    assert 0.01 < (picture[..., :3].min(axis=2) < 0.5).mean() < 0.2


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

"""A layout of light in a design file: read, written, refused in one line, and the same board otherwise."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tomlkit
from study.specification.test_design_schema import accepted

from envlab.board_firmware import runtime_design
from envlab.board_firmware.folder import firmware_folder, firmware_words, layout_words
from envlab.chain import Chain
from envlab.design_file import chain_of, design_text, digest, read_design
from envlab.digital.followers import PeakHold
from envlab.errors import EnvlabError, FileError
from envlab.firmware.export import check_firmware, firmware_files
from envlab.light.layout.board import board_layout_table
from envlab.light.layout.layout import KINDS, Layout
from envlab.light.pixels import Pixels, Supply
from envlab.shipped import demo_design
from envlab.study.specification.specification import read_specification
from envlab.study.specification.written import write_specification

WEIGHTS = tuple(float(n) for n in range(24))
LAYOUTS = {
    "from_end": Layout("from_end", lit_share=0.5, ranks=6),
    "from_middle": Layout("from_middle", rest_light=0.01),
    "share": Layout("share", lit_share=0.25),
    "travelling": Layout("travelling", group_pixels=4, pixels_per_second=12.5),
    "weights": Layout("weights", weights=WEIGHTS),
}


def read(text: str, folder: Path) -> Chain:
    path = folder / "mine.toml"
    path.write_text(text, "utf-8")
    return read_design(path)


@pytest.mark.parametrize("kind", LAYOUTS)
def test_every_kind_is_written_with_its_keys_alone_and_read_back(kind, tmp_path):
    chain = replace(Chain(), layout=LAYOUTS[kind])
    text = design_text(chain)
    assert read(text, tmp_path) == chain
    assert tuple(tomllib.loads(text)["layout"]) == LAYOUTS[kind].keys
    assert accepted(tomllib.loads(text))
    assert digest(chain) != digest(Chain())


def test_a_board_whose_pixels_are_alike_is_written_and_numbered_as_ever():
    assert "layout" not in design_text(Chain())
    assert "[layout]" in design_text(Chain(layout=Layout("share")))
    assert chain_of({"layout": {}}, "mine.toml").layout == Layout()
    assert chain_of({"layout": {"kind": "all_alike"}}, "mine.toml").layout == Layout()
    assert set(LAYOUTS) | {"all_alike"} == set(KINDS)


BAD = [
    ('kind = "ring"', "mine.toml: [layout] kind is 'ring'; it must be one of all_alike, from_end,"),
    ('kind = "from_end"\nrest_light = 0.3', "mine.toml: [layout] rest_light is 0.3; it must be below 0.246:"),
    (
        'kind = "from_end"\nranks = 25',
        "mine.toml: [layout] ranks is 25; it must be at most 24 for a bar of 24",
    ),
    (
        'kind = "travelling"\ngroup_pixels = 0',
        "mine.toml: [layout] group_pixels is 0; it must be a whole number",
    ),
    (
        'kind = "travelling"\ngroup_pixels = 25',
        "mine.toml: [layout] group_pixels is 25; it must be at most 24",
    ),
    ('kind = "share"\nlit_share = 0', "mine.toml: [layout] lit_share is 0.0; it must be above 0"),
    ('kind = "share"\nlit_share = 0.01', "mine.toml: [layout] lit_share is 0.01; it must be at least 0.0417"),
    (
        'kind = "weights"\nweights = [1, 2]',
        "mine.toml: [layout] weights is (1.0, 2.0); it must be 24 numbers, one",
    ),
    ('kind = "weights"\nweights = [1, -2]', "mine.toml: [layout] weights, number 2, is -2.0; it must be at"),
    (
        'kind = "weights"\nweights = [0, 0]',
        "mine.toml: [layout] weights is (0.0, 0.0); it must be above 0 for",
    ),
    ('kind = "weights"\nweights = 3', "mine.toml: [layout] weights is 3; it must be a list of numbers"),
    ('kind = "weights"\nweights = ["a", 1]', "mine.toml: [layout] weights is 'a'; it must be a number"),
    ('kind = "weights"', "mine.toml: [layout] weights is (); it must be a number for each pixel"),
    ('kind = "share"\nspeed = 3', "mine.toml: [layout] has an unknown key 'speed'"),
    (
        'kind = "share"\npixels_per_second = 3',
        "mine.toml: [layout] pixels_per_second is 3.0; it must be left out",
    ),
]


@pytest.mark.parametrize(("text", "said"), BAD, ids=[said[20:70] for _, said in BAD])
def test_what_cannot_be_is_one_line_with_file_section_key_value_and_limit(text, said, tmp_path):
    with pytest.raises(FileError) as refused:
        read(f"[layout]\n{text}\n", tmp_path)
    assert str(refused.value).startswith(said)
    assert "\n" not in str(refused.value)


def test_a_layout_and_pixels_that_do_not_go_together_are_refused_whichever_is_changed():
    board = Chain(layout=Layout("from_end", ranks=24))
    with pytest.raises(EnvlabError, match="ranks is 24; it must be at most 12"):
        replace(board, pixels=Pixels(12))
    resting = Chain(layout=Layout("share", rest_light=0.2))
    with pytest.raises(EnvlabError, match=r"rest_light is 0\.2; it must be below 0\.18"):
        replace(resting, supply=Supply(2.0))
    with pytest.raises(EnvlabError, match="pixel_bits is 6; it must be at least 8 with a layout of light"):
        replace(board, pixel_bits=6)


def test_a_layout_cannot_be_swept(tmp_path):
    path = tmp_path / "mine.toml"
    text = Path(demo_design()).read_text("utf-8")
    path.write_text(f"{text}\n[sweep.layout]\nrest_light = [0.0, 0.1]\n", "utf-8")
    with pytest.raises(FileError, match=r"\[sweep\.layout\] cannot be swept"):
        read_specification(path)


@pytest.mark.parametrize("kind", LAYOUTS)
def test_a_specification_is_written_with_its_layout_and_another_takes_its_place(kind, tmp_path):
    asked = read_specification(demo_design())
    with_layout = replace(asked, chain=replace(asked.chain, layout=LAYOUTS[kind]))
    path = write_specification(with_layout, tmp_path / "mine.toml")
    again = read_specification(path)
    assert again.chain.layout == LAYOUTS[kind]
    other = LAYOUTS["weights" if kind == "share" else "share"]
    changed = replace(again, chain=replace(again.chain, layout=other))
    path = write_specification(changed, tmp_path / "other.toml")
    assert read_specification(path).chain.layout == other
    assert set(tomlkit.parse(path.read_text("utf-8"))["layout"]) <= set(other.keys)
    alike = replace(again, chain=replace(again.chain, layout=Layout()))
    path = write_specification(alike, tmp_path / "alike.toml")
    assert read_specification(path).chain == asked.chain


@pytest.mark.parametrize("kind", LAYOUTS)
@pytest.mark.parametrize("current_limit", ["table", "frame"])
def test_the_board_and_its_firmware_have_the_same_table(kind, current_limit):
    chain = Chain(layout=LAYOUTS[kind], pixel_bits=8, dither_bits=2, current_limit=current_limit)
    assert runtime_design(chain).layout_table == board_layout_table(chain)
    assert runtime_design(replace(chain, layout=Layout())).layout_table is None


@pytest.mark.parametrize("kind", LAYOUTS)
def test_the_exported_folder_has_it_and_checks(kind, tmp_path):
    chain = Chain(layout=LAYOUTS[kind])
    files = firmware_folder(chain, "night", None, project=True)
    assert {"envlab_layout.c", "envlab_layout.h", "envlab_layout_table.h"} <= set(files)
    for name, content in files.items():
        (tmp_path / name).write_bytes(content)
    check_firmware(tmp_path)
    alike = firmware_folder(Chain(), "night", None, project=True)
    assert set(files) - set(alike) == {"envlab_layout.c", "envlab_layout.h", "envlab_layout_table.h"}
    # The tables for firmware of one's own say what all pixels alike may have, with any layout.
    assert [line for line in files["night.h"].splitlines() if line.startswith(b"    ")] == [
        line for line in alike["night.h"].splitlines() if line.startswith(b"    ")
    ]


def test_a_board_that_the_runtime_lacks_has_no_layout():
    chain = Chain(layout=LAYOUTS["share"], follower=PeakHold(0.05, 0.3))
    with pytest.raises(
        EnvlabError, match=r"has no follower peak_hold.*; without it there is no layout of light"
    ):
        firmware_folder(chain, "night", None)
    assert layout_words(chain) == []


def test_what_is_told_of_a_layout_are_its_numbers():
    chain = Chain(layout=LAYOUTS["travelling"], pixel_bits=8)
    words = layout_words(chain)
    design = runtime_design(chain)
    shown = 4 * 3 * 255
    assert words[0] == (
        'The layout "travelling" lights 4 of 24 pixels at full light, the brightest at 100 % of its own full,'
        f" and takes {shown} of the {design.frame_words.limit} codes that the converter carries."
    )
    assert words[1] == "It goes round every 1.92 s."
    assert "a part of the chain may flash more often" in words[2]
    assert all(line in firmware_words(chain, None) for line in words)
    bar = layout_words(Chain(layout=Layout("from_end")))
    assert len(bar) == 2
    assert bar[0].startswith(
        'The layout "from_end" lights 7 of 24 pixels at full light, the brightest at 100 %'
    )
    assert layout_words(Chain()) == []
    unguarded = replace(chain, firmware=replace(chain.firmware, guard="off"))
    assert len(layout_words(unguarded)) == 2


def test_the_guard_is_told_what_the_layout_needs():
    """A coloured bar changes by a tenth of its light within less than a tenth of the duty."""
    alike, bar = (runtime_design(Chain(layout=one)).guard_words for one in (Layout(), Layout("from_end")))
    assert (alike.bits, bar.bits) == (16, 16)
    assert 0.7 * alike.least < bar.least < 0.85 * alike.least
    text = firmware_files(runtime_design(Chain(layout=Layout("from_end"), pixel_bits=8)))[
        "envlab_parameters.h"
    ]
    assert "#define ENVLAB_GUARD_BITS 16 " in text
    assert "#define ENVLAB_FRAME_BITS 8 " in text


def test_a_layout_is_a_board_of_its_own_for_whoever_keeps_results():
    boards = {Chain(layout=layout) for layout in LAYOUTS.values()} | {Chain()}
    assert len(boards) == len(LAYOUTS) + 1
    assert np.unique([digest(board) for board in boards]).size == len(boards)

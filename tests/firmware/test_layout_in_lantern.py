"""Boards with a layout of light, whole: the example lantern, the light path, the boot check, the export."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from firmware import light_vectors
from firmware import twin_vectors as twin
from firmware.host_build import HERE, build, feed
from firmware.light_vectors import EXAMPLES, LightCase, full_table
from firmware.targets import MACHINES, require, run_machine
from firmware.targets.machines import ONE_OF_EACH_KIND
from firmware.targets.runtime import runtime_driver
from firmware.test_boot import BROKEN_TABLE, DRIVER, FINE, WRONG_NUMBERS
from firmware.test_hand_edits import changed_with_its_check
from firmware.test_lantern import DUTIES, SANITIZE
from firmware.test_layout_on_machines import slow_but
from firmware.test_light_path import light_driver
from reference.c_compilers import PEDANTIC, run

from envlab.digital.fixed_frame import Dither
from envlab.digital.light_path import LightPath, show_frames
from envlab.errors import FileError
from envlab.firmware.example_colours import lantern_colours
from envlab.firmware.export import check_firmware, firmware_files, write_firmware
from envlab.light.layout.layout import Layout
from envlab.light.pixels import Pixels, Supply

QUICK = 30.0


def lantern_design(layout, pixels, channels, bits, dither=None):
    chain = Pixels(pixels, channels, 0.020, 0.0)
    # A third of what all channels would take.
    supply = Supply(max(0.020, 0.007 * pixels * channels))
    rate = min(QUICK, 3.0 * pixels)
    layout = replace(layout, pixels_per_second=rate) if layout.kind == "travelling" else layout
    return full_table(pixels=chain, supply=supply, pixel_bits=bits, dither=dither, layout=layout)


def rising(pixels: int) -> Layout:
    return Layout("weights", weights=tuple(float(n % 300) for n in range(pixels)))


CHAINS = {
    "one pixel, from end": (Layout("from_end"), 1, 3, 8, None),
    "one pixel, travelling": (Layout("travelling"), 1, 3, 8, None),
    "24, from end": (Layout("from_end"), 24, 3, 8, None),
    "24, from middle, rest light": (Layout("from_middle", rest_light=0.05), 24, 3, 12, None),
    "25, from middle, all lit": (Layout("from_middle", lit_share=1.0), 25, 1, 16, None),
    "24, share": (Layout("share"), 24, 4, 16, None),
    "24, travelling, dithered": (Layout("travelling", group_pixels=5), 24, 3, 8, Dither(2, 800.0)),
    "24, weights": (rising(24), 24, 3, 8, None),
    "257, weights": (rising(257), 257, 3, 8, None),
    "300, from end": (Layout("from_end", lit_share=1.0), 300, 3, 16, None),
    "10,922, from end": (Layout("from_end"), 10_922, 3, 16, None),
    "10,922, from middle": (Layout("from_middle", rest_light=0.01), 10_922, 3, 8, None),
    "10,922, travelling": (Layout("travelling"), 10_922, 3, 16, None),
    "10,922, weights": (rising(10_922), 10_922, 3, 8, None),
}
QUICK_CHAINS = (
    "one pixel, from end",
    "24, from middle, rest light",
    "24, travelling, dithered",
    "24, weights",
    "10,922, travelling",
)


@pytest.mark.parametrize("name", slow_but(CHAINS, *QUICK_CHAINS))
def test_every_pixel_of_any_chain_is_shown_as_the_twin_has_it(name, tmp_path, c_compiler):
    design = lantern_design(*CHAINS[name])
    for file, text in firmware_files(design, design_digest="lantern").items():
        (tmp_path / file).write_text(text, "ascii")
    include = ("-I", tmp_path, "-I", EXAMPLES)
    run(
        c_compiler, "-std=c99", *PEDANTIC, "-Wshadow", *SANITIZE, *include, HERE / "lantern_board.c",
        EXAMPLES / "lantern.c", *tmp_path.glob("envlab_*.c"), "-o", tmp_path / "lantern",
    )  # fmt: skip
    # Often enough for a travelling picture to come round the end of a short chain.
    duties = np.tile(DUTIES, 40 if design.channels < 1000 else 1)
    colours = lantern_colours(design.pixels.channels)
    path = LightPath(
        design.words, design.codes, design.frame_words, colours, refreshes=2, layout=design.layout_table
    )
    wanted = show_frames(path, duties)
    data = feed(tmp_path / "lantern", duties.astype("<u2").tobytes())
    got = np.frombuffer(data, "<u2").reshape(wanted.shape)
    np.testing.assert_array_equal(got, wanted)
    assert (got.sum(axis=-1, dtype=np.int64) <= design.frame_words.limit).all()
    assert got.max() > 0


def travelling(**changes):
    layout = Layout("travelling", group_pixels=7, pixels_per_second=37.0)
    return full_table(**{"brightness_rate_hz": 100.0, "pixel_bits": 8, "layout": layout, **changes})


PATHS = {
    "travelling, 8 bit": LightCase(travelling()),
    "from middle, 8 bit, dithered": LightCase(
        full_table(
            brightness_rate_hz=400.0,
            pixel_bits=8,
            dither=Dither(2, 800.0),
            layout=Layout("from_middle", lit_share=0.6, rest_light=0.01),
        )
    ),
    "from end, 16 bit": LightCase(full_table(layout=Layout("from_end", ranks=8, lit_share=0.5))),
}
FRAMES = 1500


@cache
def stimuli_and_records(case_name: str) -> tuple[bytes, np.ndarray]:
    case = PATHS[case_name]
    readings, offsets = light_vectors.stimuli(FRAMES)
    return light_vectors.stimulus_bytes(readings, offsets), light_vectors.expected(case, readings, offsets)


@pytest.mark.parametrize("case_name", slow_but(PATHS, "travelling, 8 bit"))
@pytest.mark.parametrize("name", ONE_OF_EACH_KIND)
def test_every_code_that_goes_to_the_pixels_is_the_twins(name, case_name, tmp_path):
    machine, case = MACHINES[name], PATHS[case_name]
    require(machine)
    stimuli, wanted = stimuli_and_records(case_name)
    driver = light_driver(case, case.files, tmp_path)
    got = np.frombuffer(run_machine(machine, driver, stimuli, tmp_path), case.record)
    np.testing.assert_array_equal(got["duty"], wanted["duty"])
    np.testing.assert_array_equal(got["codes"], wanted["codes"])


@pytest.mark.parametrize("case_name", PATHS)
def test_no_refresh_passes_the_limit_and_the_limiter_has_nothing_to_do(case_name):
    case = PATHS[case_name]
    wanted = stimuli_and_records(case_name)[1]
    assert (wanted["codes"].sum(axis=-1, dtype=np.int64) <= case.design.frame_words.limit).all()
    assert (wanted["duty"] <= case.path.largest_duty).all()
    assert wanted["duty"].max() > 0.9 * case.design.brightest_duty
    assert case.path.largest_duty >= case.design.brightest_duty
    white = replace(case.path, colours=np.full((1, 3), 65_535))
    brightest = show_frames(white, np.full(4, case.design.brightest_duty)).sum(axis=-1)
    assert (brightest <= case.design.frame_words.limit).all()
    assert (brightest >= 0.98 * case.design.frame_words.limit).all()


@pytest.fixture
def boot_files():
    return dict(firmware_files(travelling(), design_digest="boot"))


@pytest.mark.parametrize("name", ONE_OF_EACH_KIND)
@pytest.mark.parametrize("case_name", slow_but(PATHS, "travelling, 8 bit"))
def test_all_is_fine_at_boot_as_exported(name, case_name, tmp_path):
    machine = MACHINES[name]
    require(machine)
    layout = PATHS[case_name].design.layout
    files = firmware_files(full_table(pixel_bits=8, layout=layout), design_digest="boot")
    parts = tuple(file for file in files if file.endswith(".c"))
    driver = runtime_driver(DRIVER, files, tmp_path, input_bytes=1, record_bytes=3, parts=parts)
    assert list(run_machine(machine, driver, b"\0", tmp_path)) == FINE


def at_boot(files, folder, compiler) -> list[int]:
    for name, text in files.items():
        (folder / name).write_text(text, "ascii")
    return list(feed(build(compiler, DRIVER, folder, (1, 3)), b"\0"))


@pytest.mark.parametrize("array", ["ranks", "rises"])
def test_one_changed_bit_of_the_layouts_table_is_named(array, boot_files, tmp_path, c_compiler):
    head, rows = boot_files["envlab_layout_table.h"].split(f"envlab_layout_{array}[", 1)
    before, _, after = rows.partition("{\n    ")
    number, _, rest = after.partition("u")
    boot_files["envlab_layout_table.h"] = (
        f"{head}envlab_layout_{array}[{before}{{\n    {int(number) ^ 1}u{rest}"
    )
    assert at_boot(boot_files, tmp_path, c_compiler)[:2] == BROKEN_TABLE[:2]


@pytest.mark.parametrize("macro", ["LAYOUT_SPAN", "LAYOUT_STEP", "LAYOUT_REST", "LAYOUT_FRACTION"])
def test_numbers_changed_together_with_their_check_sum_still_show(macro, boot_files, tmp_path, c_compiler):
    add = {"LAYOUT_SPAN": -9000, "LAYOUT_FRACTION": -1}.get(macro, 300)
    text = boot_files["envlab_parameters.h"]
    boot_files["envlab_parameters.h"] = changed_with_its_check(text, macro, add=add)
    assert at_boot(boot_files, tmp_path, c_compiler) == WRONG_NUMBERS


@pytest.mark.parametrize("macro", ["RANKS", "FRACTION", "REST", "SPAN", "STEP"])
def test_a_number_changed_by_hand_stops_the_compiler(macro, boot_files, tmp_path, c_compiler):
    name = f"#define ENVLAB_LAYOUT_{macro} "
    lines = boot_files["envlab_parameters.h"].split("\n")
    at = next(n for n, line in enumerate(lines) if line.startswith(name))
    value, _, rest = lines[at].removeprefix(name).partition(" ")
    lines[at] = f"{name}{int(value.rstrip('u')) + 1}{'u' * value.endswith('u')} {rest}"
    boot_files["envlab_parameters.h"] = "\n".join(lines)
    with pytest.raises(AssertionError, match="a number of the layout of light was changed by hand"):
        at_boot(boot_files, tmp_path, c_compiler)


def test_files_of_two_layouts_do_not_compile_together(boot_files, tmp_path, c_compiler):
    other = firmware_files(travelling(layout=Layout("share")), design_digest="boot")
    boot_files["envlab_layout_table.h"] = other["envlab_layout_table.h"]
    with pytest.raises(AssertionError, match=r"envlab_layout_table\.h is of another export"):
        at_boot(boot_files, tmp_path, c_compiler)


def test_an_edited_layout_table_is_found_in_the_folder(tmp_path):
    write_firmware(travelling(), tmp_path)
    check_firmware(tmp_path)
    path = tmp_path / "envlab_layout_table.h"
    text = path.read_text("ascii")
    path.write_text(text.replace("    0u, 0u", "    1u, 0u", 1), "ascii")
    assert path.read_text("ascii") != text
    with pytest.raises(FileError, match=r"envlab_layout_table\.h: has been edited or cut short"):
        check_firmware(tmp_path)
    path.write_text(text, "ascii")
    (tmp_path / "envlab_layout.c").write_text("int x;\n", "ascii")
    with pytest.raises(FileError, match=r"envlab_layout\.c: is not the runtime of this version and export"):
        check_firmware(tmp_path)
    write_firmware(travelling(layout=Layout("share")), tmp_path / "other")
    path.write_text((tmp_path / "other" / "envlab_layout_table.h").read_text("ascii"), "ascii")
    with pytest.raises(
        FileError, match=r"envlab_layout_table\.h and envlab_parameters\.h belong to different"
    ):
        check_firmware(tmp_path)


def test_pixels_that_are_all_alike_have_nothing_of_a_layout():
    files = firmware_files(twin.parade_design(), design_digest="alike")
    assert not [name for name in files if "layout" in name]
    assert "LAYOUT" not in files["envlab_parameters.h"]
    assert "layout" not in files["envlab_parameters.h"]


def test_the_headers_say_what_the_layout_comes_to():
    text = firmware_files(travelling(), design_digest="said")["envlab_parameters.h"]
    limit = travelling().frame_words.limit
    assert "layout of light: travelling, 2 ranks; at the brightest white takes 5040 codes" in text
    assert limit >= 5040
    assert "travels: asked 37, achieved 37 pixels a second" in text
    assert "which all channels may have at once" not in text
    assert "start: dark for 2.17 s" in text
    resting = travelling(layout=Layout("share", rest_light=0.02))
    assert "start: at rest light for 2.17 s" in firmware_files(resting)["envlab_parameters.h"]

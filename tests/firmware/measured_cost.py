"""What the firmware costs on the 8-bit machines: worst cycles by search, bytes of the linked program.

Run as ``python tests/firmware/measured_cost.py`` to print the rows of envlab/firmware/cost.py anew.
"""

from __future__ import annotations

import math
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from firmware import layout_vectors, moving_vectors  # noqa: E402
from firmware import twin_vectors as twin  # noqa: E402
from firmware.targets import Driver, worst  # noqa: E402
from firmware.targets.avr import AvrMachine  # noqa: E402
from firmware.targets.driver import C_FOLDER  # noqa: E402
from firmware.targets.machines import ATMEGA328P, ATTINY85  # noqa: E402
from firmware.targets.tools import call  # noqa: E402

from envlab.digital.fixed_point import FixedFollower  # noqa: E402
from envlab.digital.fixed_words import FixedWords  # noqa: E402
from envlab.digital.followers import MovingMaximum, MovingMean  # noqa: E402
from envlab.digital.pixel_layout import FRACTIONS, LayoutTable  # noqa: E402
from envlab.firmware.cost import BUILDS, Build, Figures, LayoutFigures, MovingFigures  # noqa: E402
from envlab.firmware.export import firmware_files  # noqa: E402
from envlab.firmware.marks import EXAMPLE_FOLDER  # noqa: E402
from envlab.firmware.runtime_design import RuntimeDesign  # noqa: E402
from envlab.light.layout.layout import Layout  # noqa: E402
from envlab.light.pixels import Pixels, Supply  # noqa: E402

LIGHTS = ("lights.c", "lantern.c", "hand_over.c", "button.c")
FEW, MANY = 4, 24
FEW_READINGS, MANY_READINGS = 10, 50


def machine_of(build: Build) -> AvrMachine:
    """Return the machine and compiler options of a build."""
    mcu, place = ("atmega328p", ATMEGA328P) if build.multiplier else ("attiny85", ATTINY85)
    return AvrMachine(f"avr{build.optimised}", mcu, *place, options=(build.optimised,))


def design(kind: str, pixels: int = MANY, bits: int = 8, *, travels: bool = False) -> RuntimeDesign:
    """Return the parade's yoke, its window still ("level") or moving ("automatic").

    Its time constants are those of the slower of the two formats. travels: with a layout of light, a group of
    all pixels that goes round: all of them rise, and the picture moves.
    """
    chosen = twin.parade_design(
        brightness_rate_hz=100.0, follower=FixedFollower(30.0, 30.0), pixel_bits=bits, dim=1.0
    )
    supply = Supply(3.0 * pixels / MANY, 5.0, 0.9)
    chosen = replace(chosen, pixels=Pixels(pixels, 3, 0.150, 0.001), supply=supply)
    if travels:
        layout = Layout("travelling", group_pixels=pixels, pixels_per_second=11.0)
        chosen = replace(chosen, layout=layout)
    return chosen if kind == "automatic" else replace(chosen, level=None)


def write(files: dict[str, str], folder: Path) -> Path:
    """Write files into a new folder and return it."""
    folder.mkdir(parents=True)
    for name, text in files.items():
        (folder / name).write_text(text, "ascii")
    return folder


def guard_states(stimuli: np.ndarray) -> np.ndarray:
    """Make states of the guard that can be: at most seven changes, `first` not behind `next`, `flip` whole.

    stimuli (n, bytes): the state, whose light has one byte or two, then the word.
    """
    wide = (stimuli.shape[1] - 2 - GUARD_BYTES[8]) // 2
    flip, first = 17 + wide, 20 + 2 * wide
    whole = np.where(stimuli[:, flip] & 1, 255, 0)
    stimuli[:, flip] = whole
    stimuli[:, flip + wide] = whole if wide else stimuli[:, flip + wide]
    stimuli[:, first + 1] = stimuli[:, first] + stimuli[:, first + 1] % 8
    return stimuli


STATE_BYTES = 39
GUARD_BYTES = {8: 23, 16: 25}
FOLLOW = worst.Timed("envlab_follow", "envlab_runtime.h", "envlab_state", STATE_BYTES, ("envlab_runtime.c",))
BRIGHTNESS = replace(FOLLOW, function="envlab_brightness")
GUARDS = {
    bits: worst.Timed(
        "envlab_guard", "envlab_guard.h", "envlab_guard_state", size, ("envlab_guard.c",), guard_states
    )
    for bits, size in GUARD_BYTES.items()
}


def benches(build: Build, folder: Path) -> dict[str, worst.Bench]:
    """Return what is searched, built for one machine: follow, level, automatic, guard."""
    machine, found = machine_of(build), {}
    files = {
        (kind, bits): write(firmware_files(design(kind, bits=bits)), folder / f"{kind}{bits}")
        for kind, bits in (("level", 8), ("automatic", 8), ("automatic", 16))
    }
    wanted = (
        ("follow", FOLLOW, ("automatic", 8)),
        ("level", BRIGHTNESS, ("level", 8)),
        ("automatic", BRIGHTNESS, ("automatic", 8)),
        *((f"guard, {bits} bit", GUARDS[bits], ("automatic", bits)) for bits in GUARDS),
    )
    for number, (name, timed, which) in enumerate(wanted):
        found[name] = worst.bench(machine, timed, files[which], folder / f"bench{number}")
    return found


def lights(
    build: Build,
    folder: Path,
    kind: str = "automatic",
    pixels: int = MANY,
    bits: int = 8,
    *,
    travels: bool = False,
) -> tuple[dict[str, float], int, int]:
    """Return mean cycles of the example's functions, the bytes of its program, and those of its memory."""
    made = design(kind, pixels, bits, travels=travels)
    files = write(firmware_files(made), folder / "files")
    sources = (
        HERE / "lights_driver.c",
        *(EXAMPLE_FOLDER / name for name in LIGHTS),
        *files.glob("envlab_*.c"),
    )
    machine = machine_of(build)
    driver = Driver(tuple(sources), 2, 2, include=(files, EXAMPLE_FOLDER))
    image = machine.build(driver, folder)
    readings, _ = twin.stimulus(twin.CASES["parade"], 400)
    functions = (
        "lights_hear",
        "lights_show",
        "envlab_follow",
        "envlab_brightness",
        "envlab_guard",
        "lantern_show",
        *("envlab_layout_duty",) * travels,
    )
    costs = machine.measure(image, readings.astype("<u2").tobytes(), functions)
    assert all(cost.calls >= 400 for cost in costs.values())
    bare = folder / "bare"
    bare.mkdir()
    nothing = machine.build(Driver((C_FOLDER / "empty_driver.c",), 2, 2), bare)
    flash, ram = np.array(_bytes_of(image.path)) - np.array(_bytes_of(nothing.path))
    cycles = {name: cost.mean_cycles for name, cost in costs.items()}
    cycles["lantern_most"] = costs["lantern_show"].most_cycles
    tables = 2 * len(made.codes)
    if made.layout_table is not None:
        tables += made.layout_table.table_bytes
        cycles["layout_most"] = costs["envlab_layout_duty"].most_cycles
    return cycles, int(flash) - tables, int(ram)


def _bytes_of(path: Path) -> tuple[int, int]:
    """Return the bytes of program memory and of data memory of a linked program."""
    told = call(["avr-size", path], folder=path.parent).stdout.decode().split("\n")[1]
    text, data, bss = (int(word) for word in told.split()[:3])
    return text + data, data + bss


def figures(build: Build, folder: Path) -> Figures:
    """Measure one build."""
    found = {name: worst.search(bench)[0] for name, bench in benches(build, folder / "search").items()}
    channel, frame = 0.0, 0.0
    for bits in (8, 16):
        few, _, _ = lights(build, folder / f"few{bits}", pixels=FEW, bits=bits)
        many, code, ram = lights(build, folder / f"many{bits}", bits=bits)
        each = (many["lantern_most"] - few["lantern_most"]) / (3 * (MANY - FEW))
        parts = ("envlab_brightness", "envlab_guard", "lantern_show")
        between = many["lights_show"] - sum(many[name] for name in parts)
        channel = max(channel, each)
        frame = max(frame, few["lantern_most"] - 3 * FEW * each + between)
    _, level_code, _ = lights(build, folder / "level", "level")
    return Figures(
        follow=found["follow"] + math.ceil(many["lights_hear"] - many["envlab_follow"]),
        level=found["level"],
        automatic=found["automatic"],
        guard=max(found["guard, 8 bit"], found["guard, 16 bit"]),
        frame=math.ceil(frame),
        channel=math.ceil(channel),
        level_code=level_code,
        automatic_code=code,
        memory=ram - 2 * 3 * MANY,
    )


def moving_cycles(build: Build, words: FixedWords, folder: Path) -> int:
    """Return the most cycles of one call of the moving mean or maximum, falls, rises and jumps tried."""
    files = write(moving_vectors.moving_files(words), folder)
    sources = (moving_vectors.DRIVER, files / "envlab_moving.c")
    machine = machine_of(build)
    image = machine.build(Driver(sources, 2, moving_vectors.RECORD.itemsize, include=(files,)), folder)
    falls = np.tile(np.arange(65_535, 0, -701), 12)
    given = np.concatenate((moving_vectors.envelopes(6000), falls, falls[::-1], np.tile([0, 65_535], 300)))
    cost = machine.measure(image, given.astype("<u2").tobytes(), ("envlab_moving",))["envlab_moving"]
    return int(cost.most_cycles)


def moving_figures(build: Build, folder: Path) -> MovingFigures:
    """Measure what a moving mean or maximum adds to one build."""

    def added(follower: MovingMean | MovingMaximum, name: str) -> int:
        plain, made = design("level"), replace(design("level"), moving=follower)
        assert made.moving_readings == FEW_READINGS
        return program_bytes(build, made, folder / name) - program_bytes(build, plain, folder / f"{name}0")

    few, many = (
        moving_cycles(build, moving_vectors.words_of(readings, mean=False), folder / f"max{readings}")
        for readings in (FEW_READINGS, MANY_READINGS)
    )
    scanned = math.ceil((many - few) / (MANY_READINGS - FEW_READINGS))
    return MovingFigures(
        mean=moving_cycles(build, moving_vectors.words_of(FEW_READINGS, mean=True), folder / "mean"),
        maximum=few - FEW_READINGS * scanned,
        scanned=scanned,
        code=max(added(MovingMean(), "a"), added(MovingMaximum(), "b")),
    )


def layout_cycles(build: Build, fraction: int, folder: Path) -> int:
    """Return the most cycles of one pixel's share, with slopes of so many bits behind the point."""
    table = LayoutTable((0, 1, 0, 1), (100, 65_535), (60_000, 0), fraction, 10, 65_000, 0, 8)
    files = write(layout_vectors.layout_files(table), folder)
    sources = (layout_vectors.DRIVER, files / "envlab_layout.c")
    machine = machine_of(build)
    driver = Driver(sources, 2, layout_vectors.record(table).itemsize, include=(files,))
    duties = np.append(np.arange(0, 65_536, 97), 65_535)
    cost = machine.measure(
        machine.build(driver, folder), duties.astype("<u2").tobytes(), ("envlab_layout_duty",)
    )
    return int(cost["envlab_layout_duty"].most_cycles)


def layout_figures(build: Build, folder: Path) -> LayoutFigures:
    """Measure what a layout of light adds to one build."""
    worst_share = max(layout_cycles(build, bits, folder / f"fraction{bits}") for bits in FRACTIONS)
    pixel = frame = 0.0
    code = 0
    for bits in (8, 16):
        added = {}
        for pixels in (FEW, MANY):
            name = f"layout{bits}-{pixels}"
            shared, its_code, _ = lights(build, folder / name, "level", pixels, bits, travels=True)
            plain, plain_code, _ = lights(build, folder / f"{name}-plain", "level", pixels, bits)
            added[pixels] = shared["lantern_most"] - plain["lantern_most"]
            code = max(code, its_code - plain_code)
        each = (added[MANY] - added[FEW]) / (MANY - FEW)
        frame = max(frame, added[FEW] - FEW * each)
        # Each pixel's share is worked out in both passes; here perhaps not by the longest way.
        pixel = max(pixel, each + 2 * (worst_share - shared["layout_most"]))
    return LayoutFigures(pixel=math.ceil(pixel), frame=math.ceil(frame), code=code)


def program_bytes(build: Build, made: RuntimeDesign, folder: Path) -> int:
    """Return the bytes of the whole example program."""
    files = write(firmware_files(made), folder)
    sources = (
        HERE / "lights_driver.c",
        *(EXAMPLE_FOLDER / name for name in LIGHTS),
        *files.glob("envlab_*.c"),
    )
    driver = Driver(tuple(sources), 2, 2, include=(files, EXAMPLE_FOLDER))
    return _bytes_of(machine_of(build).build(driver, folder).path)[0]


def main() -> int:
    """Print a row for each build."""
    for build in BUILDS:
        with tempfile.TemporaryDirectory() as folder:
            print(f"    {build}: {figures(build, Path(folder))},", flush=True)
            print(f"    {build}: {moving_figures(build, Path(folder) / 'moving')},", flush=True)
            print(f"    {build}: {layout_figures(build, Path(folder) / 'layout')},", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())

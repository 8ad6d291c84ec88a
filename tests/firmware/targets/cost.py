"""What the runtime costs on a machine: bytes of code, helpers, state and stack, and processor cycles."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from .avr import AvrMachine
from .driver import C_FOLDER, Driver, Image
from .elf import read_elf32
from .emulated import RAM_AT, RAM_BYTES, EmulatedMachine
from .msp430 import Msp430Machine
from .qemu_arm import QemuArmMachine

CrossMachine = AvrMachine | EmulatedMachine | Msp430Machine | QemuArmMachine

INPUT_BYTES, RECORD_BYTES = 2, 12
FOLLOW_AND_LOOK_UP = "cost_follow_and_look_up"
WHOLE_STEP = "envlab_step"
PAINT = 0xA5
PAINTED_BYTES = 512
PAINTED_STEPS = 2000
TABLE = "envlab_table"


@dataclass(frozen=True)
class Bytes:
    """Sizes in bytes. `code` is what start and step bring into a program, constants included, but neither
    the brightness table nor `helpers`, the compiler's own functions. The choice of an offset, which a
    program may leave out, is listed apart."""

    code: int
    helpers: int
    choice: int
    table: int
    state: int


@dataclass(frozen=True)
class Cycles:
    """Worst and mean cycles of one call, the call and the return included."""

    most: int
    mean: float


@dataclass(frozen=True)
class Cost:
    """All metrics of one machine; None where it has no counter for it. `step` is the whole step, `simple` the
    follower with the interpolated look-up. The stack is that of the whole step, return address included."""

    sizes: Bytes
    stack: int | None
    simple: Cycles | None
    step: Cycles | None


def cost_of(machine: CrossMachine, firmware: Path, readings: np.ndarray, folder: Path) -> Cost:
    """Measure the runtime with the headers of one design, both in `firmware`, on readings of 16 bit."""
    sizes = bytes_of(machine, _driver("size_driver.c", INPUT_BYTES, firmware), folder)
    driver = _driver("cost_driver.c", RECORD_BYTES, firmware)
    stimuli = readings.astype("<u2").tobytes()
    if isinstance(machine, AvrMachine):
        cycles, stack = avr_cycles(machine, driver, stimuli, folder)
    elif isinstance(machine, Msp430Machine):
        cycles, stack = msp430_cycles(machine, driver, stimuli, folder), None
    elif isinstance(machine, EmulatedMachine):
        cycles, stack = {}, painted_stack(machine, driver, readings[:PAINTED_STEPS], folder)
    else:
        cycles, stack = {}, None
    return Cost(sizes, stack, cycles.get(FOLLOW_AND_LOOK_UP), cycles.get(WHOLE_STEP))


def _driver(source: str, record_bytes: int, firmware: Path) -> Driver:
    sources = (C_FOLDER / source, firmware / "envlab_runtime.c")
    return Driver(sources, INPUT_BYTES, record_bytes, include=(firmware,))


def bytes_of(machine: CrossMachine, driver: Driver, folder: Path) -> Bytes:
    """Build a program that only starts and steps the runtime; read its object files and the program."""
    image = machine.build(driver, folder)
    linked = read_elf32(image.path)
    runtime = [read_elf32(folder / f"{machine.name}-{source.stem}.o") for source in driver.sources[1:]]
    functions = {name for program in runtime for name in program.functions}
    constants = {name for program in runtime for name in program.data} - {TABLE}
    sizes = {name: size for program in runtime for name, size in program.sizes.items()}
    return Bytes(
        code=sum(sizes[name] for name in functions | constants if name in linked.symbols),
        helpers=_helper_bytes(machine, image, folder),
        choice=sizes["envlab_choose_offset"],
        table=linked.sizes[TABLE],
        state=linked.sizes["size_of_state"],
    )


def _helper_bytes(machine: CrossMachine, image: Image, folder: Path) -> int:
    """Sum the functions that neither our sources nor an empty program bring along."""
    bare = folder / "bare"
    bare.mkdir(exist_ok=True)
    nothing = Driver((C_FOLDER / "empty_driver.c",), INPUT_BYTES, INPUT_BYTES)
    known = set(machine.build(nothing, bare).symbols)
    for source in image.driver.sources:
        program = read_elf32(folder / f"{machine.name}-{source.stem}.o")
        known |= set(program.symbols)
    addresses = sorted(set(image.symbols.values()))
    following = dict(pairwise(addresses))
    new = {address for name, address in image.symbols.items() if name not in known}
    return sum(following[address] - address for address in new)


def avr_cycles(
    machine: AvrMachine, driver: Driver, stimuli: bytes, folder: Path
) -> tuple[dict[str, Cycles], int]:
    """Return the cycles of both timed functions, and the most bytes of stack of the whole step."""
    image = machine.build(driver, folder)
    costs = machine.measure(image, stimuli, (WHOLE_STEP, FOLLOW_AND_LOOK_UP))
    cycles = {name: Cycles(cost.most_cycles, cost.mean_cycles) for name, cost in costs.items()}
    return cycles, costs[WHOLE_STEP].stack_bytes


def msp430_cycles(machine: Msp430Machine, driver: Driver, stimuli: bytes, folder: Path) -> dict[str, Cycles]:
    """Return the cycles of both timed functions by the simulated timer, less those of an empty call."""
    records = machine.run(machine.build(driver, folder), stimuli, timer=True)
    counts = np.frombuffer(records, "<u2").reshape(-1, RECORD_BYTES // 2)[:, 1::2].astype(int)
    whole, simple, nothing = counts.T
    call_and_return = 5 + 1 + 3  # CALL #, and what an empty call has besides: MOV, RET (test_cycle_counts.py)
    return {
        WHOLE_STEP: _cycles(whole - nothing + call_and_return),
        FOLLOW_AND_LOOK_UP: _cycles(simple - nothing + call_and_return),
    }


def _cycles(counts: np.ndarray) -> Cycles:
    return Cycles(int(counts.max()), float(counts.mean()))


def painted_stack(machine: EmulatedMachine, driver: Driver, readings: np.ndarray, folder: Path) -> int:
    """Return the bytes of stack that the whole step touches at most."""
    image = machine.build(driver, folder)
    emulator = machine.load(read_elf32(image.path))
    top = RAM_AT + RAM_BYTES - 64
    state = image.symbols["whole"]
    machine.call(emulator, image.symbols["envlab_start"], state)
    emulator.mem_write(top - PAINTED_BYTES, bytes([PAINT]) * PAINTED_BYTES)
    for reading in readings:
        machine.call(emulator, image.symbols[WHOLE_STEP], state, int(reading))
    left = bytes(emulator.mem_read(top - PAINTED_BYTES, PAINTED_BYTES))
    return len(left.lstrip(bytes([PAINT])))

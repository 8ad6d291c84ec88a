"""The machines by name."""

from __future__ import annotations

from .avr import AvrMachine
from .cortex_m import cortex_m0, cortex_m3
from .driver import Machine
from .host import GccHost, ZigHost
from .mips32 import mips32_big_endian
from .msp430 import Msp430Machine
from .qemu_arm import QemuArmMachine
from .riscv32 import riscv32

# GPIOR0's address on the bus and the last interrupt vector, from each processor's data sheet
ATMEGA328P = (0x3E, 25)
ATTINY85 = (0x31, 14)

_ALL: tuple[Machine, ...] = (
    ZigHost("host-clang-O2", ("-O2",)),
    ZigHost("host-clang-undefined", ("-O1", "-fsanitize=undefined", "-fsanitize-trap=undefined")),
    cortex_m0("cortex-m0", "-Os", "-fomit-frame-pointer"),
    cortex_m3("cortex-m3", "-O2"),
    riscv32("riscv32", "-O2"),
    mips32_big_endian("mips32-big-endian", "-O2"),
    GccHost("host-gcc-O0", ("-O0",)),
    GccHost("host-gcc-O1", ("-O1",)),
    GccHost("host-gcc-O2", ("-O2",)),
    GccHost("host-gcc-O3", ("-O3",)),
    GccHost("host-gcc-address", ("-O1", "-g", "-fsanitize=address")),
    GccHost("host-gcc-undefined", ("-O1", "-g", "-fsanitize=undefined", "-fno-sanitize-recover=all")),
    AvrMachine("avr-multiplier", "atmega328p", *ATMEGA328P),
    AvrMachine("avr-no-multiplier", "attiny85", *ATTINY85),
    AvrMachine("avr-clang", "atmega328p", *ATMEGA328P, clang=True),
    Msp430Machine("msp430"),
    QemuArmMachine("cortex-m0-gcc-qemu", "microbit", "cortex-m0"),
    QemuArmMachine("cortex-m3-gcc-qemu", "mps2-an385", "cortex-m3", ("-O2",)),
)

MACHINES: dict[str, Machine] = {machine.name: machine for machine in _ALL}
SIXTEEN_BIT_INT = ("avr-multiplier", "avr-no-multiplier", "avr-clang", "msp430")
"""Machines whose int has 16 bits: what only they can show is why they are here."""
ONE_OF_EACH_KIND = ("host-clang-O2", "cortex-m0", "riscv32", "mips32-big-endian", "avr-multiplier", "msp430")
# The 8-bit machine's inline assembly meets another set of free registers at each level.
AVR_LEVELS: dict[str, Machine] = {
    " ".join(options): AvrMachine("avr" + "".join(options), "atmega328p", *ATMEGA328P, options=options)
    for options in (("-O0",), ("-O1",), ("-O2",), ("-O3",), ("-Os", "-flto"), ("-Os", "-DENVLAB_PLAIN_C"))
}

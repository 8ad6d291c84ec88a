"""Machines that run the firmware's C: each builds a driver, feeds it stimuli and returns its records.

`MACHINES` maps a name to a machine. What pip alone provides (ziglang's compiler, unicorn's emulator) runs
on any user's machine; a machine that needs more is skipped there with a reason, and is a failure in CI.
"""

from __future__ import annotations

from .avr import AvrMachine
from .driver import Driver, Image, Machine
from .emulated import EmulatedMachine
from .host import GccHost, ZigHost
from .machines import MACHINES
from .msp430 import Msp430Machine
from .qemu_arm import QemuArmMachine
from .tools import require, run_machine

__all__ = [
    "MACHINES",
    "AvrMachine",
    "Driver",
    "EmulatedMachine",
    "GccHost",
    "Image",
    "Machine",
    "Msp430Machine",
    "QemuArmMachine",
    "ZigHost",
    "require",
    "run_machine",
]

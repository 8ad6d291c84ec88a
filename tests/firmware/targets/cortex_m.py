"""Arm Cortex-M0 (ARMv6-M, 16-bit Thumb) and Cortex-M3 (ARMv7-M, Thumb-2)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from .emulated import EmulatedMachine, Registers


def _open(cpu: str) -> Callable[[], Any]:
    def open_emulator() -> Any:
        import unicorn
        from unicorn import arm_const

        emulator = unicorn.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB | unicorn.UC_MODE_MCLASS)
        emulator.ctl_set_cpu_model(getattr(arm_const, cpu))
        return emulator

    return open_emulator


def _registers() -> Registers:
    from unicorn import arm_const as arm

    return Registers(
        (arm.UC_ARM_REG_R0, arm.UC_ARM_REG_R1, arm.UC_ARM_REG_R2),
        arm.UC_ARM_REG_SP,
        arm.UC_ARM_REG_LR,
        arm.UC_ARM_REG_PC,
    )


def _masked(emulator: Any) -> bool:
    from unicorn import arm_const as arm

    return bool(emulator.reg_read(arm.UC_ARM_REG_PRIMASK) & 1)


def cortex_m0(name: str, *options: str) -> EmulatedMachine:
    """Return a Cortex-M0 with clang's `options`."""
    compiler = ("-target", "thumb-freestanding-eabi", "-mcpu=cortex_m0", "-ffreestanding", *options)
    return EmulatedMachine(
        name, compiler, _open("UC_CPU_ARM_CORTEX_M0"), _registers, thumb=True, masked=_masked
    )


def cortex_m3(name: str, *options: str) -> EmulatedMachine:
    """Return a Cortex-M3 with clang's `options`."""
    compiler = ("-target", "thumb-freestanding-eabi", "-mcpu=cortex_m3", "-ffreestanding", *options)
    return EmulatedMachine(
        name, compiler, _open("UC_CPU_ARM_CORTEX_M3"), _registers, thumb=True, masked=_masked
    )

"""MIPS32, most significant byte first: the machine that shows a byte order taken for granted."""

from __future__ import annotations

from typing import Any

from .emulated import EmulatedMachine, Registers


def _open() -> Any:
    import unicorn

    return unicorn.Uc(unicorn.UC_ARCH_MIPS, unicorn.UC_MODE_MIPS32 | unicorn.UC_MODE_BIG_ENDIAN)


def _registers() -> Registers:
    from unicorn import mips_const as mips

    return Registers(
        (mips.UC_MIPS_REG_A0, mips.UC_MIPS_REG_A1, mips.UC_MIPS_REG_A2),
        mips.UC_MIPS_REG_SP,
        mips.UC_MIPS_REG_RA,
        mips.UC_MIPS_REG_PC,
    )


def mips32_big_endian(name: str, *options: str) -> EmulatedMachine:
    """Return a big-endian MIPS32 machine with clang's `options`."""
    target = ("-target", "mips-freestanding-eabi", "-mcpu=mips32", "-fno-pic", "-mno-abicalls")
    return EmulatedMachine(name, (*target, "-ffreestanding", *options), _open, _registers)

"""RISC-V, 32 bit, with multiplier and compressed instructions (RV32IMC)."""

from __future__ import annotations

from typing import Any

from .emulated import EmulatedMachine, Registers


def _open() -> Any:
    import unicorn

    return unicorn.Uc(unicorn.UC_ARCH_RISCV, unicorn.UC_MODE_RISCV32)


def _registers() -> Registers:
    from unicorn import riscv_const as riscv

    return Registers(
        (riscv.UC_RISCV_REG_A0, riscv.UC_RISCV_REG_A1, riscv.UC_RISCV_REG_A2),
        riscv.UC_RISCV_REG_SP,
        riscv.UC_RISCV_REG_RA,
        riscv.UC_RISCV_REG_PC,
    )


def riscv32(name: str, *options: str) -> EmulatedMachine:
    """Return an RV32IMC machine with clang's `options`."""
    compiler = ("-target", "riscv32-freestanding-none", "-mcpu=generic_rv32+m+c", "-ffreestanding", *options)
    return EmulatedMachine(name, compiler, _open, _registers)

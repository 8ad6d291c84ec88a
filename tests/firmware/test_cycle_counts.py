"""The cycle counters behind the cost metrics, instruction by instruction against the makers' tables."""

from __future__ import annotations

import numpy as np
import pytest
from firmware.targets import MACHINES, Driver, require

# Microchip, AVR Instruction Set Manual (DS40002198), table of section 5, column AVRe.
AVR_CYCLES = {
    "nop": 1,
    "movw r18, r20": 1,
    "lsr r18": 1,
    "in r18, 0x3d": 1,
    "adiw r24, 1": 2,
    "sbiw r24, 1": 2,
    "mul r18, r20": 2,
    "lds r18, 0x0100": 2,
    "sts 0x01f0, r18": 2,
    "ld r18, X": 2,
    "ldd r18, Y+1": 2,
    "push r18$ pop r18": 4,
    "lpm r18, Z": 3,
    "lpm r18, Z+": 3,
    "rjmp .+0": 2,
    "sec$ brcs .+0": 3,
    "clc$ brcs .+0": 2,
    "rcall avr_return": 7,
    "call avr_return": 8,
    "clr r1$ sbrc r1, 0$ lds r18, 0x0100": 4,
}

# Texas Instruments, MSP430x1xx Family User's Guide (SLAU049), "Instruction Cycles and Lengths" (from memory).
MSP430_CYCLES = {
    "mov r12, r13": 1,
    "add r12, r13": 1,
    "rrc r12": 1,
    "mov #0x1234, r12": 2,
    "mov @r1, r12": 2,
    "mov 2(r1), r12": 3,
    "mov &0x0200, r12": 3,
    "mov r12, &0x0300": 4,
    "mov #0x1234, &0x0300": 5,
    "jmp 1f$ 1:": 2,
    "push r12$ mov @r1+, r12": 5,
    "call #msp_return": 8,
}


def timed_functions(cycles: dict[str, int], subroutine: str, comment: str) -> str:
    """Return assembler functions timed_0, timed_1, ...: nothing, then each of the instructions."""
    lines = [f"{subroutine}: ret"]
    for number, words in enumerate(("", *cycles)):
        lines += [f".globl timed_{number}", f"timed_{number}:", *words.split("$"), "ret"]
    block = "\n".join(f'    "{line}\\n"' for line in lines)
    declared = "\n".join(f"void timed_{number}(void);" for number in range(len(cycles) + 1))
    return f'/* {comment} */\n#include "driver.h"\n__asm__(".text\\n"\n{block});\n{declared}\n'


def test_avr_cycles_are_those_of_the_manual(tmp_path):
    machine = MACHINES["avr-multiplier"]
    require(machine)
    calls = "".join(f"    timed_{number}();\n" for number in range(len(AVR_CYCLES) + 1))
    source = tmp_path / "timed.c"
    source.write_text(
        timed_functions(AVR_CYCLES, "avr_return", "each call is timed by the simulator")
        + "void driver_start(void) {}\n"
        + "void driver_step(const uint8_t *input, uint8_t *record)\n{\n"
        + calls
        + "    record[0] = input[0];\n}\n"
    )
    image = machine.build(Driver((source,), 1, 1), tmp_path)
    names = tuple(f"timed_{number}" for number in range(len(AVR_CYCLES) + 1))
    costs = machine.measure(image, b"\0", names)
    call_and_return = costs["timed_0"].most_cycles
    assert call_and_return == 4 + 4
    counted = [costs[name].most_cycles - call_and_return for name in names[1:]]
    assert dict(zip(AVR_CYCLES, counted, strict=True)) == AVR_CYCLES


@pytest.mark.parametrize("repeats", [1, 9])
def test_msp430_cycles_are_those_of_the_guide(repeats, tmp_path):
    machine = MACHINES["msp430"]
    require(machine)
    cycles = {"$ ".join([words] * repeats): count * repeats for words, count in MSP430_CYCLES.items()}
    count = len(cycles) + 1
    steps = "".join(
        f"    before = COUNT;\n    timed_{number}();\n    after = COUNT;\n"
        f"    record = driver_put16(record, (uint16_t)(after - before));\n"
        for number in range(count)
    )
    source = tmp_path / "timed.c"
    source.write_text(
        timed_functions(cycles, "msp_return", "each call is timed by Timer A")
        + "#define CONTROL (*(volatile uint16_t *)0x0160u)\n"
        + "#define COUNT (*(volatile uint16_t *)0x0170u)\n"
        + "void driver_start(void) {}\n"
        + "void driver_step(const uint8_t *input, uint8_t *record)\n{\n    uint16_t before, after;\n"
        + "    (void)input;\n    CONTROL = 0x0220u;\n"
        + steps
        + "}\n"
    )
    image = machine.build(Driver((source,), 1, 2 * count), tmp_path)
    counts = np.frombuffer(machine.run(image, b"\0", timer=True), "<u2").astype(int)
    assert dict(zip(cycles, (counts[1:] - counts[0]).tolist(), strict=True)) == cycles

"""Every piece of C that the papers print compiles with what `envlab table` writes, and is right."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from reference.c_compilers import PEDANTIC, find_program, run

from envlab.board_firmware.folder import firmware_folder
from envlab.design_file import read_design
from envlab.files.whole import write_folder
from envlab.shipped import demo_design

CHECKOUT = Path(__file__).resolve().parents[2]
FENCED_C = re.compile(r"^```(?:c|C|cpp|c\+\+|h)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
FUNCTION = re.compile(r"^(\w[\w ]*\b(\w+)\([^;{}]*\))\n\{", re.MULTILINE)
QUIESCENT = 3


def papers() -> dict[str, str]:
    """Return the text of everything that may print C, by its place."""
    texts = {}
    for path in [*CHECKOUT.glob("*.md"), *CHECKOUT.glob("audio_samples/*.md")]:
        texts[path.name] = path.read_text(encoding="utf-8")
    for path in CHECKOUT.glob("notebooks/*.ipynb"):
        cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
        texts[path.name] = "\n".join("".join(cell["source"]) for cell in cells)
    for path in (CHECKOUT / "envlab").rglob("*.py"):
        texts[str(path.relative_to(CHECKOUT))] = path.read_text(encoding="utf-8")
    return texts


SNIPPETS = [(place, code) for place, text in papers().items() for code in FENCED_C.findall(text)]


def compilable(code: str) -> str:
    """Return a snippet with its functions declared first, as the strictest warnings ask."""
    declared = "\n".join(f"{head};" for head, _ in FUNCTION.findall(code))
    last = list(re.finditer(r"^#include .*\n", code, re.MULTILINE))[-1].end()
    return f"{code[:last]}{declared}\n{code[last:]}"


@pytest.fixture(scope="module", params=range(8, 17), ids=lambda bits: f"{bits} bit")
def firmware(request, tmp_path_factory):
    """Return the parade's table and the folder that `envlab table` writes for an ADC of so many bits."""
    chain = read_design(demo_design())
    chain = replace(chain, adc=replace(chain.adc, bits=request.param))
    folder = tmp_path_factory.mktemp("snippets") / "firmware"
    write_folder(folder, firmware_folder(chain, "brightness_table", None))
    return chain, folder


def test_the_readme_prints_some():
    assert "README.md" in {place for place, _ in SNIPPETS}
    assert all(FUNCTION.search(code) for _, code in SNIPPETS)


@pytest.mark.parametrize(
    ("compiler", "flags"),
    [
        ("gcc", ("-std=c99",)),
        ("gcc", ("-x", "c++", "-std=c++11")),
        ("avr-gcc", ("-std=c99", "-mmcu=atmega328p", "-Os")),
        ("arm-none-eabi-gcc", ("-std=c99", "-mcpu=cortex-m0", "-mthumb", "-Os")),
    ],
    ids=lambda part: part if isinstance(part, str) else "",
)
@pytest.mark.parametrize(("place", "code"), SNIPPETS, ids=[place for place, _ in SNIPPETS])
def test_it_compiles(place, code, compiler, flags, firmware, tmp_path):
    _, folder = firmware
    (tmp_path / "snippet.c").write_text(compilable(code), encoding="utf-8")
    strict = (*PEDANTIC, "-Wshadow", "-I", folder)
    run(find_program(compiler), *flags, *strict, "-c", tmp_path / "snippet.c", "-o", tmp_path / "out.o")
    assert place


@pytest.mark.parametrize("count", [1, 10])
def test_the_readmes_function_gives_the_tables_duty_for_every_mean(count, firmware, tmp_path):
    chain, folder = firmware
    (code,) = [code for place, code in SNIPPETS if place == "README.md"]
    full = 1 << chain.adc.bits
    program = f"""{compilable(code)}
#include <stdio.h>
int main(void)
{{
    unsigned long reading;
    for (reading = 0ul; reading < {full}ul; reading++) {{
        uint16_t readings[{count}];
        unsigned n;
        for (n = 0u; n < {count}u; n++) {{
            readings[n] = (uint16_t)((reading + (n * n * 7u) % 23u) % {full}ul);
        }}
        printf("%u\\n", (unsigned)duty_of(readings, {count}u, {QUIESCENT}u));
    }}
    return 0;
}}
"""
    (tmp_path / "main.c").write_text(program, encoding="utf-8")
    checks = ("-fsanitize=address,undefined", "-fno-sanitize-recover=all")
    run(
        find_program("gcc"),
        "-std=c99",
        *PEDANTIC,
        *checks,
        "-I",
        folder,
        "main.c",
        "-o",
        "main",
        cwd=tmp_path,
    )
    duties = [int(line) for line in run(tmp_path / "main").split()]
    n = np.arange(count)
    readings = (np.arange(full)[:, np.newaxis] + (n * n * 7) % 23) % full
    counts = np.maximum(readings - QUIESCENT, 0).mean(axis=1)
    wanted = chain.brightness_table().look_up(counts)
    # A table with fewer entries than counts is rounded to a code at both whole counts first.
    apart = 0 if chain.adc.bits <= 12 or count == 1 else 1
    assert np.abs(np.array(duties) - wanted).max() <= apart

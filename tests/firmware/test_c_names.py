"""Names that a table may have: refused where they would hide a header, a macro or a word of the language."""

from __future__ import annotations

import shutil

import pytest
from reference.c_compilers import find_program, run

from envlab.errors import ParameterError
from envlab.firmware.c_names import LONGEST_NAME, check_identifier

# Headers of the C standard library, [ISO9899] 7.1.2, and of its editions of 2011.
STANDARD = """assert complex ctype errno fenv float inttypes iso646 limits locale math setjmp signal stdalign
stdarg stdatomic stdbool stddef stdint stdio stdlib stdnoreturn string tgmath threads time uchar wchar
wctype"""


@pytest.mark.parametrize("name", ["glow", "brightness_table", "Glow2", "g", "a" * LONGEST_NAME, "INT"])
def test_free_names_are_taken(name):
    assert check_identifier("identifier", name) == name


@pytest.mark.parametrize(
    "name",
    [*STANDARD.split(), "StdInt", "ENVLAB_ROM", "envlab_parameters", "envlab_table", "EnvLab",
     "envlab_golden", "uint16_t", "int_fast8_t", "UINT16_MAX", "INT8_C", "SIZE_MAX", "linux", "unix", "AVR",
     "while", "co_await"],
)  # fmt: skip
def test_taken_names_are_refused_in_one_line(name):
    with pytest.raises(ParameterError) as caught:
        check_identifier("identifier", name)
    assert repr(name) in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("name", ["board", "Board", "BOARD"])
def test_files_that_lie_beside_it_are_refused(name):
    assert check_identifier("identifier", name) == name
    with pytest.raises(ParameterError, match="a file beside it"):
        check_identifier("identifier", name, files=("lantern", "board"))


@pytest.mark.parametrize("compiler", ["gcc", "g++", "avr-gcc", "arm-none-eabi-gcc"])
@pytest.mark.parametrize("language", [("c", "gnu99"), ("c", "gnu11"), ("c++", "gnu++11")])
def test_names_that_a_compiler_has_defined_are_refused(compiler, language):
    kind, standard = language
    if kind == "c++" and not shutil.which(compiler.replace("gcc", "g++")):
        kind, standard = "c", "gnu99"
    told = run(find_program(compiler), "-x", kind, f"-std={standard}", "-dM", "-E", "/dev/null")
    defined = {line.split()[1].partition("(")[0] for line in told.splitlines()}
    assert len(defined) > 100
    for name in sorted(name for name in defined if not name.startswith("_")):
        with pytest.raises(ParameterError):
            check_identifier("identifier", name)

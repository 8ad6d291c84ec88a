"""Names that a C and a C++ compiler will both take."""

from __future__ import annotations

import re
from collections.abc import Iterable

from envlab.errors import ParameterError

# [ISO9899], 5.2.4.1: a compiler must tell external names apart by their first 31 characters.
LONGEST_NAME = 31

# [ISO9899], 6.4.1, and the keywords that the later editions of 2011 and 2023 add.
_C_KEYWORDS = """
auto break case char const continue default do double else enum extern float for goto if inline int long
register restrict return short signed sizeof static struct switch typedef union unsigned void volatile while
alignas alignof bool constexpr false nullptr static_assert thread_local true typeof typeof_unqual
"""
# [ISO14882], 5.11: keywords and alternative tokens, less those above.
_CPP_KEYWORDS = """
and and_eq asm bitand bitor catch char8_t char16_t char32_t class co_await co_return co_yield compl concept
consteval constinit const_cast decltype delete dynamic_cast explicit export friend mutable namespace new
noexcept not not_eq operator or or_eq private protected public reinterpret_cast requires static_cast template
this throw try typeid typename using virtual wchar_t xor xor_eq
"""
# Taken by the headers that the written files include, by the program they become part of, or by a compiler
# in its GNU modes (tests ask the compilers that are there).
_TAKEN = "main NULL errno unix linux AVR"
RESERVED_WORDS = frozenset(f"{_C_KEYWORDS} {_CPP_KEYWORDS} {_TAKEN}".split())

# [ISO9899], 7.1.2, with what the edition of 2011 adds: a file of such a name in the same folder would be
# taken for the compiler's own.
_STANDARD_HEADERS = """
assert complex ctype errno fenv float inttypes iso646 limits locale math setjmp signal stdalign stdarg
stdatomic stdbool stddef stdint stdio stdlib stdnoreturn string tgmath threads time uchar wchar wctype
"""
STANDARD_HEADERS = frozenset(_STANDARD_HEADERS.split())
# Every name that begins so is the runtime's: its files, functions and macros.
_OURS = "envlab"

_IDENTIFIER = re.compile(r"[A-Za-z][A-Za-z0-9_]*", re.ASCII)
# [ISO9899], 7.26.8: names of this form are kept for <stdint.h>; 7.18.3: limits that stand there too.
_STDINT_NAME = re.compile(r"u?int\w*_t|(U?INT\w*|PTRDIFF|SIZE|SIG_ATOMIC|WCHAR|WINT)_(MAX|MIN|C)", re.ASCII)


def check_identifier(name: str, value: object, *, files: Iterable[str] = ()) -> str:
    """Return value if it may name an object in C99 and C++ and a header beside others, else raise.

    Letters, digits and underscores, a letter first (a leading underscore and a double one are kept for
    compilers), at most 31 characters; no reserved word, no name of <stdint.h>, none that begins with envlab,
    and no name of a header of C's own or of the given files (without their endings): small and capital
    letters count as equal there, as on disks that do not tell them apart. Raises ParameterError about
    ``name``.

    Examples
    --------
    >>> check_identifier("identifier", "yoke_glow")
    'yoke_glow'
    """
    if not isinstance(value, str) or not _IDENTIFIER.fullmatch(value) or "__" in value:
        limit = "a C identifier: letters, digits, single underscores, a letter first"
        raise ParameterError(name, value, limit)
    if len(value) > LONGEST_NAME:
        raise ParameterError(name, value, f"at most {LONGEST_NAME} characters long")
    if value in RESERVED_WORDS or _STDINT_NAME.fullmatch(value):
        raise ParameterError(name, value, "a name that C and C++ leave free, not a reserved word")
    small = value.lower()
    if small.startswith(_OURS):
        raise ParameterError(name, value, f"a name that does not begin with {_OURS}, as the runtime's own do")
    if small in STANDARD_HEADERS:
        raise ParameterError(name, value, f"another name: {small}.h is a header of C's own")
    if small in {file.lower() for file in files}:
        raise ParameterError(name, value, "another name: a file beside it is called so")
    return value

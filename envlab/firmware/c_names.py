"""Names that a C and a C++ compiler will both take."""

from __future__ import annotations

import re

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
# Taken by the headers that the written files include, or by the program they become part of.
_TAKEN = "main NULL errno"
RESERVED_WORDS = frozenset(f"{_C_KEYWORDS} {_CPP_KEYWORDS} {_TAKEN}".split())

_IDENTIFIER = re.compile(r"[A-Za-z][A-Za-z0-9_]*", re.ASCII)
# [ISO9899], 7.26.8: names of this form are kept for <stdint.h>.
_STDINT_NAME = re.compile(r"u?int\w*_t|U?INT\w*_(MAX|MIN|C)", re.ASCII)


def check_identifier(name: str, value: object) -> str:
    """Return value if it may name an object in C99 and C++, else raise ParameterError about ``name``.

    Letters, digits and underscores, a letter first (a leading underscore and a double one are kept for
    compilers), at most 31 characters, no reserved word.
    """
    if not isinstance(value, str) or not _IDENTIFIER.fullmatch(value) or "__" in value:
        limit = "a C identifier: letters, digits, single underscores, a letter first"
        raise ParameterError(name, value, limit)
    if len(value) > LONGEST_NAME:
        raise ParameterError(name, value, f"at most {LONGEST_NAME} characters long")
    if value in RESERVED_WORDS or _STDINT_NAME.fullmatch(value):
        raise ParameterError(name, value, "a name that C and C++ leave free, not a reserved word")
    return value

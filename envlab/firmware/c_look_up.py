"""The C function that reads one brightness table: index, bounds and the way between two entries."""

from __future__ import annotations

from envlab.light.table import LookupTable

MOST_COUNTS = 0xFFFF


def look_up_lines(table: LookupTable, identifier: str, prefix: str) -> list[str]:
    """Return the lines of ``identifier_at``, a static inline function of C99 and C++.

    It takes counts of envelope, 0 to 65535, and returns the duty code that table.look_up gives for them: no
    counts lead past the last entry. prefix: beginning of the header's macros.
    """
    return [
        "/* Returns the duty code at these counts of envelope, also past the last entry. */",
        f"static inline uint{8 if table.bits <= 8 else 16}_t {identifier}_at(uint16_t counts)",
        "{",
        *(f"    {line}" if line else "" for line in _body(table, identifier, prefix)),
        "}",
    ]


def _body(table: LookupTable, identifier: str, prefix: str) -> list[str]:
    steps, full = table.entries - 1, table.full_scale_counts
    if table.index == "octave":
        return _octave_body(table, identifier, prefix)
    if steps == full:
        return [*_bound(table, identifier, prefix), f"return {_read(table, f'{identifier}[counts]')};"]
    shift = max((full // steps).bit_length() - 1, 0)
    if steps << shift == full:
        return [
            f"const uint16_t place = (uint16_t)(counts >> {shift});",
            f"const uint16_t fraction = (uint16_t)(counts & {(1 << shift) - 1}u);",
            "uint16_t low, step;",
            "",
            *_bound(table, identifier, prefix),
            *_between(table, identifier),
            f"return {_sum(table, f'((uint32_t)step * fraction + {1 << shift >> 1}u) >> {shift}')};",
        ]
    return [
        f"const uint32_t position = (uint32_t)counts * {steps}u;",
        f"const uint16_t place = (uint16_t)(position / {full}u);",
        f"const uint16_t fraction = (uint16_t)(position % {full}u);",
        "uint16_t low, step;",
        "",
        *_bound(table, identifier, prefix),
        *_between(table, identifier),
        f"return {_sum(table, f'((uint32_t)step * fraction + {full >> 1}u) / {full}u')};",
    ]


def _octave_body(table: LookupTable, identifier: str, prefix: str) -> list[str]:
    per = table.steps_per_octave
    return [
        "uint32_t behind;",
        "uint16_t place, fraction, low, step;",
        "uint8_t octave = 0u;",
        "",
        *_bound(table, identifier, prefix),
        "if (counts == 0u) {",
        f"    return {_read(table, f'{identifier}[0]')};",
        "}",
        "while (((uint32_t)counts >> octave) > 1u) {",
        "    octave++;",
        "}",
        f"behind = (uint32_t)(counts - (1ul << octave)) * {per}u;",
        f"place = (uint16_t)(octave * {per}u + (behind >> octave));",
        "fraction = (uint16_t)(behind & ((1ul << octave) - 1u));",
        *_between(table, identifier),
        f"return {_sum(table, '((uint32_t)step * fraction + ((1ul << octave) >> 1)) >> octave')};",
    ]


def _bound(table: LookupTable, identifier: str, prefix: str) -> list[str]:
    """Return what leads counts at or past the last entry there; nothing where 16 bit cannot reach it."""
    if table.full_scale_counts > MOST_COUNTS:
        return []
    if table.entries - 1 == MOST_COUNTS:
        return []
    return [
        f"if (counts >= {prefix}_FULL_SCALE) {{",
        f"    return {_read(table, f'{identifier}[{prefix}_ENTRIES - 1u]')};",
        "}",
    ]


def _between(table: LookupTable, identifier: str) -> list[str]:
    return [
        f"low = {_read(table, f'{identifier}[place]')};",
        f"step = (uint16_t)({_read(table, f'{identifier}[place + 1u]')} - low);",
    ]


def _read(table: LookupTable, entry: str) -> str:
    return f"ENVLAB_ROM_U{8 if table.bits <= 8 else 16}(&{entry})"


def _sum(table: LookupTable, way: str) -> str:
    return f"(uint{8 if table.bits <= 8 else 16}_t)(low + ({way}))"

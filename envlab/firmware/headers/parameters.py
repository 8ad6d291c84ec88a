"""The two generated headers of the runtime, parameters and table, every value with unit and format."""

from __future__ import annotations

import zlib
from dataclasses import astuple, dataclass, field

import numpy as np

from envlab import __version__
from envlab.digital.fixed_frame import FrameWords, check_frame_words
from envlab.digital.fixed_words import FixedWords, check_words
from envlab.digital.guard.guard_words import GuardWords
from envlab.digital.pixel_layout import LayoutTable
from envlab.errors import ParameterError
from envlab.firmware.headers.frame_macros import frame_macros
from envlab.firmware.headers.guard_macros import NO_GUARD, guard_macros
from envlab.firmware.headers.hand_edits import Group, Macro, group_lines
from envlab.firmware.headers.layout_macros import layout_macros, layout_table_lines
from envlab.firmware.marks import export_mark, mark_lines
from envlab.firmware.table_record import table_crc32
from envlab.units import IntArray

_PER_ROW = 12

# Macro, field of FixedWords, unit and format.
_WORDS = (
    ("ZERO_START", "zero_start", "reading at silence before it is learnt, unsigned Q0.16 of full scale"),
    ("ZERO_LEAST", "zero_least", "a lower mean of readings is no silence, Q0.16 of full scale"),
    ("ZERO_MOST", "zero_most", "a start is learnt up to here, Q0.16 of full scale"),
    ("ZERO_REACH", "zero_reach", "rises by this at most above its lowest, Q0.16 of full scale"),
    (
        "ZERO_STILL",
        "zero_still",
        "a block is still if no reading is further above its mean, Q0.16 of full scale",
    ),
    ("ZERO_RISE", "zero_rise", "rise for a block, unsigned Q16.8 of a reading"),
    ("ZERO_FALL", "zero_fall", "largest fall for a block, unsigned Q16.8 of a reading"),
    ("ZERO_BLOCK_BITS", "zero_block_bits", "readings of a block, as a power of two"),
    ("ATTACK_FACTOR", "attack_factor", "share of the way in a period, unsigned; see the fraction"),
    ("ATTACK_FRACTION", "attack_fraction", "bits behind the point of the attack factor"),
    ("RELEASE_FACTOR", "release_factor", "share of the way in a period, unsigned; see the fraction"),
    ("RELEASE_FRACTION", "release_fraction", "bits behind the point of the release factor"),
    ("LEVEL_INDEX", "level_index", "1: the table is over level, 0: over envelope"),
    ("RANGE", "range_level", "width of the brightness window, level units, unsigned Q4.12 octave"),
    ("AUTOMATIC_LEVEL", "automatic", "1: the window follows the music, 0: it stays"),
    ("ADAPT_EVERY", "adapt_every", "steps of envlab_brightness between two adaptations"),
    ("JUDGE_EVERY", "judge_every", "adaptations between two judgements of the peaks"),
    ("WINDOW_START", "window_start", "floor of the window at the start, Q4.12 octave"),
    ("WINDOW_LEAST", "window_least", "the window goes no lower, Q4.12 octave"),
    ("WINDOW_MOST", "window_most", "the window goes no higher, Q4.12 octave"),
    ("WINDOW_RISE", "window_rise", "largest rise at an adaptation, Q4.12 octave"),
    ("WINDOW_FALL", "window_fall", "largest fall at an adaptation, Q4.12 octave"),
    ("WINDOW_STEP", "window_step", "goes up by this at most for each judgement, Q4.12 octave"),
    ("FULL_MOST", "full_most", "more adaptations at full light for each judgement are too many"),
    ("PATIENCE", "patience", "judgements for which too much light, or silence, is borne"),
    ("WINDOW_BAND", "window_band", "peaks this far under the ceiling leave the window, Q4.12 octave"),
    ("WINDOW_AIM", "window_aim", "under the ceiling, where peaks are to come, Q4.12 octave"),
    ("SOUND_LEVEL", "sound_level", "up to here it is silence, Q4.12 octave"),
    ("NOISE_MOST", "noise_most", "where the noise stops rising, above the window, Q4.12 octave"),
    ("NOISE_RISE", "noise_rise", "rise of the noise at an adaptation, Q4.12 octave"),
    ("GATE_OPEN", "gate_open", "opens at this above the noise, Q4.12 octave"),
    ("GATE_CLOSE", "gate_close", "shuts under this above the noise, Q4.12 octave"),
    ("MUTE_FRAMES", "mute_frames", "steps of envlab_brightness that are dark after a start"),
    ("FADE_STEP", "fade_step", "rise of the factor on every duty while fading in, unsigned Q0.16"),
    ("BASE_DUTY", "base_duty", "duty while the gate is shut, before dimming, unsigned Q16.0 of 65535"),
    ("DIM", "dim", "every duty times (dim + 1)/65536, unsigned Q0.16"),
    ("WINDOW_LEAST_SENSITIVE", "window_least_sensitive", "window of offset step 0, Q4.12 octave"),
    ("OFFSET_STEP", "offset_step", "from one offset step to the next, Q4.12 octave"),
    ("OFFSET_STEPS", "offset_steps", "number of offset steps"),
    ("MOVING_READINGS", "moving_readings", "envelopes in the moving mean or maximum, 1: neither"),
    ("MOVING_FACTOR", "moving_factor", "share of each in the mean, unsigned Q0.16; 0: the maximum"),
)
# A frame part for whoever exports words without a design: one white pixel, never limited.
ONE_PIXEL = FrameWords(pixels=1, channels=3, bits=16, limit=3 * 65_535, dither_bits=0, refresh_hz=100)
_PLAIN = (
    *("zero_block_bits", "attack_fraction", "release_fraction", "level_index", "automatic"),
    *("moving_readings", "moving_factor"),
)


@dataclass(frozen=True)
class HeaderFacts:
    """What stands in the headers beside the words.

    adc_bits: of a count. adc_rate_hz, brightness_rate_hz: rates of the two halves of a step. frame: words of
    the frame and dither parts. guard: words of the flash guard, None without one. golden_crc32: what the
    golden vectors must come to on every machine, None where nobody asks. asked: lines on what was asked for
    and what was achieved. layout: which pixels light, None where all are alike.
    """

    design_digest: str
    adc_rate_hz: float
    brightness_rate_hz: float
    adc_bits: int = 10
    frame: FrameWords = ONE_PIXEL
    guard: GuardWords | None = None
    golden_crc32: int | None = None
    asked: tuple[str, ...] = field(default=())
    layout: LayoutTable | None = None


def design_mark(words: FixedWords, codes: IntArray, facts: HeaderFacts) -> int:
    """Return the number that every file of the export of this design carries."""
    guard = None if facts.guard is None else list(facts.guard)
    table = np.asarray(codes).tolist()
    layout = [] if facts.layout is None else [astuple(facts.layout)]
    return export_mark((list(words), table, facts.design_digest, list(facts.frame), guard, *layout))


def parameters_text(words: FixedWords, codes: IntArray, facts: HeaderFacts) -> str:
    """Return envlab_parameters.h. Raises ParameterError for words that the runtime cannot work with.

    A number in it that somebody changes by hand stops the compiler, which then says so.
    """
    check_words(words, len(codes))
    check_frame_words(facts.frame)
    body = [line for group in _groups(words, facts) for line in group_lines(group, "envlab_parameters.h")]
    if facts.guard is None:
        body = ["/* " + "\n * ".join(NO_GUARD) + " */", "", *body]
    return _header("ENVLAB_PARAMETERS", "Parameters", body, words, codes, facts)


def _groups(words: FixedWords, facts: HeaderFacts) -> list[Group]:
    rates = (
        Macro("ADC_RATE_HZ", f"{round(facts.adc_rate_hz)}ul", "Hz, rate of envlab_follow"),
        Macro("ADC_BITS", f"{facts.adc_bits}u", "bits of a count"),
        Macro("ADC_SHIFT", f"{16 - facts.adc_bits}u", "bits to shift a count up by to make it a reading"),
        Macro("BRIGHTNESS_RATE_HZ", f"{round(facts.brightness_rate_hz)}ul", "Hz, rate of envlab_brightness"),
        Macro("ADC_RATE_MILLIHZ", f"{round(1000 * facts.adc_rate_hz)}ul", "mHz, the same to three places"),
        Macro(
            "BRIGHTNESS_RATE_MILLIHZ",
            f"{round(1000 * facts.brightness_rate_hz)}ul",
            "mHz, the same to three places",
        ),
    )
    light = tuple(Macro(macro, _literal(words, name), unit) for macro, name, unit in _WORDS)
    frame = tuple(Macro(*line) for line in frame_macros(facts.frame))
    guard = tuple(Macro(*line) for line in guard_macros(facts.guard))
    groups = [
        Group("the rates", rates),
        Group("the follower, the window or the gate", light),
        Group("the pixels and the current limit", frame),
        Group("the flash guard", guard),
    ]
    if facts.layout is not None:
        layout = tuple(Macro(*line) for line in layout_macros(facts.layout))
        groups.append(Group("the layout of light", layout))
    if facts.golden_crc32 is not None:
        golden = Macro(
            "GOLDEN_CRC32", f"0x{facts.golden_crc32:08X}ul", "CRC-32 of what the golden vectors give"
        )
        groups.append(Group("the golden vectors", (golden,)))
    return groups


def table_text(words: FixedWords, codes: IntArray, facts: HeaderFacts) -> str:
    """Return envlab_table.h: the runtime's table in program memory. Raises ParameterError for a bad table."""
    table = np.asarray(codes)
    if (np.diff(table) < 0).any() or table.min() < 0 or table.max() > 0xFFFF:
        raise ParameterError("codes", "a table", "never falling, from 0 to 65535")
    crc = table_crc32(table, 16)
    body = [
        f"#define ENVLAB_TABLE_ENTRIES {len(table)}u /* entries, the last for reading one past the end */",
        f"#define ENVLAB_TABLE_CRC32 0x{crc:08X}ul /* CRC-32 (IEEE 802.3) over the codes, little-endian */",
        "",
        "/* Duty codes, unsigned Q16.0, duty = code / 65535. Entry i belongs to a position of i * 256: with",
        " * ENVLAB_LEVEL_INDEX i/16 octave above the window's floor, else i/256 of full scale. */",
        "static const uint16_t envlab_table[ENVLAB_TABLE_ENTRIES] ENVLAB_ROM = {",
        *_rows(table),
        "};",
    ]
    return _header("ENVLAB_TABLE", "Table", body, words, codes, facts)


def layout_text(words: FixedWords, codes: IntArray, facts: HeaderFacts) -> str:
    """Return envlab_layout_table.h: which pixels light, in program memory, of a design that has a layout."""
    assert facts.layout is not None
    body = layout_table_lines(facts.layout)
    return _header("ENVLAB_LAYOUT_TABLE", "Layout of light", body, words, codes, facts)


def _rows(table: IntArray) -> list[str]:
    rows = []
    for first in range(0, len(table), _PER_ROW):
        part = ", ".join(f"{int(code)}u" for code in table[first : first + _PER_ROW])
        comma = "," if first + _PER_ROW < len(table) else ""
        rows.append(f"    {part}{comma} /* {first} */")
    return rows


def _literal(words: FixedWords, name: str) -> str:
    value = getattr(words, name)
    # Values that #if compares carry no suffix, so that both sides read the same.
    return f"{value}" if name in _PLAIN else f"{value}u"


def _header(
    guard: str, title: str, body: list[str], words: FixedWords, codes: IntArray, facts: HeaderFacts
) -> str:
    lines = [
        f"/* {title} of the runtime. Made by envlab {__version__}; do not edit: it is checked.",
        " *",
        f" * design digest: {_safe(facts.design_digest)}",
        *(f" * {_safe(line)}" for line in facts.asked),
        " */",
        f"#ifndef {guard}_H",
        f"#define {guard}_H",
        "",
        "#include <stdint.h>",
        '#include "envlab_rom.h"',
        "",
        *mark_lines(f"{guard.lower()}.h", design_mark(words, codes, facts)),
        "",
        *body,
        "",
        "#endif",
    ]
    text = "\n".join(lines) + "\n"
    return f"{text}/* CRC-32 of every byte above this line: 0x{zlib.crc32(text.encode('ascii')):08X} */\n"


def _safe(text: str) -> str:
    if not text.isascii() or not text.isprintable() or "*/" in text or "/*" in text:
        raise ParameterError("text for a header", text, "printable ASCII that ends or opens no C comment")
    return text

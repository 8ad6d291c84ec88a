"""What the parameter header says about the flash guard."""

from __future__ import annotations

from envlab.digital.guard.guard_words import GuardWords

GUARD_FILES = ("envlab_guard.h", "envlab_guard.c")

# Macro, field of GuardWords, unit and format. What #if compares with a plain number carries no suffix.
_WORDS = (
    ("BITS", "bits", "", "depth of the code that the guard counts on"),
    ("LEAST", "least", "u", "smallest change that counts, light"),
    ("MOST", "most", "u", "largest change that does not, light"),
    ("TOP", "top", "u", "above this nothing is told apart, light"),
    ("CELL", "cell", "", "a cell of light is 2 to this power wide"),
    ("ALWAYS", "always", "u", "from here down to what the limit always grants is no change, light"),
    ("REACH", "reach", "u", "ticks of the longest second"),
    ("FRAMES_PER_TICK", "frames_per_tick", "", "frames, calls of envlab_guard"),
)
NO_GUARD = (
    "NO FLASH GUARD: THIS LIGHT CAN FLASH MORE THAN THREE TIMES A SECOND.",
    "FLASHING LIGHT CAN CAUSE SEIZURES. SHOW IT ONLY WHERE EVERYBODY WHO SEES IT HAS BEEN WARNED.",
)


def guard_macros(words: GuardWords | None) -> list[tuple[str, str, str]]:
    """Return (macro without ENVLAB_, value, comment) of each line; None: the design has no guard."""
    if words is None:
        return [("GUARD", "0", "no flash guard")]
    lines = [("GUARD", "1", "1: no more than three flashes a second are shown, 0: nothing guards the light")]
    return lines + [
        (f"GUARD_{macro}", f"{getattr(words, name)}{suffix}", comment)
        for macro, name, suffix, comment in _WORDS
    ]


def guard_text(words: GuardWords | None) -> str:
    """Return the lines of the parameter header as C; without a guard they say so in capitals."""
    warning = [] if words is not None else ["/* " + "\n * ".join(NO_GUARD) + " */"]
    lines = [
        f"#define ENVLAB_{macro} {value} /* {comment} */" for macro, value, comment in guard_macros(words)
    ]
    return "\n".join([*warning, *lines]) + "\n"

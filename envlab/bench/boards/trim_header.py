"""The trim of one board as a C header, which the exported runtime compiles with."""

from __future__ import annotations

from envlab import __version__
from envlab.bench.boards.trim import GAIN_BITS, BoardTrim
from envlab.errors import EnvlabError
from envlab.firmware.marks import mark_lines

_BODY = """\
#include "envlab_parameters.h"
#include "envlab_runtime.h"

#if ENVLAB_TRIM_REST + ENVLAB_ZERO_REACH > 65535
#error "envlab_trim: this board rests too near the converter's top to be trimmed: mend it"
#endif

#ifdef __cplusplus
extern "C" {
#endif

/* In the place of envlab_start: the zero begins at this board's own rest, also where music plays already. */
static inline void envlab_trim_start(envlab_state *state)
{
    envlab_start(state);
    state->zero = ENVLAB_TRIM_REST;
    state->zero_limit = (uint16_t)(ENVLAB_TRIM_REST + ENVLAB_ZERO_REACH);
}

/* Between envlab_follow and envlab_brightness: the envelope as the design would read it, rounded half up. */
static inline uint16_t envlab_trim(uint16_t envelope)
{
    uint32_t word = ((uint32_t)envelope * ENVLAB_TRIM_GAIN + ENVLAB_TRIM_HALF) >> ENVLAB_TRIM_GAIN_BITS;

    return (uint16_t)((word > 65535ul) ? 65535ul : word);
}

#ifdef __cplusplus
}
#endif
"""


def trim_file_name(serial: str) -> str:
    """Return the name of a board's header."""
    return f"envlab_trim_{serial}.h"


def trim_header(trim: BoardTrim, mark: int) -> str:
    """Return a board's trim as a C header.

    Parameters
    ----------
    trim : BoardTrim
        Of a board that can be trimmed.
    mark : int
        Number of the export that it compiles with (envlab.firmware.export.mark_of): with another one the
        compiler stops.

    Returns
    -------
    str

    Raises
    ------
    EnvlabError
        For a board without a trim.
    """
    if not trim.is_usable:
        raise EnvlabError(f"board {trim.serial} has no trim: {trim.problem}")
    name = trim_file_name(trim.serial)
    lines = [
        f"/* Trim of board {trim.serial}. Made by envlab {__version__}; one such file a board.",
        " * Call envlab_trim_start in the place of envlab_start, and hand envlab_trim(envelope) to",
        " * envlab_brightness in the place of the envelope. */",
        "#ifndef ENVLAB_TRIM_H",
        "#define ENVLAB_TRIM_H",
        "",
        *mark_lines(name, mark),
        "",
        f'#define ENVLAB_TRIM_SERIAL "{trim.serial}"',
        f"#define ENVLAB_TRIM_REST {trim.rest_word}u /* reading at silence, unsigned Q0.16 of full scale */",
        f"#define ENVLAB_TRIM_GAIN {trim.gain_word}ul /* factor on every envelope, unsigned Q2.14 */",
        f"#define ENVLAB_TRIM_GAIN_BITS {GAIN_BITS} /* bits behind its point */",
        f"#define ENVLAB_TRIM_HALF {2 ** (GAIN_BITS - 1)}ul /* half a step of the result */",
        "",
    ]
    return "\n".join(lines) + _BODY + "\n#endif\n"


def trims_csv(trims: list[BoardTrim]) -> str:
    """Return trims as a CSV: serial, rest (counts), gain, words, what is left (dB), what is odd."""
    lines = ["serial,rest_counts,gain,rest_word,gain_word,left_db_1,left_db_2,usable,problem"]
    for one in trims:
        left = [*(f"{value:.3f}" for value in one.left_db), "", ""][:2]
        usable = "yes" if one.is_usable else "no"
        problem = one.problem.replace(",", ";")
        lines.append(
            f"{one.serial},{one.rest_counts:.6g},{one.gain:.6g},{one.rest_word},{one.gain_word},"
            f"{left[0]},{left[1]},{usable},{problem}"
        )
    return "\n".join([*lines, ""])

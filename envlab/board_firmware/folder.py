"""The folder that goes to the firmware: tables in every form, the runtime with its numbers, the facts."""

from __future__ import annotations

import numpy as np

from envlab.board_firmware import both_tables, runtime_design
from envlab.board_firmware.colours import colour_tables
from envlab.chain import Chain
from envlab.design_file import STAGES, digest
from envlab.digital.auto_level import LevelControl
from envlab.digital.fixed_frame import LEAST_BITS, WORD_MOST
from envlab.digital.fixed_point import FIRMWARE_FOLLOWERS, has_firmware_follower
from envlab.digital.pixel_layout import standing_duties
from envlab.errors import EnvlabError
from envlab.firmware.c_header import header_text
from envlab.firmware.c_names import check_identifier
from envlab.firmware.colour_files import colour_csv_bytes, colour_header_text
from envlab.firmware.cost import runtime_cost
from envlab.firmware.export import (
    DITHER_FILES,
    GENERATED_FILES,
    MOVING_FILES,
    RUNTIME_FILES,
    firmware_files,
    mark_of,
)
from envlab.firmware.headers.guard_macros import GUARD_FILES
from envlab.firmware.headers.layout_macros import LAYOUT_FILES, LAYOUT_TABLE
from envlab.firmware.project_files import project_files, project_names
from envlab.firmware.runtime_design import RuntimeDesign
from envlab.firmware.table_files import binary_bytes, csv_bytes, json_bytes
from envlab.light.layout.table import whole_light
from envlab.light.power.dither_flicker import dither_flicker
from envlab.light.table import LookupTable, top_code
from envlab.light.table_facts import depth_advice, table_facts

# Everything but the tables that an export can leave in its folder.
FIRMWARE_NAMES = (
    *RUNTIME_FILES,
    *GUARD_FILES,
    *DITHER_FILES,
    *MOVING_FILES,
    *LAYOUT_FILES,
    *GENERATED_FILES,
    LAYOUT_TABLE,
    *project_names(),
)


def firmware_folder(
    chain: Chain, identifier: str, level: LevelControl | None, *, project: bool = False
) -> dict[str, bytes]:
    """Return every file of the firmware folder, name → content.

    The table under identifier is limited; where the supply caps, a second one, identifier_full, goes up to
    full duty; where the board has a colour, identifier_rgb holds its three channels. Beside them lie the
    runtime's sources with envlab_parameters.h and envlab_table.h, unless the chain has a follower or a depth
    that the runtime lacks.

    Parameters
    ----------
    chain : Chain
        The board.
    identifier : str
        What C calls the table, and the name of its files: a C name, and of no other file of the folder.
    level : LevelControl or None
        What moves the window in the field: OffsetSteps, AutoLevel, or None for nothing.
    project : bool
        Also a whole program around them, which builds as it is.

    Returns
    -------
    dict of str to bytes

    Raises
    ------
    ParameterError
        For a name that C cannot have.
    EnvlabError
        Where a project or a level is asked for that the runtime cannot do.

    Examples
    --------
    >>> import envlab
    >>> from envlab.export import firmware_folder
    >>> files = firmware_folder(envlab.Chain(), "night", None)
    >>> "night.h" in files, "envlab_parameters.h" in files
    (True, True)
    """
    check_table_name(chain, identifier)
    tables, design_mark, mark = both_tables(chain), digest(chain), 0
    files: dict[str, bytes] = {}
    lacking = runtime_lacks(chain)
    if not lacking:
        design = runtime_design(chain, level=level)
        mark = mark_of(design, design_digest=design_mark)
        texts = firmware_files(design, design_digest=design_mark)
        if project:
            texts |= project_files(mark)
        files = {name: text.encode("ascii") for name, text in texts.items()}
    elif project or level is not None:
        raise EnvlabError(f"The runtime {lacking}; without it there is no project and no sensitivity")
    elif not chain.layout.is_all_alike:
        raise EnvlabError(f"The runtime {lacking}; without it there is no layout of light")
    written = _table_files(tables.limited, identifier, design_mark, mark)
    if chain.duty_limit < 1:
        written |= _table_files(tables.unlimited, f"{identifier}_full", design_mark, mark)
    return written | files | colour_files(chain, f"{identifier}_rgb", design_digest=design_mark, mark=mark)


def colour_files(chain: Chain, identifier: str, *, design_digest: str, mark: int = 0) -> dict[str, bytes]:
    """Return the files of a board's colour tables, name → content; none where it has no colour."""
    tables = colour_tables(chain)
    if tables is None:
        return {}
    header = colour_header_text(tables, identifier=identifier, design_digest=design_digest, export_mark=mark)
    return {
        f"{identifier}.h": header.encode("ascii"),
        f"{identifier}.csv": colour_csv_bytes(tables, design_digest=design_digest, export_mark=mark),
    }


def check_table_name(chain: Chain, identifier: str) -> None:
    """Raise ParameterError unless the tables may be called so, beside all other files of the folder."""
    beside = [name.rpartition(".")[0] for name in FIRMWARE_NAMES]
    check_identifier("identifier", identifier, files=beside)
    if chain.duty_limit < 1:
        check_identifier("identifier", f"{identifier}_full", files=beside)
    if chain.colour.ramp is not None:
        check_identifier("identifier", f"{identifier}_rgb", files=beside)


def _table_files(table: LookupTable, identifier: str, design_digest: str, mark: int) -> dict[str, bytes]:
    header = header_text(table, identifier=identifier, design_digest=design_digest, export_mark=mark)
    return {
        f"{identifier}.h": header.encode("ascii"),
        f"{identifier}.csv": csv_bytes(table, design_digest=design_digest, export_mark=mark),
        f"{identifier}.json": json_bytes(table, design_digest=design_digest, export_mark=mark),
        f"{identifier}.bin": binary_bytes(table, design_digest=design_digest, export_mark=mark),
    }


def firmware_words(chain: Chain, level: LevelControl | None) -> list[str]:
    """Return what the maker should know about the tables and the runtime, one sentence or two a line.

    Parameters
    ----------
    chain : Chain
        The board.
    level : LevelControl or None
        What moves the window in the field: OffsetSteps, AutoLevel, or None for nothing.

    Returns
    -------
    list of str

    Examples
    --------
    >>> import envlab
    >>> from envlab.export import firmware_words
    >>> firmware_words(envlab.Chain(), None)[0]
    '1024 entries of 16 bit over envelope counts 0 to 1023, top duty 0.276 of full.'
    """
    tables = both_tables(chain)
    facts = table_facts(tables.limited, chain.level_scale())
    lines = [
        f"{facts.entries} entries of {tables.limited.bits} bit over envelope counts 0 to "
        f"{tables.limited.full_scale_counts}, top duty {tables.limited.duty.max():.3f} of full.",
        tables.words,
        f"It shows {facts.distinct_levels} levels; the largest step is {facts.largest_step_lstar:.1f} L*, "
        f"first light comes at {facts.first_lit_counts:g} counts, {facts.first_lit_db_spl:.0f} dB SPL.",
        *depth_words(chain),
        *layout_words(chain),
        _runtime_words(chain, level),
    ]
    return [line for line in lines if line]


def depth_words(chain: Chain) -> list[str]:
    """Return what the depth that is judged and shown can do: the pixel's own, and what the dither adds.

    Parameters
    ----------
    chain : Chain
        The board.
    """
    advice = depth_advice(
        chain.pixel_bits + chain.dither_bits, chain.frame_rate_hz, duty_limit=chain.duty_limit
    )
    if not chain.dither_bits:
        return [advice.words]
    brightest = top_code(chain.pixel_bits, chain.duty_limit)
    flicker = dither_flicker(chain.dither_bits, chain.refresh_hz, chain.frame_rate_hz, brightest)
    return [advice.words, flicker.words]


def layout_words(chain: Chain) -> list[str]:
    """Return what a layout of light comes to at full light, and what the guard sees; none for all alike.

    Parameters
    ----------
    chain : Chain
        The board.
    """
    if chain.layout.is_all_alike or runtime_lacks(chain):
        return []
    design = runtime_design(chain)
    layout, frame = design.layout_table, design.frame_words
    assert layout is not None
    top = standing_duties(layout, np.array([design.brightest_duty]))[0]
    lit, codes = int((top > layout.rest).sum()), whole_light(layout, frame, design.brightest_duty)
    words = [
        f'The layout "{chain.layout.kind}" lights {lit} of {layout.pixels} pixels at full light, the '
        f"brightest at {100 * top.max() / WORD_MOST:.3g} % of its own full, and takes {codes} of the "
        f"{frame.limit} codes that the {chain.supply.name} carries.",
    ]
    if layout.travels:
        words.append(
            f"It goes round every {layout.pixels / layout.pixels_per_second(chain.frame_rate_hz):.3g} s."
        )
    if design.guard:
        words.append(
            "The flash guard watches the light of the whole; a part of the chain may flash more often."
        )
    return words


def runtime_lacks(chain: Chain) -> str:
    """Return what the runtime cannot do of a board, in words that go on after "it", or an empty text."""
    if not has_firmware_follower(chain.follower):
        return f"has no follower {_kind(chain)}, only {_kinds_in_firmware()}"
    if chain.pixel_bits < LEAST_BITS:
        return f"has no pixels of {chain.pixel_bits} bit, only from {LEAST_BITS} bit on"
    return ""


def _kind(chain: Chain) -> str:
    """Return what a design file calls the chain's follower."""
    return next(kind for kind, stage in _followers().items() if stage is type(chain.follower))


def _kinds_in_firmware() -> str:
    *first, last = (kind for kind, stage in _followers().items() if stage in FIRMWARE_FOLLOWERS)
    return f"{', '.join(first)} or {last}"


def _followers() -> dict[str, type]:
    stages = STAGES["follower"]
    assert isinstance(stages, dict)
    return stages


def _runtime_words(chain: Chain, level: LevelControl | None) -> str:
    lacking = runtime_lacks(chain)
    if lacking:
        return f"The runtime is left out: it {lacking}. The tables are for firmware of your own."
    return " ".join(cost_sentences(runtime_design(chain, level=level)))


def cost_sentences(design: RuntimeDesign) -> list[str]:
    """Return what the whole program costs on 8 bit processors, pixels included, one sentence each."""
    with_one, without = runtime_cost(design), runtime_cost(design, multiplier=False)
    pixels_share = with_one.pixel_cycles / with_one.frame_cycles
    return [
        f"The program takes at most {100 * with_one.processor_share:.1f} % of an 8-bit processor at "
        f"{with_one.clock_hz / 1e6:g} MHz, {100 * without.processor_share:.1f} % of one without a "
        f"multiplier, compiled for size; {100 * pixels_share:.0f} % of a frame's cycles go into the pixels.",
        "Sending the codes to the pixels comes on top.",
        f"It needs {with_one.flash_bytes} bytes of flash and {with_one.memory_bytes} of memory, less what "
        "you leave out.",
    ]

"""The folder that goes to the firmware: tables in every form, the runtime with its numbers, the facts."""

from __future__ import annotations

from functools import partial

from envlab.board_firmware import both_tables, runtime_design
from envlab.chain import Chain
from envlab.design_file import digest
from envlab.digital.auto_level import LevelControl
from envlab.firmware.c_header import header_text
from envlab.firmware.cost import runtime_cost
from envlab.firmware.export import firmware_files
from envlab.firmware.table_files import write_binary, write_csv, write_json
from envlab.light.table import LookupTable
from envlab.light.table_facts import depth_advice, table_facts
from envlab.report.folder import written_by


def firmware_folder(chain: Chain, identifier: str, level: LevelControl | None) -> dict[str, bytes]:
    """Return every file of the firmware folder, name → content.

    The table under identifier is limited; where the supply caps, a second one, identifier_full, goes up to
    full duty. Beside them lie the runtime's sources with envlab_parameters.h and envlab_table.h.

    Parameters
    ----------
    chain : Chain
        The board.
    identifier : str
        Name of the C array.
    level : LevelControl or None
        What moves the brightness window in the field; None: nothing.

    Returns
    -------
    dict
    """
    mark = digest(chain)
    tables = both_tables(chain)
    files = _table_files(tables.limited, identifier, mark)
    if chain.duty_limit < 1:
        files |= _table_files(tables.unlimited, f"{identifier}_full", mark)
    runtime = firmware_files(runtime_design(chain, level=level), design_digest=mark)
    return files | {name: text.encode("ascii") for name, text in runtime.items()}


def _table_files(table: LookupTable, identifier: str, mark: str) -> dict[str, bytes]:
    files = {f"{identifier}.h": header_text(table, identifier=identifier, design_digest=mark).encode()}
    for ending, write in (("csv", write_csv), ("json", write_json), ("bin", write_binary)):
        name = f"{identifier}.{ending}"
        files[name] = written_by(partial(write, table, design_digest=mark), name)
    return files


def firmware_words(chain: Chain, level: LevelControl | None) -> list[str]:
    """Return what the maker should know about the tables and the runtime, one sentence or two a line.

    Parameters
    ----------
    chain : Chain
        The board.
    level : LevelControl or None
        What moves the brightness window in the field; None: nothing.

    Returns
    -------
    list of str
    """
    tables = both_tables(chain)
    facts = table_facts(tables.limited, chain.level_scale())
    cost = runtime_cost(runtime_design(chain, level=level))
    lines = [
        f"{facts.entries} entries of {tables.limited.bits} bit over envelope counts 0 to "
        f"{tables.limited.full_scale_counts}, top duty {tables.limited.duty.max():.3f} of full.",
        tables.words,
        f"It shows {facts.distinct_levels} levels; the largest step is {facts.largest_step_lstar:.1f} L*, "
        f"first light comes at {facts.first_lit_counts:g} counts, {facts.first_lit_db_spl:.0f} dB SPL.",
        depth_advice(chain.pixel_bits, chain.frame_rate_hz, duty_limit=chain.duty_limit).words,
        "Whether the lights flash too often is judged by envlab design, with music: after a change of floor, "
        "ceiling or depth, run it again.",
        f"The runtime takes {100 * cost.processor_share:.1f} % of an 8-bit processor at "
        f"{cost.clock_hz / 1e6:g} MHz, {cost.flash_bytes} bytes of flash and {cost.state_bytes} of memory, "
        "at most.",
    ]
    return [line for line in lines if line]

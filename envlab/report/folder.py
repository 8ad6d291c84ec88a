"""The results of a design run as a folder of files. Written whole or not at all."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from pathlib import Path

from envlab.board_firmware.folder import colour_files
from envlab.design_file import digest
from envlab.firmware.c_header import header_text
from envlab.firmware.table_files import csv_bytes
from envlab.plot.schematic.schematic import SchematicFiles, schematic_files
from envlab.study.specification.specification import Specification
from envlab.study.specification.written import specification_text
from envlab.study.sweep.choice import Choice
from envlab.study.sweep.not_judged import not_judged_column
from envlab.study.tolerance.judged_parts import judged_parts

# Everything that a design run can leave; report.pdf only where a browser is at hand, colour tables only where
# the design has a colour.
RESULTS = (
    "design.toml",
    "parts.csv",
    "candidates.csv",
    "report.html",
    "report.pdf",
    "schematic.svg",
    "schematic.png",
    "brightness_table.h",
    "brightness_table.csv",
    "brightness_table_rgb.h",
    "brightness_table_rgb.csv",
)

# Of parts.csv; value as it is printed on the part, value_si in Ω, F or A; rated_v in V, power_w in W;
# chosen_by: "sweep", or "" for what the design file has or what follows from it.
PARTS_COLUMNS = (
    "reference", "kind", "quantity", "value", "value_si", "unit", "series", "specification",
    "tolerance_percent", "dielectric", "rated_v", "power_w", "role", "chosen_by",
)  # fmt: skip


def result_files(
    specification: Specification,
    choice: Choice,
    folder: Path,
    page: str,
    drawn: SchematicFiles | None = None,
    *,
    with_table: bool,
) -> dict[str, bytes]:
    """Return every result as file name → content; page is the finished report.

    drawn: the circuit of the choice, if that was drawn already. with_table: whether the brightness table is
    among them, for a choice that may be worn.
    """
    circuit = schematic_files(choice.chain) if drawn is None else drawn
    files = {
        "design.toml": chosen_design_text(specification, choice, folder).encode(),
        "parts.csv": _parts_csv(specification, choice).encode(),
        "candidates.csv": _candidates_csv(specification, choice).encode(),
        "report.html": page.encode(),
        "schematic.svg": circuit.svg.encode(),
        "schematic.png": circuit.png,
    }
    if with_table:
        table = choice.chain.brightness_table()
        mark = digest(choice.chain)
        files["brightness_table.h"] = header_text(table, design_digest=mark).encode()
        files["brightness_table.csv"] = csv_bytes(table, design_digest=mark)
        files |= colour_files(choice.chain, "brightness_table_rgb", design_digest=mark)
    return files


def chosen_design_text(specification: Specification, choice: Choice, folder: Path) -> str:
    """Return the asked design file with the chosen parts, and clips that are found from the new folder.

    ParameterError for a recording in memory, which no file can name.
    """
    return specification_text(replace(specification, chain=choice.chain), folder)


def _candidates_csv(specification: Specification, choice: Choice) -> str:
    """Every candidate; in its last column what is not judged, and why."""
    table = choice.table.assign(not_judged=not_judged_column(choice.table, specification))
    return table.to_csv(float_format="%.9g", lineterminator="\n")


def _parts_csv(specification: Specification, choice: Choice) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(PARTS_COLUMNS)
    for part in judged_parts(specification, choice.chain):
        writer.writerow(
            (
                part.reference,
                part.kind,
                part.quantity,
                part.value_text,
                _number(part.value),
                part.unit,
                part.series,
                part.specification,
                _number(part.tolerance_percent),
                part.dielectric,
                _number(part.rated_v),
                _number(part.power_w),
                part.purpose,
                "sweep" if part.key in specification.ranges else "",
            )
        )
    return out.getvalue()


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"

"""The results of a design run as a folder of files. Written whole or not at all."""

from __future__ import annotations

import csv
import io
import os
import shutil
import tempfile
from collections.abc import Collection
from pathlib import Path

import tomlkit

from envlab.design_file import design_text, digest, with_parts
from envlab.errors import FileError, ParameterError
from envlab.firmware.c_header import header_text
from envlab.firmware.table_files import csv_bytes
from envlab.plot.schematic.schematic import schematic_png, schematic_svg
from envlab.shipped import shipped_folder
from envlab.sound.clip import Clip
from envlab.study.specification.parts_list import parts_list
from envlab.study.specification.specification import Specification, asked_sensitivity
from envlab.study.sweep.choice import Choice

# Everything that a design run can leave; report.pdf only where a browser is at hand.
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
)

# Of parts.csv; value as it is printed on the part, value_si in Ω, F or A; rated_v in V, power_w in W.
PARTS_COLUMNS = (
    "reference", "kind", "quantity", "value", "value_si", "unit", "series", "specification",
    "tolerance_percent", "dielectric", "rated_v", "power_w", "role",
)  # fmt: skip


def check_folder(folder: Path, *, force: bool) -> None:
    """Raise FileError if results cannot go there: files in it and no force, or not writable."""
    if folder.exists() and not folder.is_dir():
        raise FileError(f"{folder}: is a file; results need a folder")
    if folder.is_dir() and any(folder.iterdir()) and not force:
        raise FileError(f"{folder}: has files already; give --force to replace results, or another --out")
    ground = folder if folder.is_dir() else _nearest_existing(folder)
    if not os.access(ground, os.W_OK | os.X_OK):
        raise FileError(f"{folder}: cannot be written ({ground} is not yours to write in)")


def write_folder(folder: Path, files: dict[str, bytes], *, replaces: Collection[str] = ()) -> None:
    """Put files into a folder: first all beside it, then each moved into place; other files there stay.

    Parameters
    ----------
    folder : path
        Where the files go.
    files : dict
        Name → content.
    replaces : collection of str
        Names that an earlier run may have left; those that are not among the files go, so that no table of
        another design lies beside this one's.

    Raises
    ------
    FileError
        If anything cannot be written; the folder is then left as it was.
    """
    parent = folder.parent
    try:
        parent.mkdir(parents=True, exist_ok=True)
        staging = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=parent))
        try:
            for name, content in files.items():
                (staging / name).write_bytes(content)
            folder.mkdir(exist_ok=True)
            for name in files:
                (staging / name).replace(folder / name)
            for name in set(replaces) - set(files):
                (folder / name).unlink(missing_ok=True)
        finally:
            shutil.rmtree(staging, ignore_errors=True)
    except OSError as problem:
        raise FileError(f"{folder}: cannot be written ({problem.strerror})") from None


def result_files(
    specification: Specification, choice: Choice, folder: Path, page: str, *, with_table: bool
) -> dict[str, bytes]:
    """Return every result as file name → content; page is the finished report.

    with_table: whether the brightness table is among them, for a choice that may be worn.
    """
    files = {
        "design.toml": chosen_design_text(specification, choice, folder).encode(),
        "parts.csv": _parts_csv(specification, choice).encode(),
        "candidates.csv": choice.table.to_csv(float_format="%.9g", lineterminator="\n").encode(),
        "report.html": page.encode(),
        "schematic.svg": schematic_svg(choice.chain).encode(),
        "schematic.png": schematic_png(choice.chain),
    }
    if with_table:
        table = choice.chain.brightness_table()
        mark = digest(choice.chain)
        files["brightness_table.h"] = header_text(table, design_digest=mark).encode()
        files["brightness_table.csv"] = csv_bytes(table, design_digest=mark)
    return files


def chosen_design_text(specification: Specification, choice: Choice, folder: Path) -> str:
    """Return the asked design file with the chosen parts, and clips that are found from the new folder.

    Of a specification built in Python it has the board and the clips. ParameterError for a recording in
    memory, which no file can name.
    """
    paths = [_file_of(clip) for clip in specification.clips]
    parts = {key: choice.row[key] for key in specification.ranges}
    source = specification.source_text or design_text(specification.chain)
    values = {key: _plain(value) for key, value in parts.items()}
    sensitivity = specification.chain.firmware.sensitivity
    if sensitivity != asked_sensitivity(source):
        values["firmware.sensitivity"] = sensitivity
    document = tomlkit.parse(with_parts(source, values))
    demos = shipped_folder("audio_samples")
    asked = document.get("clips", [])
    if [path.name for path in paths] == [
        Path(table["file"]).name for table in asked for _ in table["levels_db_spl"]
    ]:
        by_name = {path.name: path for path in paths}
        for table in asked:
            path = by_name[Path(table["file"]).name]
            if path.parent != demos:
                table["file"] = _from_folder(path, folder)
        return tomlkit.dumps(document)
    clips = tomlkit.aot()
    for clip, path in zip(specification.clips, paths, strict=True):
        table = tomlkit.table()
        table["file"] = path.name if path.parent == demos else _from_folder(path, folder)
        table["levels_db_spl"] = [clip.level_db_spl]
        table["tags"] = list(clip.tags)
        clips.append(table)
    document["clips"] = clips
    return tomlkit.dumps(document)


def _file_of(clip: Clip) -> Path:
    if clip.path is None:
        raise ParameterError("clips", clip.label, "sound files, if results are to name them in a design file")
    return clip.path


def _plain(value: object) -> float | str:
    return value if isinstance(value, str) else float(value)  # type: ignore[arg-type]


def _from_folder(path: Path, folder: Path) -> str:
    return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()


def _parts_csv(specification: Specification, choice: Choice) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(PARTS_COLUMNS)
    for part in parts_list(choice.chain, specification.ranges):
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
            )
        )
    return out.getvalue()


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"


def _nearest_existing(path: Path) -> Path:
    for parent in path.resolve().parents:
        if parent.is_dir():
            return parent
    return Path("/")

"""The question that a design file asks: which clips at which levels, which parts to try, which targets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from envlab.chain import Chain
from envlab.design_file import build, chain_of, field_value, fields_of, nearest, read_toml
from envlab.errors import EnvlabError, FileError, ParameterError, check_range
from envlab.metrics.catalogue import METRICS
from envlab.shipped import demo_design, shipped_folder
from envlab.sound.clip import TAGS, Clip
from envlab.study.specification.ranges import MOST_CANDIDATES, Choices, read_ranges
from envlab.study.specification.targets import Target, Targets
from envlab.study.tolerance.tolerances import Tolerances, varied_parameters


@dataclass(frozen=True)
class Judging:
    """street_db_spl: level of the onset test, 40 to 130. seed: of all noise, 0 or more."""

    street_db_spl: float = 92.0
    seed: int = 1

    def __post_init__(self) -> None:
        check_range("street_db_spl", self.street_db_spl, 40, 130, unit="dB SPL")
        check_range("seed", self.seed, 0, 2**32 - 1)


@dataclass(frozen=True)
class Specification:
    """One design file, read whole. ranges: "section.key" → the values to try, in the order of the file.

    tolerance: how far boards of the design may lie apart.
    """

    chain: Chain
    clips: tuple[Clip, ...]
    ranges: dict[str, Choices]
    targets: Targets
    judging: Judging
    source_text: str
    name: str
    tolerance: Tolerances = field(default_factory=Tolerances)

    def with_clip(self, path: Path, level_db_spl: float) -> Specification:
        """The same question for one recording of the user's own, taken as beat music."""
        return replace(self, clips=(Clip(path, level_db_spl, ("beat",)),))


def demo_specification() -> Specification:
    """Return the specification of the lantern parade."""
    return read_specification(demo_design())


def read_specification(path: str | Path, *, most: int = MOST_CANDIDATES) -> Specification:
    """Return the whole question of a design file; one with more candidates than most is refused.

    Raises FileError, one line, for a file that is missing or no TOML, for any key or value that cannot be.
    """
    path = Path(path)
    tables = read_toml(path)
    chain = chain_of(tables, path.name)
    judging_where = f"{path.name}: [judging]"
    judging_fields = fields_of(tables.get("judging", {}), Judging, judging_where)
    ranges = read_ranges(tables.get("sweep", {}), chain, path.name, most)
    return Specification(
        chain=chain,
        clips=_clips(tables.get("clips", []), path),
        ranges=ranges,
        targets=_targets(tables.get("targets", {}), f"{path.name}: [targets]"),
        judging=build(Judging, judging_fields, judging_where),
        source_text=path.read_text(encoding="utf-8"),
        name=path.name,
        tolerance=_tolerance(tables.get("tolerance", {}), chain, ranges, f"{path.name}: [tolerance]"),
    )


def _tolerance(table: Any, chain: Chain, ranges: dict[str, Choices], where: str) -> Tolerances:
    spans = ("temperature_c", "supply_v")
    known = dict(table) if isinstance(table, Mapping) else table
    read: dict[str, Any] = {}
    if isinstance(known, dict):
        for key in spans:
            if key in known:
                read[key] = _span(key, known.pop(key), where)
        if "parts_percent" in known:
            read["parts_percent"] = _parts_percent(known.pop("parts_percent"), where)
    tolerances: Tolerances = build(Tolerances, read | fields_of(known, Tolerances, where), where)
    try:
        varied_parameters(chain, tolerances, ranges)
    except ParameterError as problem:
        raise FileError(f"{where} {problem}") from None
    return tolerances


def _span(key: str, value: Any, where: str) -> tuple[float, float]:
    if not isinstance(value, list) or len(value) != 2:
        raise FileError(f"{where} {key} is {value!r}; it must be two numbers, [low, high]")
    low, high = (field_value(key, one, float, where) for one in value)
    return low, high


def _parts_percent(value: Any, where: str) -> dict[str, float]:
    if not isinstance(value, Mapping):
        raise FileError(f"{where} parts_percent is {value!r}; it must be as in {{ C3 = 10, R5 = 1 }}")
    return {part: field_value(f"parts_percent {part}", one, float, where) for part, one in value.items()}


def _clips(tables: Any, path: Path) -> tuple[Clip, ...]:
    where = f"{path.name}: [[clips]]"
    if not isinstance(tables, list):
        raise FileError(f"{where} is one section; it must be a list of sections, each headed [[clips]]")
    clips: list[Clip] = []
    for number, table in enumerate(tables, start=1):
        here = f"{where} number {number}"
        if not isinstance(table, Mapping):
            raise FileError(f"{here} is {table!r}; it must be a section with keys")
        known = {"file", "levels_db_spl", "tags", "weighting"}
        for key in table:
            if key not in known:
                raise FileError(f"{here} has an unknown key {key!r}; it can have {', '.join(sorted(known))}")
        file, levels = table.get("file"), table.get("levels_db_spl")
        if not isinstance(file, str) or not file:
            raise FileError(f"{here} file is {file!r}; it must be the name of a sound file")
        if not isinstance(levels, list) or not levels:
            raise FileError(f"{here} levels_db_spl is {levels!r}; it must be a list such as [72, 92]")
        tags = table.get("tags", [])
        if not isinstance(tags, list):
            raise FileError(f"{here} tags is {tags!r}; it must be a list out of {', '.join(TAGS)}")
        for level in levels:
            fields = {
                "path": _find_clip(file, path.parent, here),
                "level_db_spl": level,
                "tags": tuple(tags),
                "weighting": table.get("weighting", "Z"),
            }
            clips.append(build(Clip, fields, here))
            if clips[-1].label in [clip.label for clip in clips[:-1]]:
                raise FileError(
                    f"{here} {clips[-1].label!r} is there twice; names of files and levels must tell"
                )
    return tuple(clips)


def _find_clip(file: str, folder: Path, where: str) -> Path:
    """A clip lies beside the design file, or is one of the demo clips."""
    beside = folder / file
    if beside.is_file():
        return beside
    demo = shipped_folder("audio_samples") / file
    if demo.is_file():
        return demo
    raise FileError(f"{where} file {file!r} is neither beside the design file nor one of the demo clips")


def _targets(table: Any, where: str) -> Targets:
    if not isinstance(table, Mapping):
        raise FileError(f"{where} is {table!r}; it must be a section with keys")
    items = []
    for metric, asked in table.items():
        if metric not in METRICS:
            raise FileError(f"{where} has an unknown metric {metric!r}; {nearest(metric, tuple(METRICS))}")
        sides = [side for side in ("at_most", "at_least") if isinstance(asked, Mapping) and side in asked]
        if len(sides) != 1 or set(asked) - {sides[0], "scale"}:
            limit = "{at_most = …, scale = …} or {at_least = …, scale = …}"
            raise FileError(f"{where} {metric} is {asked!r}; it must be {limit}")
        values = {
            name: field_value(f"{metric} {name}", asked.get(name), float, where)
            for name in (sides[0], "scale")
        }
        fields = {"metric": metric, "side": sides[0], "limit": values[sides[0]], "scale": values["scale"]}
        items.append(build(Target, fields, where))
    try:
        return Targets(tuple(items))
    except (EnvlabError, ParameterError) as problem:
        raise FileError(f"{where} {problem}") from None

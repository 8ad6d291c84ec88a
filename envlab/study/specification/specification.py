"""The question that a design file asks: which clips at which levels, which parts to try, which targets."""

from __future__ import annotations

import contextlib
import functools
import math
import os
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from envlab.chain import Chain
from envlab.design_file import chain_of
from envlab.errors import EnvlabError, FileError, ParameterError, check_choice, check_range
from envlab.files.tables import build, field_value, fields_of, nearest, source_text, toml_of
from envlab.light.viewing import Viewing
from envlab.metrics.catalogue import METRICS
from envlab.notebook_view import small_table
from envlab.seeds import seed_number
from envlab.shipped import DEMOS, demo_design, shipped_folder
from envlab.sound.clip import TAGS, Clip
from envlab.sound.level import WEIGHTINGS
from envlab.sound.level_text import parse_level
from envlab.sound.stream import Sound
from envlab.study.specification.ranges import MOST_CANDIDATES, Choices, read_ranges, values_of
from envlab.study.specification.targets import Target, Targets
from envlab.study.tolerance.tolerances import Tolerances, varied_parameters


@dataclass(frozen=True)
class Judging:
    """How metrics on test signals are taken.

    Parameters
    ----------
    street_db_spl : float
        Level of the burst that measures the latency from sound to light, 40 to 130 dB SPL.
    seed : int or numpy Generator
        Of all noise, 0 to 2**32 - 1; a Generator draws one.
    weighting : str
        Of the clips' levels, where neither level nor clip says one: "Z" (not weighted), "A", as most sound
        level meters read, or "C" [IEC61672-1]. Of no account to street_db_spl, which is not weighted.
    """

    street_db_spl: float = 92.0
    seed: int = 1
    weighting: str = "Z"

    def __post_init__(self) -> None:
        check_choice("weighting", self.weighting, WEIGHTINGS)
        check_range("street_db_spl", self.street_db_spl, 40, 130, unit="dB SPL")
        object.__setattr__(self, "seed", seed_number(self.seed))


@dataclass(frozen=True, repr=False)
class Specification:
    """What is asked: a board, the clips that it must show, the values to try, the targets.

    A design file read whole (read_specification), or built in Python.

    Parameters
    ----------
    chain : Chain
        The board; what ranges sweep is replaced in it.
    clips : sequence of Clip
        What is played to it. Their labels (name and level) must differ.
    ranges : mapping of str to PartRange or sequence
        "section.key" → the values to try, SI; the last one varies fastest.
    targets : Targets
        What is asked of the metrics.
    judging : Judging
        How metrics on test signals are taken.
    source_text : str
        Text of the design file; "" where there is none.
    name : str
        What the specification is called.
    tolerance : Tolerances
        How far boards of the design may lie apart.
    viewing : Viewing
        From where the costume is seen, by which layouts of light are compared; nothing else asks for it.

    Raises
    ------
    ParameterError
        For two clips of one label.

    Examples
    --------
    >>> import envlab
    >>> asked = envlab.Specification(
    ...     envlab.Chain(),
    ...     clips=[envlab.Clip("song.flac", 92.0, ("beat",))],
    ...     ranges={"detector.release_ohm": envlab.PartRange("E6", 100e3, 470e3)},
    ...     targets=envlab.Targets((envlab.Target("onset_lag_worst_ms", "at_most", 45.0, 20.0),)),
    ... )
    >>> asked
    <Specification 'specification': 1 clip, 5 candidates, 1 target>
    """

    chain: Chain
    clips: tuple[Clip, ...] = ()
    ranges: Mapping[str, Choices] = field(default_factory=dict)
    targets: Targets = field(default_factory=lambda: Targets(()))
    judging: Judging = field(default_factory=Judging)
    source_text: str = ""
    name: str = "specification"
    tolerance: Tolerances = field(default_factory=Tolerances)
    viewing: Viewing = field(default_factory=Viewing)

    def __post_init__(self) -> None:
        object.__setattr__(self, "clips", tuple(self.clips))
        labels = [clip.label for clip in self.clips]
        for label in labels:
            if labels.count(label) > 1:
                raise ParameterError("clips", label, "named once: names and levels must tell clips apart")

    def with_clip(self, path: Path, level_db_spl: float, weighting: str | None = None) -> Specification:
        """Return the same question for one recording of the user's own, taken as beat music.

        weighting: of its level, "Z", "A" or "C"; None: as judging has it.
        """
        clip = Clip(path, level_db_spl, ("beat",), weighting or self.judging.weighting)
        return replace(self, clips=(clip,))

    @functools.cached_property
    def sounds(self) -> tuple[Sound, ...]:
        """What its clips sound like, at their levels; short files are read once, and held from then on."""
        return tuple(clip.sound() for clip in self.clips)

    def sounds_told(self, progress: Callable[[str, float], None] | None) -> tuple[Sound, ...]:
        """Return sounds; progress: called with what is done and its share, where a level is measured."""
        if "sounds" not in self.__dict__:
            tell = None if progress is None else functools.partial(progress, "Measuring levels")
            self.__dict__["sounds"] = tuple(_sound(clip, tell) for clip in self.clips)
        return self.sounds

    @property
    def candidates(self) -> int:
        """How many combinations of values the ranges have."""
        return math.prod(len(values_of(key, choices)) for key, choices in self.ranges.items())

    def __repr__(self) -> str:
        counted = (
            (len(self.clips), "clip"),
            (self.candidates, "candidate"),
            (len(self.targets.items), "target"),
        )
        parts = ", ".join(f"{count} {what}{'' if count == 1 else 's'}" for count, what in counted)
        return f"<Specification {self.name!r}: {parts}>"

    def _repr_html_(self) -> str:
        rows = [("clip", clip.label, ", ".join(clip.tags)) for clip in self.clips]
        rows += [
            ("sweep", key, f"{len(values_of(key, choices))} values") for key, choices in self.ranges.items()
        ]
        rows += [("target", target.metric, target.text()) for target in self.targets.items]
        return small_table(repr(self)[1:-1], ("what", "name", "asked"), rows)


def _sound(clip: Clip, tell: Callable[[float], None] | None) -> Sound:
    try:
        return clip.sound(tell)
    except ParameterError as problem:
        raise EnvlabError(f"{clip.file_name}: {problem}") from None


def with_sensitivity(specification: Specification, sensitivity: str | None) -> Specification:
    """Return the same question for firmware of another sensitivity; None: as it is."""
    if sensitivity is None:
        return specification
    firmware = replace(specification.chain.firmware, sensitivity=sensitivity)
    return replace(specification, chain=replace(specification.chain, firmware=firmware))


def asked_sensitivity(source_text: str) -> str:
    """Return the sensitivity that the text of a design file asks for, itself or by saying nothing."""
    usual = Chain().firmware.sensitivity
    return str(tomllib.loads(source_text).get("firmware", {}).get("sensitivity", usual))


def demo_specification(name: str = DEMOS[0]) -> Specification:
    """Return the specification of a demo, "lantern-parade" or "garden-moon"."""
    return read_specification(demo_design(name))


def as_specification(
    asked: Specification | str | os.PathLike[str], *, most: int = MOST_CANDIDATES
) -> Specification:
    """Return a specification as it is, or the one of a design file; arguments as read_specification."""
    return asked if isinstance(asked, Specification) else read_specification(asked, most=most)


def read_specification(
    path: str | os.PathLike[str], *, most: int = MOST_CANDIDATES, clips: Sequence[Clip] | None = None
) -> Specification:
    """Read a whole design file: board, clips, ranges, targets, tolerances.

    Parameters
    ----------
    path : path
        A TOML file. Clips are looked for beside it, then among the demo clips.
    most : int
        More candidates than this are refused.
    clips : sequence of Clip or None
        What is played in place of the file's own clips, which then are neither looked for nor read.

    Returns
    -------
    Specification

    Raises
    ------
    FileError
        One line, for a file that is missing or no TOML, for any key or value that cannot be.

    Examples
    --------
    >>> from envlab import read_specification
    >>> from envlab.shipped import demo_design
    >>> read_specification(demo_design())
    <Specification 'lantern_parade.toml': 9 clips, 375 candidates, 11 targets>
    """
    path = Path(path)
    text = source_text(path)
    tables = toml_of(text, path)
    chain = chain_of(tables, path.name)
    judging = read_judging(tables.get("judging", {}), f"{path.name}: [judging]")
    ranges = read_ranges(tables.get("sweep", {}), chain, path.name, most)
    return Specification(
        chain=chain,
        clips=_clips(tables.get("clips", []), path, judging.weighting) if clips is None else tuple(clips),
        ranges=ranges,
        targets=read_targets(tables.get("targets", {}), f"{path.name}: [targets]"),
        judging=judging,
        source_text=text,
        name=path.name,
        tolerance=read_tolerance(tables.get("tolerance", {}), chain, ranges, f"{path.name}: [tolerance]"),
        viewing=read_viewing(tables.get("viewing", {}), f"{path.name}: [viewing]"),
    )


def read_judging(table: Any, where: str) -> Judging:
    """Return how metrics are taken, of a design file's [judging]; where names file and section in errors."""
    judging: Judging = build(Judging, fields_of(table, Judging, where), where)
    return judging


def read_viewing(table: Any, where: str) -> Viewing:
    """Return from where a costume is seen, of a design file's [viewing]; where names file and section."""
    viewing: Viewing = build(Viewing, fields_of(table, Viewing, where), where)
    return viewing


def read_tolerance(table: Any, chain: Chain, ranges: dict[str, Choices], where: str) -> Tolerances:
    """Return how far boards lie apart, of a design file's [tolerance]; where names file and section."""
    spans = ("temperature_c", "supply_v")
    known = dict(table) if isinstance(table, Mapping) else table
    read: dict[str, Any] = {}
    if isinstance(known, dict):
        for key in spans:
            if key in known:
                read[key] = _span(key, known.pop(key), where)
        if "parts_percent" in known:
            read["parts_percent"] = _parts_percent(known.pop("parts_percent"), where)
        if "deviations" in known:
            read["deviations"] = _deviations(known.pop("deviations"), where)
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


def _deviations(value: Any, where: str) -> dict[str, float]:
    if not isinstance(value, Mapping):
        raise FileError(f'{where} deviations is {value!r}; it must be as in {{ "adc.offset_lsb" = 2 }}')
    return {key: field_value(key, one, float, where) for key, one in value.items()}


def _parts_percent(value: Any, where: str) -> dict[str, float]:
    if not isinstance(value, Mapping):
        raise FileError(f"{where} parts_percent is {value!r}; it must be as in {{ C3 = 10, R5 = 1 }}")
    return {part: field_value(f"parts_percent {part}", one, float, where) for part, one in value.items()}


def _clips(tables: Any, path: Path, weighting: str) -> tuple[Clip, ...]:
    where = f"{path.name}: [[clips]]"
    if not isinstance(tables, list):
        raise FileError(f"{where} is one section; it must be a list of sections, each headed [[clips]]")
    clips: list[Clip] = []
    for number, table in enumerate(tables, start=1):
        here = f"{where} number {number}"
        if not isinstance(table, Mapping):
            raise FileError(f"{here} is {table!r}; it must be a section with keys")
        known = {"file", "levels_db_spl", "level_uncertainty_db", "tags", "weighting"}
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
            level_db_spl, weighted = stated_level(level, table.get("weighting"), here)
            fields = {
                "source": _find_clip(file, path.parent, here),
                "level_db_spl": level_db_spl,
                "tags": tuple(tags),
                "weighting": weighted or weighting,
                "level_uncertainty_db": table.get("level_uncertainty_db", 0.0),
            }
            clips.append(build(Clip, fields, here))
            if clips[-1].label in [clip.label for clip in clips[:-1]]:
                raise FileError(
                    f"{here} {clips[-1].label!r} is there twice; names of files and levels must tell"
                )
    return tuple(clips)


def stated_level(level: Any, weighting: Any, where: str) -> tuple[Any, Any]:
    """Return a level in dB SPL and the weighting that it names, itself or by its clip; None for none."""
    if not isinstance(level, str):
        return level, weighting
    try:
        level_db_spl, written = parse_level(level, name="levels_db_spl")
    except ParameterError as problem:
        raise FileError(f"{where} {problem}") from None
    if written is not None and weighting is not None and written != weighting:
        raise FileError(
            f"{where} levels_db_spl has {level!r}, but weighting is {weighting!r}; say one of them"
        )
    return level_db_spl, written or weighting


def _find_clip(file: str, folder: Path, where: str) -> Path:
    """A clip lies beside the design file, or is one of the demo clips."""
    for place in (folder, shipped_folder("audio_samples")):
        with contextlib.suppress(OSError):  # a name longer than any file may have
            if (place / file).is_file():
                return place / file
    raise FileError(f"{where} file {file!r} is neither beside the design file nor one of the demo clips")


def read_targets(table: Any, where: str) -> Targets:
    """Return what is asked, of a design file's [targets]; where names file and section in errors."""
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

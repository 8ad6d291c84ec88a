"""The report's pictures, each with its words for those who cannot see it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from markupsafe import Markup, escape
from matplotlib.figure import Figure

from envlab.analog.detector import PeakDetector
from envlab.light.table_facts import table_facts
from envlab.metrics.catalogue import METRICS
from envlab.metrics.clip_metrics import finest_change_counts
from envlab.plot import sheets
from envlab.plot.export import inline_svg, inlined
from envlab.plot.schematic.schematic import schematic_svg
from envlab.plot.sweep.part_effects import DEFAULT_METRICS, swept_keys
from envlab.plot.sweep.time_map import TimeMap, time_map
from envlab.plot.table import table_sheets
from envlab.study.chosen_on_clips import ClipLight, most_current, most_flashing, music_scene
from envlab.study.specification.parts_list import parts_list
from envlab.study.specification.specification import Specification
from envlab.study.sweep.choice import Choice
from envlab.units import keep_together

if TYPE_CHECKING:
    from envlab.study.layouts.comparison import LayoutComparison
    from envlab.study.power.power_verdict import PowerVerdict
    from envlab.study.tolerance.result import ToleranceResult
# What a picture takes, and to look through a second of a clip for its liveliest moment; on two cores.
_PICTURE_S, _SEARCH_S_PER_S = 0.4, 4e-3
# Of drawing all pictures, the share of those that no clip is played for.
_SHARE_OF_PARTS = 0.4


@dataclass(frozen=True)
class Picture:
    """svg: an svg element with role and label. caption: what to look for."""

    name: str
    svg: Markup
    caption: str


def picture(fig: Figure, name: str, alt: str, caption: str) -> Picture:
    """Return a figure for the page; alt says what it shows in place of it."""
    return _said(inline_svg(fig, name), name, alt, caption)


def _said(svg: str, name: str, alt: str, caption: str) -> Picture:
    labelled = f'<svg role="img" aria-label="{escape(alt)}"' + svg.removeprefix("<svg")
    return Picture(name, Markup(labelled), keep_together(caption))


def pictures_of(
    specification: Specification,
    choice: Choice,
    lights: tuple[ClipLight, ...],
    tolerance: ToleranceResult | None = None,
    power: PowerVerdict | None = None,
    layouts: LayoutComparison | None = None,
    *,
    circuit_svg: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> dict[str, Picture]:
    """Return the pictures by name; those that this sweep gives nothing to draw for are left out.

    circuit_svg: the choice's circuit, as schematic_svg has it; None: it is drawn. progress: called with the
    share that is done, 0 to 1.
    """
    tell = progress or _nobody
    parts = pictures_of_parts(
        specification, choice, tolerance, circuit_svg=circuit_svg,
        progress=lambda share: tell(_SHARE_OF_PARTS * share),
    )  # fmt: skip
    on_clips = pictures_on_clips(
        specification, choice, lights, power, layouts,
        progress=lambda share: tell(_SHARE_OF_PARTS + (1 - _SHARE_OF_PARTS) * share),
    )  # fmt: skip
    return parts | on_clips


def pictures_of_parts(
    specification: Specification,
    choice: Choice,
    tolerance: ToleranceResult | None = None,
    *,
    circuit_svg: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> dict[str, Picture]:
    """Return those pictures by name for which no clip need be played any more; as pictures_of."""
    squares = time_map(choice, specification)
    drawn: list[Callable[[], Picture]] = [
        lambda: _schematic(choice, circuit_svg or schematic_svg(choice.chain)),
        lambda: _steps(choice),
        lambda: _pixels(choice),
    ]
    if swept_keys(specification):
        drawn.append(lambda: _effects(specification, choice))
    if squares is not None:
        drawn.append(lambda: _map(specification, choice, squares))
    if tolerance is not None:
        drawn.append(lambda: _tolerance(tolerance))
    return _made(drawn, 0.0, progress or _nobody)


def pictures_on_clips(
    specification: Specification,
    choice: Choice,
    lights: tuple[ClipLight, ...],
    power: PowerVerdict | None = None,
    layouts: LayoutComparison | None = None,
    *,
    progress: Callable[[float], None] | None = None,
) -> dict[str, Picture]:
    """Return the other pictures by name, of what the choice does on the clips; as pictures_of."""
    tell = progress or _nobody
    searched = _searched_s([light.duration_s for light in lights])
    drawn: list[Callable[[], Picture]] = [
        lambda: _voltages(specification, choice, lambda share: tell(share * searched / whole)),
        lambda: _table(choice, lights),
        lambda: _strips(choice, lights),
        lambda: _current(choice, lights),
        lambda: _flashes(specification, lights),
    ]
    if power is not None:
        drawn.append(lambda: _power(power))
    if layouts is not None and layouts.scene is not None:
        drawn.append(lambda: _layouts(layouts))
    whole = searched + _PICTURE_S * len(drawn)
    return _made(drawn, searched, tell)


def _made(
    drawn: Sequence[Callable[[], Picture]], searched: float, tell: Callable[[float], None]
) -> dict[str, Picture]:
    """Draw; the first of them takes so much longer than the others, s."""
    made: list[Picture] = []
    for draw in drawn:
        made.append(draw())
        tell((searched + _PICTURE_S * len(made)) / (searched + _PICTURE_S * len(drawn)))
    return {one.name: one for one in made}


def drawing_s(clips_s: Sequence[float]) -> float:
    """Return about how long the pictures take, s, of clips so long; measured on two cores."""
    return _searched_s(clips_s) + 10 * _PICTURE_S


def _searched_s(clips_s: Sequence[float]) -> float:
    return _SEARCH_S_PER_S * sum(clips_s) / max(1, len(clips_s))


def _nobody(share: float) -> None:
    del share


def _schematic(choice: Choice, svg: str) -> Picture:
    parts = ", ".join(f"{part.reference} {part.value_text}".strip() for part in parts_list(choice.chain))
    return _said(
        inlined(svg, "schematic"),
        "schematic",
        f"Circuit from microphone to controller, with {parts}. Below it potentials, supply, pixels.",
        "Values in Ω and F. Boxes are bought whole; a wire that ends at a name goes on where it stands.",
    )


def _tolerance(result: ToleranceResult) -> Picture:
    from envlab.plot.sweep.tolerance import tolerance_sheet

    named = ", ".join(METRICS[metric].label.lower() for metric in result.targets["metric"])
    return picture(
        tolerance_sheet(result),
        "tolerance",
        f"How far {len(result.boards)} boards lie apart in {named}, each with its limit, and which parts "
        f"cost most of them. {100 * result.yield_share:.0f} % meet all of these.",
        "Full bars: boards that meet the target; hatched: boards that miss it. Dashed: the limit. Solid: the "
        "design with every part exact.",
    )


def _layouts(found: LayoutComparison) -> Picture:
    from envlab.plot.layouts import layouts_sheet

    assert found.scene is not None
    scene, told = found.scene, []
    for one in found.figures:
        lit = "nothing lit" if math.isnan(one.equal_lit_lstar) else f"L* {one.equal_lit_lstar:.0f}"
        told.append(f"{one.name} {lit}")
    return picture(
        layouts_sheet(found),
        "layouts",
        f"One strip for each layout of light over the same seconds of {scene.clip}, pixels from bottom to "
        f"top, and the luminous intensity of the whole. Lightness of what is lit: {', '.join(told)}.",
        f"{scene.clip.replace('_', ' ')}, from {scene.start_s:.0f} s on. Near: L* of what is lit, over that "
        "of a pixel at full. Below: layouts that share out the same light have one line.",
    )


def _power(verdict: PowerVerdict) -> Picture:
    from envlab.plot.power import power_sheet

    supply, pack = verdict.supply, verdict.cold
    later = ""
    if pack is not None:
        later = (
            f" Over {pack.hours:.1f} hours at the coldest, the pack's voltage on the loudest beat and the"
            f" rail, which ends at {pack.rail_end_v:.2f} V; the controller resets below"
            f" {pack.brown_out_v:.2f} V."
        )
    return picture(
        power_sheet(verdict),
        "power",
        f"One period of the pixels' pulses at {supply.pulses.pwm_hz:g} Hz: {supply.peak_a:.3g} A, where the"
        f" {supply.supply_name} gives {supply.limit_a:g} A, and the rail, which falls by"
        f" {supply.droop_v:.2g} V.{later}",
        "What flows while the mean keeps the limit: the shaded part comes out of the bulk capacitor, and"
        " takes the rail along." + (" Beside it the loudest beat, hour by hour." if pack is not None else ""),
    )


def _voltages(specification: Specification, choice: Choice, tell: Callable[[float], None]) -> Picture:
    scene = music_scene(specification, choice.chain, progress=tell)
    result = scene.result
    first = round(scene.span_s[0] * result.internal_rate_hz)
    top_v = float(result.detector_v[first:].max())
    top_counts = int(result.adc_counts[round(scene.span_s[0] * result.adc_rate_hz) :].max())
    length_s = scene.span_s[1] - scene.span_s[0]
    climb = "The detector follows the mean of the rectified voltage."
    detector = choice.chain.detector
    if isinstance(detector, PeakDetector):
        climb = (
            "The detector climbs only while the rectified voltage is above it, in a step at each peak: its "
            f"attack at 1 kHz is {choice.row['attack_ms']:.3g} ms, not the 2.2·R·C = "
            f"{2.2e3 * detector.attack_ohm * detector.hold_farad:.3g} ms of plain charging."
        )
    return picture(
        sheets.voltages_sheet(scene, choice.chain),
        "voltages",
        f"Five signals over {length_s:.0f} s of {scene.clip.label}, one above the other, and over one stroke "
        f"beside them: sound pressure, preamp output, rectified and detector voltage, ADC counts, light. "
        f"The detector reaches {top_v:.2f} V, which the converter reads as {top_counts} counts.",
        f"{scene.clip.label.replace('_', ' ')}, from {scene.from_s:.0f} s on. Right: the stroke that is "
        f"shaded at the left. {climb}",
    )


def _effects(specification: Specification, choice: Choice) -> Picture:
    metrics = list(DEFAULT_METRICS)
    blocking = str(choice.row["blocking_target"]).partition(" ")[0]
    if blocking and blocking not in metrics:
        metrics.append(blocking)
    named = ", ".join(METRICS[metric].label.lower() for metric in metrics)
    return picture(
        sheets.effects_sheet(choice, specification, metrics),
        "effects",
        f"Small diagrams, one row each for {named}, one column for each swept part. Each shows the metric "
        "over that part's values, with the target and the chosen value. The text beside says what the "
        "neighbouring values would change.",
        "Each column turns one part and leaves the others as chosen. A part whose lines are flat buys "
        "little: take the value that is at hand.",
    )


def _map(specification: Specification, choice: Choice, squares: TimeMap) -> Picture:
    attack_ms, release_ms = (1e3 * tau_s for tau_s in squares.chosen_s)
    meeting = int(((choice.table["violation"] == 0) & choice.table["flash_safe"]).sum())
    return picture(
        sheets.map_sheet(choice, specification),
        "map",
        "Map of beat contrast: attack time constant Ra·C from left to right, release time constant Rr·C from "
        f"bottom to top. The choice is ringed at {attack_ms:.3g} ms and {release_ms:.3g} ms; squares that "
        f"keep the flash limit are outlined. {meeting} candidates at any gain meet every target.",
        "Each square shows the best-ranked of its candidates at gain "
        f"{choice.chain.preamp.gain:.3g}. Inside the outline no second of any clip has more flashes than "
        "allowed. Empty: no such pair of parts was tried.",
    )


def _table(choice: Choice, lights: tuple[ClipLight, ...]) -> Picture:
    asked = choice.chain.brightness
    return picture(
        table_sheets.curve_sheet(choice.chain, lights),
        "table",
        f"Lightness and duty over the sound level: dark below {asked.floor_db_spl:g} dB SPL, rising to full "
        f"at {asked.ceiling_db_spl:g} dB SPL, where the duty is {choice.chain.duty_limit:.3f}. Below, for "
        "each clip how much of it is how loud.",
        "Each dot is one entry of the table: where dots lie far apart, the light moves in steps. A clip that "
        "lies left of the floor stays dark; what lies right of the ceiling is all equally bright.",
    )


def _steps(choice: Choice) -> Picture:
    largest = table_facts(choice.chain.brightness_table()).largest_step_lstar
    shown = float(choice.row["table_step_lstar"])
    between = ""
    if finest_change_counts(choice.chain) < 1:
        between = f" A frame's mean lies between counts: what is shown moves by at most {shown:.1f} L*."
    return picture(
        table_sheets.steps_sheet(choice.chain),
        "steps",
        "Size of each step of lightness over the sound level, count by count. The largest is "
        f"{largest:.1f} L*.",
        "One bar for each count: steps are largest where light begins, for there the counts are few."
        f"{between}",
    )


def _pixels(choice: Choice) -> Picture:
    return picture(
        table_sheets.pixels_sheet(choice.chain),
        "pixels",
        "Supply current over the number of pixels that are lit at full, with the limited table and with the "
        f"unlimited one, and the {choice.chain.supply.name}'s limit of {choice.chain.supply.limit_a:g} A.",
        "The limited table never passes the limit, whatever is lit. The unlimited one fits when few pixels "
        "are lit at a time, and only with firmware that limits each frame.",
    )


def _strips(choice: Choice, lights: tuple[ClipLight, ...]) -> Picture:
    shown = "Every pixel" if choice.chain.layout.is_all_alike else "The light of all pixels together"
    lit = ", ".join(f"{light.clip.label} {light.lightness.mean():.0f}" for light in lights)
    return picture(
        sheets.strips_sheet(lights),
        "strips",
        f"One strip of light for each clip, time from left to right. Mean lightness L* of each: {lit}.",
        f"{shown} through time. Judge the rhythm, not the brightness: a lamp at night outshines a screen.",
    )


def _current(choice: Choice, lights: tuple[ClipLight, ...]) -> Picture:
    light = most_current(lights)
    return picture(
        sheets.current_sheet(light, choice.chain),
        "current",
        f"Supply current along {light.clip.label}: mean {light.current_a.mean():.2f} A, largest "
        f"{light.current_a.max():.2f} A, under the {choice.chain.supply.name}'s limit of "
        f"{choice.chain.supply.limit_a:g} A.",
        f"{light.clip.label.replace('_', ' ')}, the clip that takes most. "
        f"{'All pixels alike' if choice.chain.layout.is_all_alike else 'All pixels together'}.",
    )


def _flashes(specification: Specification, lights: tuple[ClipLight, ...]) -> Picture:
    light = most_flashing(lights)
    flashes = light.flashes
    return picture(
        sheets.flash_sheet(light, specification.targets.flash_limit),
        "flashes",
        f"Luminance along {light.clip.label}, and the flashes in every sliding second: at most "
        f"{flashes.worst_per_s}, where {specification.targets.flash_limit:g} are allowed.",
        f"{light.clip.label.replace('_', ' ')}, the clip that flashes most. Counted as WCAG 2.2 defines a "
        "general flash: a pair of opposite changes of 10 % or more, the darker side below 80 %.",
    )

"""What the comparison of layouts says: sentences with the numbers that they rest on."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from envlab.light.viewing import FIELD_DEG, FLASHING_SR, Viewing
from envlab.study.layouts.compared import Compared
from envlab.study.layouts.favours import NUMBERS, Favour, Lead, Side, favour_of, leads, value_of
from envlab.study.layouts.figures import LayoutFigures
from envlab.study.layouts.regions import region_words
from envlab.study.sentences import Sentence

KINDS = (
    "layouts_not_judged",
    "layouts_played",
    "layouts_limit",
    "layouts_over",
    "layouts_near",
    "layouts_far",
    "layouts_current",
    "layouts_region",
    "layouts_area",
    "layouts_assumed",
)
_SAID = {
    "equal_lit_lstar": "lightness of what is lit",
    "contrast_near_lstar": "contrast on the beat",
    "step_near_lstar": "the largest step",
    "contrast_far_lstar": "contrast on the beat",
    "step_far_lstar": "the largest step",
}


def sentences_of(found: Compared) -> tuple[Sentence, ...]:
    """Return what is to be said of a comparison, of KINDS."""
    said = list(_not_judged(found))
    if not found.figures:
        return tuple(said)
    said += [_played(found), *_limits(found)]
    said += [_side(found, side) for side in ("near", "far")]
    said += _current(found)
    return (*said, *_regions(found), _assumed(found))


def listed(names: Sequence[str]) -> str:
    """As in “share”, or “share”, “weights” and “from end”."""
    quoted = [f"“{name}”" for name in names]
    return quoted[0] if len(quoted) == 1 else f"{', '.join(quoted[:-1])} and {quoted[-1]}"


def _not_judged(found: Compared) -> Iterator[Sentence]:
    for name, why in found.not_judged.items():
        yield Sentence("layouts_not_judged", f"Not judged, {name}: {why}.", {name: why})


def _played(found: Compared) -> Sentence:
    clips = f"{len(found.clips)} clip{'s' * (len(found.clips) != 1)}"
    return Sentence(
        "layouts_played",
        f"{len(found.figures)} layouts of light were compared on {clips}: which pixels light, from the same "
        f"envelope and behind the same supply. This design's is {listed([found.worn])}. The numbers judge no "
        "taste: see each in the audition before you choose.",
        {"layouts": len(found.figures), "clips": len(found.clips), "layout": found.worn},
    )


def _limits(found: Compared) -> Iterator[Sentence]:
    over = [one for one in found.figures if not found.keeps(one)]
    for one in over:
        if one.flashes_per_s > found.flash_limit:
            yield Sentence(
                "layouts_over",
                f"{listed([one.name])}: {_flashes(one.flashes_per_s)} of the whole in the worst second, "
                f"without the flash guard; at most {found.flash_limit:g} are allowed. It is not to be worn.",
                {"layout": one.name, "flashes_per_s": one.flashes_per_s},
            )
        if not one.keeps_current:
            yield Sentence(
                "layouts_over",
                f"{listed([one.name])}: its brightest frame takes {one.peak_a:.2f} A, more than the supply's "
                f"{found.limit_a:g} A.",
                {"layout": one.name, "peak_a": one.peak_a, "limit_a": found.limit_a},
            )
    kept = [one for one in found.figures if found.keeps(one)]
    if kept:
        flashes, amperes = max(one.flashes_per_s for one in kept), max(one.peak_a for one in kept)
        yield Sentence(
            "layouts_limit",
            f"{'The others' if over else 'All'} keep what is hard: the whole has at most {_flashes(flashes)} "
            f"in any second, {found.flash_limit:g} are allowed; no frame takes more than {amperes:.2f} A of "
            f"{found.limit_a:g} A.",
            {"flashes_per_s": flashes, "peak_a": amperes, "limit_a": found.limit_a},
        )


def _side(found: Compared, side: Side) -> Sentence:
    led = leads(found.figures, side, found.flash_limit)
    asked = sum(found.keeps(one) for one in found.figures)
    favour = favour_of(led, asked)
    where = "Near by" if side == "near" else "From afar"
    behind: dict[str, float | str] = {"favoured": ", ".join(favour.names)}
    for one in led:
        behind[one.number], behind[f"{one.number}, led by"] = one.best, ", ".join(one.names)
    text = f"{where} {_favour(favour, asked)}"
    if asked:
        text += ": " + "; ".join(_lead(one, found, asked) for one in led)
    return Sentence(f"layouts_{side}", f"{text}.", behind)


def _favour(favour: Favour, asked: int) -> str:
    if not asked:
        return "the numbers favour none, as no layout keeps what is hard"
    if not favour.names:
        return "the numbers tell no layout from another"
    if favour.divided:
        return "the numbers are divided"
    return f"the numbers favour {listed(favour.names)}"


def _lead(lead: Lead, found: Compared, asked: int) -> str:
    """Who leads in a number, and how far behind the last is."""
    said = _SAID[lead.number]
    if not lead.names:
        return f"{said} is not judged"
    best = _lstar(lead.number, lead.best)
    if len(lead.names) == asked:
        return f"{said} is the same for all to L* 1, {best}"
    more = next(better for _, number, better in NUMBERS if number == lead.number)
    others = {one.name: value_of(one, lead.number) for one in found.figures if found.keeps(one)}
    judged = {name: value for name, value in others.items() if not math.isnan(value)}
    last = (min if more else max)(judged, key=lambda name: judged[name])
    return (
        f"{said} favours {listed(lead.names)}, {best} ({listed([last])}: {_lstar(lead.number, judged[last])})"
    )


def _lstar(number: str, value: float) -> str:
    """Of a step to a tenth, of all else whole."""
    if not number.startswith("step"):
        return f"L* {value:.0f}"
    return "under L* 0.1" if value < 0.1 else f"L* {value:.1f}"


def _current(found: Compared) -> Iterator[Sentence]:
    lit = [one for one in found.figures if not math.isnan(one.equal_cd)]
    if not lit:
        yield Sentence(
            "layouts_not_judged", "Lightness and intensity are not judged: no clip lights a pixel.", {}
        )
        return
    least = min(lit, key=lambda one: one.mean_a)
    spread = max(one.mean_a for one in lit) / least.mean_a - 1
    dimmed = (
        "" if spread < 0.005 else f" Each was dimmed to the {least.mean_a:.2f} A of {listed([least.name])}."
    )
    yield Sentence(
        "layouts_current",
        f"At equal current all send the same light away, {least.equal_cd:.2g} cd in the mean, whichever "
        f"pixels it comes from; at {found.viewing.distance_m:g} m that is {least.equal_lux:.2g} lx at the "
        f"eye.{dimmed}",
        {
            "equal_cd": least.equal_cd,
            "equal_lux": least.equal_lux,
            "mean_a": least.mean_a,
            "distance_m": found.viewing.distance_m,
        },
    )


def _regions(found: Compared) -> Iterator[Sentence]:
    flashing = {
        one.name: one.regions.flashing_pixels(found.flash_limit)
        for one in found.figures
        if one.regions.worst_per_s > max(found.flash_limit, one.flashes_per_s)
    }
    for one in found.figures:
        if one.name not in flashing:
            continue
        region = one.regions.worst
        yield Sentence(
            "layouts_region",
            f"{listed([one.name])}: {region_words(one.regions)} flash{'es' * (region.pixels == 1)} "
            f"{one.regions.worst_per_s} times in the worst second, while the whole has "
            f"{_flashes(one.flashes_per_s)}.",
            {
                "layout": one.name,
                "first_pixel": region.first + 1,
                "region_pixels": region.pixels,
                "region_flashes_per_s": one.regions.worst_per_s,
                "flashes_per_s": one.flashes_per_s,
            },
        )
    if not flashing:
        worst = max(one.regions.worst_per_s for one in found.figures)
        yield Sentence(
            "layouts_region",
            f"No run of pixels that was looked at flashes more often than the limit or the whole: at most "
            f"{_flashes(worst)} in any second.",
            {"region_flashes_per_s": worst},
        )
        return
    name = max(flashing, key=lambda one: flashing[one])
    yield _area(found, name, flashing[name])


def _area(found: Compared, name: str, pixels: int) -> Sentence:
    """What WCAG's rule of small areas says of the pixels that flash too often."""
    share = pixels / found.figures[0].pixels
    viewing = found.viewing
    near_m, seen_sr = viewing.small_from_m(share), viewing.solid_angle_sr(share)
    kept = "less" if seen_sr <= FLASHING_SR else "more"
    each = "pixel that flashes so fills" if pixels == 1 else f"{pixels} pixels that flash so fill"
    text = (
        f"Of {listed([name])} the {each} {seen_sr:.1g} sr at {viewing.distance_m:g} m, {kept} than the "
        f"{FLASHING_SR:g} sr that WCAG 2.2 lets flash, a quarter of a field of {FIELD_DEG:g}°; from nearer "
        f"than {near_m:.1f} m it is more. This only informs: nobody knows how near the public comes, nor how "
        "many costumes flash together."
    )
    behind = {"flashing_pixels": pixels, "seen_sr": seen_sr, "small_from_m": near_m}
    return Sentence("layouts_area", text, {**behind, "layout": name})


def _assumed(found: Compared) -> Sentence:
    viewing = found.viewing
    range_m = viewing.optical_range_m
    air = "air that takes nothing" if math.isinf(range_m) else f"air one sees {range_m / 1e3:.0f} km through"
    usual, told = Viewing(), {True: list[str](), False: list[str]()}
    for key, words in (
        ("distance_m", f"spectators at {viewing.distance_m:g} m"),
        ("transmissivity_per_km", air),
        ("width_m", f"a lit costume {viewing.width_m:g} m broad"),
        ("candela_per_a", f"pixels of {viewing.candela_per_a:g} cd for each ampere in their emitters"),
    ):
        told[getattr(viewing, key) == getattr(usual, key)].append(words)
    text = " ".join(
        f"{whose}: {', '.join(words)}."
        for whose, words in (("As stated", told[False]), ("As usual, [viewing] can state it", told[True]))
        if words
    )
    if found.made_up_weights:
        text += " The design states no weights: such that fall from the middle to both ends stand in."
    return Sentence(
        "layouts_assumed",
        text,
        {
            "distance_m": viewing.distance_m,
            "optical_range_m": range_m,
            "width_m": viewing.width_m,
            "candela_per_a": viewing.candela_per_a,
        },
    )


def _flashes(count: int) -> str:
    return f"{count or 'no'} flash{'es' * (count != 1)}"


# A bar stands where a heading may break.
HEADINGS = (
    "Layout",
    "Mean|current, A",
    "Lit|pixels",
    "Lightness|near, L*",
    "Contrast, L*|near / far",
    "Largest step,|L* near / far",
    "Begins with,|L* near / far",
    "Flashes|free / guarded",
    "Worst|region",
)


def table_rows(found: Compared) -> tuple[tuple[str, ...], ...]:
    """Return the cells of HEADINGS for each layout, in the order of the figures."""
    return tuple(_row(one) for one in found.figures)


def _row(one: LayoutFigures) -> tuple[str, ...]:
    steps = one.steps
    return (
        one.name,
        f"{one.mean_a:.2f}",
        f"{one.lit_pixels:.1f}",
        _whole(one.equal_lit_lstar),
        f"{_whole(one.contrast_near_lstar)} / {_whole(one.contrast_far_lstar)}",
        f"{steps.near_lstar:.1f} / {steps.far_lstar:.1f}",
        f"{steps.first_near_lstar:.1f} / {steps.first_far_lstar:.1f}",
        f"{one.flashes_per_s} / {one.flashes_guarded}",
        f"{one.regions.worst_per_s}",
    )


def _whole(value: float) -> str:
    return "–" if math.isnan(value) else f"{value:.0f}"

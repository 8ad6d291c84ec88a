"""The bench sheet as text and as a page that opens without a network and prints on A4."""

from __future__ import annotations

from jinja2 import Environment, PackageLoader, StrictUndefined

from envlab import __version__
from envlab.bench.signals.sheet import BenchSheet, SheetRow
from envlab.units import format_value

WAV_NAME, TONE_NAME = "bench_signal.wav", "tuning_tone.wav"
_LIMITS = (("from", 8), ("to", 8))
SHEET_NAMES = ("bench_sheet.html", "bench_sheet.txt")

# The dose is that of [NIOSH98-126].
LOUDNESS = (
    "Loud sound harms hearing. Turn the volume down before the first tone, wear hearing "
    "protection, keep your ears "
    "away from the loudspeaker; at 100 dB(A) a quarter of an hour is a day's dose (NIOSH "
    "98-126). Headphones off "
    "your ears when the cable is in their socket. Local rules on noise go before this sheet."
)


def what_to_do(sheet: BenchSheet) -> list[str]:
    """Return the steps of the bench, one sentence each."""
    attenuator = sheet.attenuator
    if attenuator is None:
        level = f"{sheet.level_db_spl:.0f} dB SPL"
        how = [
            f"Put loudspeaker and board an arm's length apart, away from walls. Play {TONE_NAME} "
            f"and set the volume "
            f"until a sound level meter beside the microphone shows {level}. Without a meter: "
            f"until the reading is "
            "near the table's for the 0 dB step.",
            "Small loudspeakers play 300 Hz to 5 kHz; how loud each tone arrives is not known, "
            "so levels are compared "
            "with each other only.",
        ]
    else:
        upper, lower = (format_value(one, "ohm") for one in (attenuator.upper_ohm, attenuator.lower_ohm))
        how = [
            f"Lift the microphone's side of the input capacitor and connect the attenuator there: "
            f"{upper} from the "
            f"sound card, {lower} from the node to the board's ground, both 1 %.",
            f"Play {TONE_NAME} and set the volume until a multimeter on AC volts shows "
            f"{attenuator.card_rms_v:.3g} V at "
            f"the sound card's socket; at the node it then shows "
            f"{1e3 * attenuator.node_rms_v:.3g} mV. Many multimeters "
            "are right up to 400 Hz only: look into its manual; what it is off is off in the gain found.",
        ]
    return [
        "Turn off every automatic gain, equaliser and effect of the computer.",
        *how,
        f"Start the capture, then play {WAV_NAME} once, whole ({sheet.program.duration_s:.1f} s), "
        f"then end the capture.",
        "Check: envlab check-board with the design, the capture and the same way in.",
    ]


def sheet_text(sheet: BenchSheet) -> str:
    """Return the sheet as plain text, 100 columns at most."""
    lines = [
        f"Bench sheet, design {sheet.design_mark}, envlab {__version__}, way in: {sheet.program.way}",
        "",
        *(f"{number}. {text}" for number, text in enumerate(what_to_do(sheet), start=1)),
        "",
        LOUDNESS,
        "",
    ]
    if sheet.attenuator is not None:
        lines += [*_drawing(sheet), ""]
    lines.append(
        f"Means, not rounded. Limits: the range of {sheet.boards} boards within their tolerances. "
        f"Volts at the "
        "converter's pin; preamp: peak round its bias."
    )
    columns = (("at s", 7), ("preamp V", 10), ("pin V", 8), *_LIMITS, ("counts", 9), *_LIMITS)
    lines.append(f"{'reading':32}" + "".join(name.rjust(width) for name, width in columns))
    lines += [_line(row) for row in sheet.rows]
    return "\n".join([*lines, ""])


def _line(row: SheetRow) -> str:
    peak = "" if row.preamp_peak_v is None else f"{row.preamp_peak_v:.4f}"
    volts = "".join(f"{one:8.4f}" for one in (row.pin_v, row.low_v, row.high_v))
    counts = f"{row.counts:9.1f}{row.low:8.1f}{row.high:8.1f}"
    return f"{row.name:32}{row.start_s:7.2f}{peak:>10}{volts}{counts}"


def _drawing(sheet: BenchSheet) -> list[str]:
    attenuator = sheet.attenuator
    assert attenuator is not None
    upper, lower = (format_value(one, "ohm") for one in (attenuator.upper_ohm, attenuator.lower_ohm))
    before = f"sound card ----[ {upper} ]----"
    node = len(before)
    return [
        f"{before}+---- input capacitor of the preamp",
        "|".rjust(node + 1),
        f"[ {lower} ]".rjust(node + 1 + (len(lower) + 4) // 2),
        "|".rjust(node + 1),
        f"{'its ground '.ljust(node, '-')}+---- board's ground",
    ]


def sheet_html(sheet: BenchSheet) -> str:
    """Return the sheet as one HTML file."""
    environment = Environment(
        loader=PackageLoader("envlab", "report"), undefined=StrictUndefined, autoescape=True
    )
    attenuator = sheet.attenuator
    values = None
    if attenuator is not None:
        values = [format_value(one, "ohm") for one in (attenuator.upper_ohm, attenuator.lower_ohm)]
    return environment.get_template("bench_sheet.html.j2").render(
        sheet=sheet, steps=what_to_do(sheet), loudness=LOUDNESS, values=values, version=__version__
    )

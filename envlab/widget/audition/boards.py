"""The boards of an audition on its present clip: A, B, and the first one's firmware equivalent."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from typing import Any

from envlab.chain import Chain
from envlab.errors import EnvlabError, check_range
from envlab.light.flashes.flash import FlashReport
from envlab.study.layouts.regions import RegionFlashes
from envlab.study.listening.firmware import FirmwareLight, FirmwareListening
from envlab.study.listening.light import BoardLight
from envlab.study.listening.listening import Listening
from envlab.study.listening.metrics import (
    Metric,
    bench_metrics,
    clip_light_metrics,
    guard_words,
    latency_metrics,
    light_flashes,
    looped_flashes,
    region_flashes,
    tones_of_board,
)
from envlab.study.listening.traces import pressure_peaks, traces_of
from envlab.units import FloatArray, from_db
from envlab.widget.audition.clips import AuditionClip
from envlab.widget.audition.payload import light_payload, traces_payload
from envlab.widget.audition.words import flash_told

BOARDS = ("board_a", "board_b", "digital")
# Shorter, and the loop itself is heard as a tone and seen as a flicker.
LEAST_PASSAGE_S = 0.5
# What the bench takes, some 30 ms in one piece, waits for a hand that has rested for so long.
RESTED_S = 0.4
# More pixels cannot be told apart on a screen.
MOST_DRAWN = 120
_TRACE_NAMES = ("pressure_pa", "detector_v", "adc_counts", "lightness")
_TRACE_UNITS = ("Pa", "V", "counts", "L*")


@dataclass(frozen=True, eq=False)
class _Firmware:
    """What was found for a chain; found None: why not."""

    chain: Chain
    found: FirmwareLight | None
    words: str


class Boards:
    """board_a, board_b: the chains. showing: whose light is shown. clip: on what; level_db_spl: how loud.

    passage_s: (from, to) in s, what of the clip is played again and again; None: the whole.
    """

    def __init__(self, chain: Chain, clip: AuditionClip, place: int) -> None:
        self.board_a = chain
        self.board_b: Chain | None = None
        self.showing = "board_a"
        self.passage_s: tuple[float, float] | None = None
        self._measured: set[Chain] = set()
        self._set(Listening(clip.recording), clip, place, clip.level_db_spl)

    def play(self, clip: AuditionClip, place: int, level_db_spl: float) -> None:
        """Change to a clip, the place-th, at a level; nothing of the boards' light on it is known yet."""
        same = clip is self.clip
        if not same:
            self.passage_s = None
        louder = from_db(level_db_spl - self.level_db_spl) if same else None
        listening = Listening(clip.at_level(level_db_spl), after=self.listening, louder=louder)
        self._set(listening, clip, place, level_db_spl)

    def _set(self, listening: Listening, clip: AuditionClip, place: int, level_db_spl: float) -> None:
        self.listening, self.clip, self.place, self.level_db_spl = listening, clip, place, level_db_spl
        self._by_firmware = FirmwareListening(listening.wave)
        self._firmware: _Firmware | None = None
        self._peaks_pa: FloatArray | None = None
        self._lights: dict[str, BoardLight] = {}
        self._reports: dict[str, tuple[FlashReport, str, RegionFlashes | None]] = {}

    def chain_of(self, board: str) -> Chain | None:
        """Return the chain of "board_a" or "board_b"; for "digital" that of the hand."""
        return self.board_b if board == "board_b" else self.board_a

    def exact(self, board: str) -> BoardLight | None:
        """Return the exact light of a board on the whole clip, if it is known."""
        chain = self.chain_of(board)
        if chain is None:
            return None
        known = self._lights.get(board)
        if known is not None and known.chain == chain:
            return known
        light = self._firmware_light() if board == "digital" else self.listening.known(chain)
        if light is not None:
            self._lights[board] = light
            self._reports.pop(board, None)
        return light

    def mark(self, passage_s: tuple[float, float] | None) -> None:
        """Play a passage again and again; None: the whole clip. Flashes are counted in what is played."""
        if passage_s is not None:
            from_s, to_s = passage_s
            check_range("passage from", from_s, 0.0, self.listening.duration_s - LEAST_PASSAGE_S, unit="s")
            check_range("passage to", to_s, from_s + LEAST_PASSAGE_S, self.listening.duration_s, unit="s")
        self.passage_s = passage_s
        self._reports = {}

    def _firmware_light(self) -> BoardLight | None:
        known = self._firmware
        return (
            known.found.light if known is not None and known.found and known.chain == self.board_a else None
        )

    def compute(self, board: str) -> Generator[None, None, None]:
        """Make a board's exact light known, in portions; what is not there has none."""
        chain = self.chain_of(board)
        if chain is None:
            return
        light = yield from self.listening.in_portions(chain)
        if board == "digital" and (self._firmware is None or self._firmware.chain != chain):
            try:
                found = yield from self._by_firmware.in_portions(chain, light)
                self._firmware = _Firmware(chain, found, found.words)
            except EnvlabError as problem:
                self._firmware = _Firmware(chain, None, f"Firmware's equivalent: none. {problem}")

    @property
    def firmware_words(self) -> str:
        """How near the firmware comes to the board A; empty as long as that is not known."""
        known = self._firmware
        return known.words if known is not None and known.chain == self.board_a else ""

    def metrics(self, board: str) -> list[dict[str, str]]:
        """Return the metrics of a board whose exact light is known; of the firmware those of the clip."""
        light = self.exact(board)
        if light is None:
            return []
        bench = () if board == "digital" else bench_metrics(light.chain)
        return [_told(metric) for metric in (*bench, *clip_light_metrics(light))]

    def bench(self, board: str) -> Generator[float | None, None, None]:
        """Measure a board on the bench's signals, one after the other; the firmware is not measured there.

        Yields the seconds that it wants to wait, None for none.
        """
        chain = self.chain_of(board)
        if board == "digital" or chain is None or chain in self._measured:
            return
        yield RESTED_S
        tones_of_board(chain)
        yield None
        latency_metrics(chain)
        self._measured.add(chain)
        yield None

    def flashes(self, board: str, number: int) -> dict[str, Any] | None:
        """Return what the page must know of a board's flashes; None as long as its light is not known."""
        light = self.exact(board)
        if light is None:
            return None
        if board not in self._reports:
            passage_s = self.passage_s
            report = light_flashes(light) if passage_s is None else looped_flashes(light, passage_s)
            self._reports[board] = (report, guard_words(light), region_flashes(light, passage_s))
        report, judged_with, regions = self._reports[board]
        return flash_told(report, judged_with, number, self.place, self.passage_s, regions)

    def light_message(self, light: BoardLight, number: int) -> bytes:
        """Return a light as the page takes it; of a part also the flashes that show there."""
        header: dict[str, Any] = {
            "number": number,
            "clip": self.place,
            "showing": self.showing,
            "frame_rate_hz": light.frame_rate_hz,
            "first_frame": light.first_frame,
            "total_frames": light.total_frames,
            "exact": light.exact,
            "full_duty": light.full_duty,
        }
        if not light.exact:
            regions = region_flashes(light)
            of_region = 0 if regions is None else regions.worst_per_s
            header["flashes"] = max(light_flashes(light).worst_per_s, of_region)
        pixels = None if light.pixels is None else light.pixels.luminance(MOST_DRAWN)
        return light_payload(header, light.relative_luminance, pixels)

    def traces_message(self, light: BoardLight, number: int) -> bytes:
        """Return the traces of a whole light as the page takes them."""
        if self._peaks_pa is None:
            self._peaks_pa = pressure_peaks(self.listening.recording)
        traces = traces_of(light, self._peaks_pa)
        header = {
            "number": number,
            "clip": self.place,
            "showing": self.showing,
            "rate_hz": traces.rate_hz,
            "names": _TRACE_NAMES,
            "units": _TRACE_UNITS,
            "limits": dict(zip(_TRACE_NAMES, traces.limits, strict=True)),
        }
        return traces_payload(header, traces.rows)


def _told(metric: Metric) -> dict[str, str]:
    return {
        "name": metric.name,
        "label": metric.label,
        "value_text": metric.value_text,
        "unit": metric.unit,
        "help": metric.says,
    }

"""The board is back: captures checked and fitted, trims for many boards, the night after."""

from __future__ import annotations

from envlab.bench.boards.fitted_design import design_of_board, fitted_design_text
from envlab.bench.boards.hold_resistor import fit_with_resistor, parts_alone, proposed_resistor
from envlab.bench.boards.invented import drawn_boards, invented_capture, logged_song
from envlab.bench.boards.trim import BoardReadings, read_boards, trim_of
from envlab.bench.boards.trim_header import trim_header
from envlab.bench.boards.trim_yield import readings_of_board, trim_yield
from envlab.bench.captures.capture import Capture
from envlab.bench.captures.files import read_capture
from envlab.bench.check import BoardChecker
from envlab.bench.night.night import night_after
from envlab.bench.words import check_sentences

__all__ = [
    "BoardChecker",
    "BoardReadings",
    "Capture",
    "check_sentences",
    "design_of_board",
    "drawn_boards",
    "fit_with_resistor",
    "fitted_design_text",
    "invented_capture",
    "logged_song",
    "night_after",
    "parts_alone",
    "proposed_resistor",
    "read_boards",
    "read_capture",
    "readings_of_board",
    "trim_header",
    "trim_of",
    "trim_yield",
]

"""Out of the design and back: the brightness table as C, the firmware as a folder, and their checks."""

from __future__ import annotations

from envlab.board_firmware import both_tables
from envlab.board_firmware.colours import colour_tables
from envlab.board_firmware.folder import firmware_folder, firmware_words
from envlab.files.whole import write_folder
from envlab.firmware.c_header import header_text, read_header
from envlab.firmware.export import check_firmware

__all__ = [
    "both_tables",
    "check_firmware",
    "colour_tables",
    "firmware_folder",
    "firmware_words",
    "header_text",
    "read_header",
    "write_folder",
]

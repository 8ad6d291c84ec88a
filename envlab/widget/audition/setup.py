"""What the page must know before anything moves: clips, controls, pixels, limits, notes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from envlab.chain import Chain
from envlab.light.flashes.flash import FLASHES_ALLOWED_PER_S
from envlab.study.listening.listening import LONGEST_S
from envlab.widget.audition.boards import LEAST_PASSAGE_S
from envlab.widget.audition.clips import LEVEL_EXAMPLES, UPLOAD_FORMATS, UPLOAD_MOST_BYTES, AuditionClip
from envlab.widget.audition.controls import Control
from envlab.widget.audition.words import NOTES


def setup_told(clips: Sequence[AuditionClip], controls: Sequence[Control], board: Chain) -> dict[str, Any]:
    """Return the page's setup: JSON."""
    return {
        "clips": [
            {
                "label": clip.label,
                "level_db_spl": clip.level_db_spl,
                "duration_s": clip.recording.duration_s,
                "notes": list(clip.notes),
            }
            for clip in clips
        ],
        "controls": [control.told() for control in controls],
        "pixels": {"count": board.pixels.count, "layouts": ["line", "shoulders"]},
        "frame_rate_hz": board.frame_rate_hz,
        "flash_limit": FLASHES_ALLOWED_PER_S,
        "least_passage_s": LEAST_PASSAGE_S,
        "notes": list(NOTES),
        "upload": {
            "most_bytes": UPLOAD_MOST_BYTES,
            "most_s": LONGEST_S,
            "formats": list(UPLOAD_FORMATS),
            "levels": [{"label": label, "level_db_spl": level} for label, level in LEVEL_EXAMPLES],
        },
    }

"""What the recorders of one's own clips did to the sound, said before anything is judged on them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from envlab.cli.saying import note

if TYPE_CHECKING:
    from envlab.sound.clip import Clip


def note_recorders(clips: Iterable[Clip]) -> None:
    """Say of each file once what its recorder did; the demo clips that come with envlab had none."""
    from envlab.shipped import shipped_folder
    from envlab.sound.recorder.findings import recorder_findings

    demos = shipped_folder("audio_samples")
    own = {clip.path: clip for clip in clips if clip.path is not None and clip.path.parent != demos}
    for clip in own.values():
        for one in recorder_findings(clip.sound()):
            if one.verdict == "found":
                note(f"{clip.file_name}: {one.text}")

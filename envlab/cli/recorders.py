"""What the recorders of one's own clips did to the sound, said before anything is judged on them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from envlab.cli.saying import note

if TYPE_CHECKING:
    from envlab.sound.clip import Clip
    from envlab.sound.recorder.findings import RecorderFinding

# Share of the time that it takes to find a long clip's level; the rest looks for what the recorder did.
_LEVEL = 0.5


def note_recorders(clips: Iterable[Clip], report: Callable[[str, float], None]) -> None:
    """Say of each file once what its recorder did; the demo clips that come with envlab had none.

    report: told what is being done and the share that is done, 0 to 1, by what the files hold.
    """
    from envlab.shipped import shipped_folder

    demos = shipped_folder("audio_samples")
    own = {clip.path: clip for clip in clips if clip.path is not None and clip.path.parent != demos}
    sizes = [path.stat().st_size if path.is_file() else 0 for path in own]
    for number, clip in enumerate(own.values()):
        before, size = sum(sizes[:number]), sizes[number]

        def tell(share: float, before: int = before, size: int = size) -> None:
            report("Looking at the clips", (before + share * size) / max(1, sum(sizes)))

        for one in _found(clip, tell):
            if one.verdict == "found":
                note(f"{clip.file_name}: {one.text}")


def _found(clip: Clip, tell: Callable[[float], None]) -> tuple[RecorderFinding, ...]:
    from envlab.sound.recorder.findings import recorder_findings

    sound = clip.sound(lambda share: tell(_LEVEL * share))
    return recorder_findings(sound, lambda share: tell(_LEVEL + (1 - _LEVEL) * share))

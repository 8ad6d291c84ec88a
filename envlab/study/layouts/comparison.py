"""All layouts of light on one board and one set of clips, side by side.

The frames are those of the exported firmware as it is worn: by the design's own sensitivity, on a board that
has been on for some seconds (study/exported/light.py). Strict counts are without the flash guard.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from envlab.chain import Chain
from envlab.light.viewing import Viewing
from envlab.metrics.judgeable import release_s, why_not_judged
from envlab.sound.clip import Clip
from envlab.study.exported.light import worn_duty
from envlab.study.exported.scenarios import Heard, heard_by
from envlab.study.exported.shown import ShortCounts
from envlab.study.layouts.compared import Compared, LayoutScene
from envlab.study.layouts.figures import ClipDuties, LayoutFigures, figures_of
from envlab.study.layouts.play import Words
from envlab.study.layouts.plays import LayoutPlays, limit_codes, name_of, plays_of
from envlab.study.layouts.words import sentences_of
from envlab.study.sentences import Sentence
from envlab.study.specification.specification import Specification

SCENE_S = 4.0
# Share of the time that the firmware takes; then its duties are played on pixels.
_FIRMWARE = 0.4


class LayoutComparison(Compared):
    """What judge_layouts found, and what follows from it."""

    @property
    def sentences(self) -> tuple[Sentence, ...]:
        """What follows, for people; of words.KINDS."""
        return sentences_of(self)


def judge_layouts(
    specification: Specification,
    chain: Chain | None = None,
    viewing: Viewing | None = None,
    *,
    heard: Heard | None = None,
    workers: int = 2,
    progress: Callable[[float], None] | None = None,
) -> LayoutComparison:
    """Return what every layout of light makes of a specification's clips on a board.

    Parameters
    ----------
    specification : Specification
        Clips, flash limit and the seed of all noise.
    chain : Chain or None
        The board; None: the specification's own.
    viewing : Viewing or None
        From where the costume is seen; None: as the specification has it.
    heard : Heard or None
        What the board reads on the clips, if it is known already.
    workers : int
        Threads, 1 or more.
    progress : callable, optional
        Called with the share that is done, 0 to 1, from several threads.

    Returns
    -------
    LayoutComparison
        Without figures where no clip can be judged.

    Examples
    --------
    >>> import numpy as np
    >>> from envlab import Clip, Recording, Specification, read_design
    >>> from envlab.judge import judge_layouts
    >>> from envlab.shipped import demo_design
    >>> tone = Recording(np.sin(np.arange(2 * 48_000) * 0.13), 48_000.0, "tone")
    >>> found = judge_layouts(Specification(read_design(demo_design()), (Clip(tone, 90.0),)))
    >>> [(one.name, one.flashes_per_s, round(one.lit_pixels)) for one in found.figures][:2]
    [('all alike', 0, 24), ('from end', 0, 3)]
    """
    board, seen = chain or specification.chain, viewing or specification.viewing
    known = heard_by(board, specification, workers=workers) if heard is None else heard
    made = plays_of(board)
    tell = progress or _nobody
    clips = _duties(made, board, known, workers, lambda share: tell(_FIRMWARE * share)) if made.plays else ()
    not_judged = {**made.not_shown, **known.not_judged}
    if clips and all(clip.no_beat for clip in clips):
        not_judged["contrast on the beat"] = "no clip that is tagged as beat can show it"
    figures: tuple[LayoutFigures, ...] = ()
    if clips:
        figures = figures_of(
            made.plays, clips, board, seen, limit_codes=limit_codes(board),
            progress=lambda share: tell(_FIRMWARE + (1 - _FIRMWARE) * share),
        )  # fmt: skip
    return LayoutComparison(
        figures=figures,
        worn=name_of(board.layout.kind),
        viewing=seen,
        limit_a=board.supply.limit_a,
        flash_limit=specification.targets.flash_limit,
        clips=tuple(clip.label for clip in clips),
        not_judged=not_judged,
        scene=_scene(made, clips, board) if clips else None,
        made_up_weights=made.made_up_weights,
    )


def _nobody(share: float) -> None:
    del share


def _duties(
    made: LayoutPlays, chain: Chain, heard: Heard, workers: int, tell: Callable[[float], None]
) -> tuple[ClipDuties, ...]:
    release, done = release_s(chain.detector_as_built), itertools.count(1)
    steps = len(heard.clips) * (len(made.boards) + 1)

    def duty(board: Chain, counts: ShortCounts, *, guard: bool) -> Words:
        found = worn_duty(board, counts, guard=guard).astype(np.uint16)
        tell(next(done) / steps)
        return found

    def one(item: tuple[Clip, ShortCounts]) -> ClipDuties:
        clip, counts = item
        guarded = {name: duty(board, counts, guard=True) for name, board in made.boards.items()}
        return ClipDuties(clip.label, duty(chain, counts, guard=False), guarded, _no_beat(clip, release))

    with ThreadPoolExecutor(workers) as pool:
        return tuple(pool.map(one, heard.clips.items()))


def _no_beat(clip: Clip, release: float) -> str:
    """Why a clip shows no contrast on the beat; "" if it does."""
    if "beat" not in clip.tags:
        return "it is not tagged as beat"
    return why_not_judged(clip, clip.sound(), release).get("contrast_lstar", "")


def _scene(made: LayoutPlays, clips: Sequence[ClipDuties], chain: Chain) -> LayoutScene:
    """Return the seconds in which the envelope rises most in sum: of a beat clip, if there is one."""
    length = round(SCENE_S * chain.frame_rate_hz)
    is_guarded = chain.firmware.is_guarded
    found = []
    for clip in [one for one in clips if not one.no_beat] or clips:
        rises = np.concatenate(([0], np.maximum(np.diff(clip.free.astype(np.int64)), 0).cumsum()))
        starts = np.arange(0, max(1, clip.free.size - length + 1), max(1, round(chain.frame_rate_hz)))
        gained = rises[np.minimum(starts + length, clip.free.size) - 1] - rises[starts]
        found.append((int(gained.max()), int(starts[np.argmax(gained)]), clip))
    _, start, liveliest = max(found, key=lambda one: one[0])
    codes = {}
    for name, play in made.plays.items():
        duties = liveliest.guarded[name] if is_guarded else liveliest.free
        codes[name] = play.codes_of(duties[: start + length], start).astype(np.uint16)
    full = next(iter(made.plays.values())).full_code
    return LayoutScene(liveliest.label, start / chain.frame_rate_hz, chain.frame_rate_hz, full, codes)

"""Hear a recording, see the lights, turn the parts: one widget in a notebook."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from envlab.chain import Chain
from envlab.plot.export import png_bytes
from envlab.plot.listening import listening_sheet
from envlab.sound.clip import Clip
from envlab.sound.recording import Recording
from envlab.study.listening.metrics import STREET_DB_SPL
from envlab.study.listening.traces import pressure_peaks, traces_of
from envlab.study.specification.specification import Specification, demo_specification
from envlab.widget.audition.clips import clips_of
from envlab.widget.audition.payload import filler
from envlab.widget.audition.session import Session
from envlab.widget.audition.warm import warm_up
from envlab.widget.audition.widget import AuditionWidget

_PICTURE_DPI = 110.0


class Audition:
    """What audition() returns. widget: to show it once more; session: what stands behind it."""

    def __init__(
        self,
        chain: Chain,
        recordings: Recording | Clip | Iterable[Recording | Clip],
        specification: Specification | None = None,
    ) -> None:
        clips = clips_of(recordings)
        first = min(range(len(clips)), key=lambda place: abs(clips[place].level_db_spl - STREET_DB_SPL))
        self.widget = AuditionWidget(self._hear)
        self.session = Session(chain, clips, self, first, specification)
        warm_up(chain, clips[first].recording.sample_rate_hz)
        self.session.begin()

    @property
    def chain(self) -> Chain:
        """The board A, as it stands now."""
        return self.session.boards.board_a

    @property
    def board_b_chain(self) -> Chain | None:
        """The board B; None if there is none."""
        return self.session.boards.board_b

    def save(self, path: str | Path, *, overwrite: bool = False) -> Path:
        """Write the board A as a design file and return where.

        With it goes the specification that the audition was given: its clips, ranges, targets, tolerances
        and comments. Of a specification without a file, or none, every value of the board is written out.
        An existing file stays untouched, unless overwrite is True: FileError. So does a value that no E
        series has.
        """
        return self.session.save(path, overwrite=overwrite)

    def picture(self) -> bytes:
        """Return the still picture, PNG: the clip's sound, the board's signals and its light."""
        boards = self.session.boards
        with self.session.later.lock:
            if boards.exact("board_a") is None:
                self.session.later.finish()
            light = boards.listening.whole(boards.board_a)
        traces = traces_of(light, pressure_peaks(boards.listening.recording))
        words = f"{boards.clip.label}, heard at {boards.level_db_spl:g} dB SPL"
        return png_bytes(listening_sheet(light, traces, words), dpi=_PICTURE_DPI)

    def tell(self, **traits: Any) -> None:
        """Set traits of the widget, all in one message; a light leaves the server at once."""
        with self.widget.hold_sync():
            for name, value in traits.items():
                setattr(self.widget, name, value)
        if "light" in traits:
            self.widget.send({"do": "fill"}, [filler()])

    def answer(self, message: dict[str, Any]) -> None:
        """Send the page a message."""
        self.widget.send(message)

    def _hear(self, content: Mapping[str, Any], buffers: Sequence[Any]) -> None:
        self.session.hear(content, buffers)

    def __repr__(self) -> str:
        board_b = "one board B" if self.board_b_chain else "no board B"
        return f"<Audition of {len(self.session.clips)} clips, {board_b}>"


def audition(
    chain: Chain | None = None,
    recordings: Recording | Clip | Iterable[Recording | Clip] | None = None,
    *,
    specification: Specification | None = None,
) -> Audition:
    """Show, in a notebook, a board's lights on recordings that one hears, with its parts to turn.

    Parameters
    ----------
    chain : Chain or None
        The board; None: the specification's.
    recordings : Recording or Clip or iterable of Recording | Clip or None
        At their levels, each at most two minutes of it; None: the specification's clips. The one nearest to
        street level is chosen first. A still picture stands before the widget, in an output of its own, for
        those who open the notebook without a kernel. Flashing light and loud sound can harm: read the
        widget's notes.
    specification : Specification or None
        What is written with the board when it is saved: clips, ranges, targets, tolerances, comments. None:
        the lantern parade's where chain or recordings are None, too, else the board alone is written.

    Returns
    -------
    Audition
    """
    from IPython import display as outputs

    if specification is None and (chain is None or recordings is None):
        specification = demo_specification()
    if specification is not None:
        chain = specification.chain if chain is None else chain
        recordings = specification.clips if recordings is None else recordings
    assert chain is not None
    assert recordings is not None
    shown = Audition(chain, recordings, specification)
    notebook: Any = outputs  # it states no types
    notebook.display(notebook.Image(shown.picture(), format="png", alt=_alt(shown)))
    notebook.display(shown.widget)
    return shown


def _alt(shown: Audition) -> str:
    boards = shown.session.boards
    return (
        f"{boards.clip.label}: sound pressure, detector voltage, ADC counts and lightness over "
        f"{boards.listening.duration_s:.0f} s, and the pixels' light as a strip."
    )

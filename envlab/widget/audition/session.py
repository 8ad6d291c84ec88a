"""What happens when the page says something; it answers, and goes on computing when nothing else comes."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Protocol

from envlab.chain import Chain
from envlab.errors import EnvlabError, EnvlabWarning, ParameterError, check_range
from envlab.study.listening.light import BoardLight
from envlab.study.specification.specification import Specification
from envlab.study.specification.written import write_specification
from envlab.widget.audition.boards import BOARDS, Boards
from envlab.widget.audition.clips import (
    AuditionClip,
    free_label,
    uploaded_clip,
)
from envlab.widget.audition.controls import (
    LEVEL_KEY,
    Control,
    checked_index,
    controls_of,
    level_control,
    place_of,
)
from envlab.widget.audition.history import History, Settings
from envlab.widget.audition.later import Job, Later
from envlab.widget.audition.payload import sound_payload
from envlab.widget.audition.setup import setup_told
from envlab.widget.audition.words import flash_unknown

# A hand that turns on sends its next move within this time.
QUIET_S = 0.12
# Before what is not shown and takes longest in one piece, so that it hardly ever meets a move.
IDLE_S = 2.0


class Page(Protocol):
    """What the session needs of the widget."""

    def tell(self, **traits: Any) -> None:
        """Set traits, all in one message."""
        ...

    def answer(self, message: dict[str, Any]) -> None:
        """Send a message that is no trait."""
        ...


class Session:
    """One audition: boards, clips (the first-th is chosen), and what the page has been told of them.

    specification: what save writes with the board; None: nothing but the board.
    """

    def __init__(
        self,
        chain: Chain,
        clips: Sequence[AuditionClip],
        page: Page,
        first: int = 0,
        specification: Specification | None = None,
    ) -> None:
        self.clips = list(clips)
        self.boards = Boards(chain, self.clips[first], first)
        self.later = Later(self._job_failed)
        self._page = page
        self._specification = specification or Specification(chain)
        self._history = History()
        self._number = 0
        self._status, self._saved, self._error, self._busy = "", "", "", ""
        self._unnamed = 0
        self._flash: dict[str, Any] = dict.fromkeys(BOARDS)
        self._metrics: dict[str, list[dict[str, str]]] = {board: [] for board in BOARDS}
        self._sent: tuple[int, str, bool] = (0, "", False)
        self._acts: dict[str, Callable[[Mapping[str, Any], Sequence[Any]], None]] = {
            "turn": self._turn,
            "clip": self._choose_clip,
            "show": self._show,
            "board_b": self._board_b,
            "take_back": self._take_back,
            "undo": self._undo,
            "redo": self._redo,
            "passage": self._mark,
            "save": self._save,
            "upload": self._upload,
        }
        self._set_controls(controls_of(chain))

    def begin(self) -> None:
        """Tell the page everything, with the light of the whole clip that is chosen."""
        for _ in self.boards.compute("board_a"):
            pass
        self._page.tell(setup=self._setup(), sound=self._sound())
        self._answer(0.0)

    def hear(self, content: Mapping[str, Any], buffers: Sequence[Any] = ()) -> None:
        """Do what the page asks. What cannot be is said in one line, and all stays as it was."""
        with self.later.lock:
            self._hear(content, buffers)

    def _hear(self, content: Mapping[str, Any], buffers: Sequence[Any]) -> None:
        number = content.get("number", 0)
        if content.get("do") == "ping":
            self._page.answer({"do": "pong", "number": number})
            return
        if isinstance(number, int) and not isinstance(number, bool):
            self._number = number
        self._status, self._error = "", ""
        try:
            act = self._acts.get(str(content.get("do")))
            if act is None:
                raise ParameterError("do", content.get("do"), f"one of {', '.join(self._acts)}")
            with warnings.catch_warnings(record=True) as told:
                warnings.simplefilter("always", EnvlabWarning)
                act(content, buffers)
        except EnvlabError as problem:
            self._error = str(problem)
            self._page.tell(state=self._state())
            return
        except Exception as mistake:
            # The page must not wait for an answer; the kernel's log gets the whole story.
            self._error = f"A mistake inside envlab, please report it: {type(mistake).__name__}: {mistake}"
            self._page.tell(state=self._state())
            raise
        if told:
            self._status = " ".join([self._status, *(str(warning.message) for warning in told)]).strip()
            self._page.tell(state=self._state())

    def save(self, path: str | Path, *, overwrite: bool = False) -> Path:
        """Write the specification with the board A as a design file and return where; see Audition.save."""
        asked = self._specification
        named = tuple(clip for clip in asked.clips if clip.path is not None)
        whole = replace(asked, chain=self.boards.board_a, clips=named)
        target = write_specification(whole, path, overwrite=overwrite)
        self._saved = f"The board A is written to {target}."
        self._unnamed = len(asked.clips) - len(named)
        return target

    def _settings(self) -> Settings:
        boards = self.boards
        return Settings(boards.board_a, boards.board_b, boards.place, boards.level_db_spl)

    def _turn(self, content: Mapping[str, Any], buffers: Sequence[Any]) -> None:
        del buffers
        control = self._control(content.get("key"))
        playhead_s = _playhead(content)
        if control.key == LEVEL_KEY:
            index = checked_index(content.get("index"), control)
            self._keep(_gesture(control, content))
            self._play(self.boards.place, control.values[index])
            self._answer(playhead_s)
            return
        chain = control.turned(self.boards.board_a, checked_index(content.get("index"), control))
        light = self.boards.listening.window(chain, playhead_s)
        self._keep(_gesture(control, content))
        self.boards.board_a = chain
        self._answer(playhead_s, light if self.boards.showing == "board_a" else None, _warnings_of(chain))

    def _choose_clip(self, content: Mapping[str, Any], buffers: Sequence[Any]) -> None:
        del buffers
        index, last = content.get("index"), len(self.clips) - 1
        if isinstance(index, bool) or not isinstance(index, int) or not 0 <= index <= last:
            raise ParameterError("clip", index, f"a clip from 0 to {last}")
        self._play(index, self.clips[index].level_db_spl)
        self._status = " ".join(self.clips[index].notes)
        self._page.tell(sound=self._sound())
        self._answer(0.0)

    def _play(self, place: int, level_db_spl: float) -> None:
        self.later.cancel()
        self.boards.play(self.clips[place], place, level_db_spl)
        self._metrics = {board: [] for board in BOARDS}

    def _show(self, content: Mapping[str, Any], buffers: Sequence[Any]) -> None:
        del buffers
        board = content.get("showing")
        if board not in BOARDS:
            raise ParameterError("showing", board, f"one of {', '.join(BOARDS)}")
        if self.boards.chain_of(board) is None:
            raise EnvlabError("There is no board B yet: keep A as B first.")
        if board == "digital" and self.boards.exact("digital") is None:
            self.later.cancel()
            for _ in self.boards.compute("digital"):
                pass
            if self.boards.exact("digital") is None:
                raise EnvlabError(self.boards.firmware_words)
        self.boards.showing = board
        self._answer(_playhead(content))

    def _board_b(self, content: Mapping[str, Any], buffers: Sequence[Any]) -> None:
        del buffers
        self._keep()
        self.boards.board_b = self.boards.board_a
        self._status = "Board A is kept as B; turn on, and show the one or the other."
        self._answer(_playhead(content))

    def _take_back(self, content: Mapping[str, Any], buffers: Sequence[Any]) -> None:
        del buffers
        if self.boards.board_b is None:
            raise EnvlabError("There is no board B yet: nothing to take back.")
        self._keep()
        self.boards.board_a = self.boards.board_b
        self._status = "Board A is what B is."
        self._answer(_playhead(content))

    def _keep(self, gesture: str = "") -> None:
        self._history = self._history.moved(self._settings(), gesture)

    def _undo(self, content: Mapping[str, Any], buffers: Sequence[Any]) -> None:
        del buffers
        self._restore(self._history.undone(self._settings()), "There is no move to undo.", content)

    def _redo(self, content: Mapping[str, Any], buffers: Sequence[Any]) -> None:
        del buffers
        self._restore(self._history.redone(self._settings()), "There is no move to redo.", content)

    def _restore(
        self, found: tuple[Settings, History] | None, nothing: str, content: Mapping[str, Any]
    ) -> None:
        if found is None:
            raise EnvlabError(nothing)
        wanted, self._history = found
        boards = self.boards
        if wanted.place == boards.place and wanted.level_db_spl != boards.level_db_spl:
            self._play(wanted.place, wanted.level_db_spl)
        boards.board_a, boards.board_b = wanted.board_a, wanted.board_b
        if boards.board_b is None and boards.showing == "board_b":
            boards.showing = "board_a"
        self._answer(_playhead(content), words=_warnings_of(boards.board_a))

    def _mark(self, content: Mapping[str, Any], buffers: Sequence[Any]) -> None:
        del buffers
        asked = content.get("passage_s")
        if asked is not None and not (isinstance(asked, list | tuple) and len(asked) == 2):
            raise ParameterError("passage_s", asked, "two times in s, or none for the whole clip")
        # Nothing is looped before its flashes are counted.
        for _ in self.boards.compute(self.boards.showing):
            pass
        self.boards.mark(None if asked is None else (asked[0], asked[1]))
        self._answer(_playhead(content))

    def _save(self, content: Mapping[str, Any], buffers: Sequence[Any]) -> None:
        del buffers
        path = content.get("path")
        if not isinstance(path, str) or not path.strip():
            raise ParameterError("path", path, "a file's name, such as my-yoke.toml")
        self.save(path.strip(), overwrite=content.get("overwrite") is True)
        lost = f"Recordings in memory that it does not name: {self._unnamed}." if self._unnamed else ""
        self._status = f"{self._saved} {lost}".strip()
        self._page.tell(state=self._state())

    def _upload(self, content: Mapping[str, Any], buffers: Sequence[Any]) -> None:
        if len(buffers) != 1:
            raise ParameterError("buffers", len(buffers), "one, with the file")
        clip = uploaded_clip(content.get("name"), content.get("level_db_spl"), bytes(buffers[0]))
        place = len(self.clips)
        label = free_label(clip.label, self.clips)
        self.clips.append(AuditionClip(label, clip.recording, clip.level_db_spl, clip.notes))
        self._set_controls(self._controls[:-1])
        self._play(place, clip.level_db_spl)
        self._status = " ".join((f"{label} is chosen.", *clip.notes))
        self._page.tell(setup=self._setup(), sound=self._sound(), state=self._state())
        self._answer(0.0)

    def _answer(
        self,
        playhead_s: float,
        light: BoardLight | None = None,
        words: Callable[[], str] | None = None,
    ) -> None:
        """Send what is known of the shown light at once; compute the rest when nothing else comes.

        words: what to say of the move; the light does not wait for it.
        """
        self.later.cancel()
        boards = self.boards
        light = boards.exact(boards.showing) or light
        if light is None and boards.showing != "digital":
            chain = boards.chain_of(boards.showing)
            light = None if chain is None else boards.listening.window(chain, playhead_s)
        for board in BOARDS:
            there = boards.chain_of(board) is not None
            counted = boards.flashes(board, self._number) if there else None
            unknown = flash_unknown(self._number, boards.place, boards.passage_s)
            self._flash[board] = counted or (unknown if there else None)
        self._busy = "" if self._complete() else "the whole clip"
        told: dict[str, Any] = {"flash": dict(self._flash)}
        if light is not None:
            told["light"] = self._light(light)
        if words is not None:
            self._page.tell(**told)
            told, self._status = {}, words()
        self._page.tell(state=self._state(), **told)
        self.later.start(self._rest(self._number), 0.0 if light is None else QUIET_S)

    def _rest(self, number: int) -> Job:
        """The shown light exactly, then its traces and metrics, then the lights that are not shown."""
        boards = self.boards
        shown = boards.showing
        yield from boards.compute(shown)
        yield None
        exact = boards.exact(shown)
        if exact is None:
            boards.showing = "board_a"
            raise EnvlabError(boards.firmware_words)
        if self._sent != (number, shown, True):
            self._page.tell(light=self._light(exact))
        self._count(shown)
        yield None
        self._page.tell(traces=boards.traces_message(exact, number))
        for board in BOARDS:
            if board == "digital" and boards.exact(board) is None:
                yield IDLE_S
            yield from boards.compute(board)
            yield None
            yield from boards.bench(board)
            self._metrics[board] = boards.metrics(board)
            self._count(board)
            self._page.tell(metrics={**self._metrics, "number": self._number})

    def _count(self, board: str) -> None:
        """Tell the flashes of a board that has just become known, and how far all is."""
        self._flash[board] = self.boards.flashes(board, self._number)
        self._busy = "" if self._complete() else "the whole clip"
        self._page.tell(flash=dict(self._flash), state=self._state())

    def _complete(self) -> bool:
        return self.boards.exact(self.boards.showing) is not None

    def _job_failed(self, problem: EnvlabError) -> None:
        self._error, self._busy = str(problem), ""
        self._page.tell(state=self._state())

    def _light(self, light: BoardLight) -> bytes:
        self._sent = (self._number, self.boards.showing, light.exact)
        return self.boards.light_message(light, self._number)

    def _sound(self) -> bytes:
        recording = self.boards.clip.recording
        header = {"clip": self.boards.place, "label": self.boards.clip.label}
        return sound_payload(header, recording.pressure_pa, recording.sample_rate_hz)

    def _set_controls(self, of_board: Sequence[Control]) -> None:
        level = level_control(clip.level_db_spl for clip in self.clips)
        self._controls = (*of_board, level)

    def _control(self, key: object) -> Control:
        for control in self._controls:
            if control.key == key:
                return control
        raise ParameterError("key", key, "a control of this board")

    def _setup(self) -> dict[str, Any]:
        return setup_told(self.clips, self._controls, self.boards.board_a)

    def _state(self) -> dict[str, Any]:
        return {
            "answered": self._number,
            "clip": self.boards.place,
            "showing": self.boards.showing,
            "board_a": self._indices(self.boards.board_a),
            "board_b": None if self.boards.board_b is None else self._indices(self.boards.board_b),
            "passage_s": None if self.boards.passage_s is None else list(self.boards.passage_s),
            "can_undo": self._history.undone(self._settings()) is not None,
            "can_redo": self._history.redone(self._settings()) is not None,
            "status": self._status,
            "saved": self._saved,
            "error": self._error,
            "busy": self._busy,
            "digital": self.boards.firmware_words,
        }

    def _indices(self, chain: Chain) -> dict[str, int]:
        *of_board, level = self._controls
        indices = {control.key: control.index_in(chain) for control in of_board}
        indices[LEVEL_KEY] = place_of(self.boards.level_db_spl, level.values, LEVEL_KEY)
        return indices


def _warnings_of(chain: Chain) -> Callable[[], str]:
    return lambda: " ".join(chain.design_rule_warnings)


def _playhead(content: Mapping[str, Any]) -> float:
    playhead_s = content.get("playhead_s", 0.0)
    check_range("playhead_s", playhead_s, 0.0, unit="s")
    return float(playhead_s)


def _gesture(control: Control, content: Mapping[str, Any]) -> str:
    """What moves of one stroke of the hand have in common; "" where the page does not say."""
    return f"{control.key} {content['gesture']}" if "gesture" in content else ""

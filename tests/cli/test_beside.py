"""What a design run has done in a second process is the same, to the last byte, as without one."""

from __future__ import annotations

import os
import subprocess
import sys
from concurrent.futures import Future
from types import SimpleNamespace

import pytest
from reference.small_specification import write_small_design

from envlab.chain import Chain
from envlab.files.second_process import Answer
from envlab.report.beside import Beside
from envlab.study.specification.specification import Specification

RUN = "import os; os.cpu_count = lambda: {processors}; from envlab.__main__ import run; run()"


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    """The files of a run with a second process, and of one without."""
    folder = tmp_path_factory.mktemp("beside")
    design = write_small_design(folder).name
    paths = os.pathsep.join(filter(None, sys.path))
    for processors in (1, 2):
        script, out = RUN.format(processors=processors), f"on-{processors}"
        run = subprocess.run(
            [sys.executable, "-c", script, "design", design, "--out", out, "--no-pdf", "--accept-misses"],
            cwd=folder, env=os.environ | {"PYTHONPATH": paths}, capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert run.returncode == 0, run.stderr
        (folder / out / "said.txt").write_text(run.stdout.replace(out, "out"))
    return folder / "on-1", folder / "on-2"


def test_every_file_and_every_word_is_the_same(results):
    alone, beside = results
    names = sorted(path.name for path in alone.iterdir())
    assert {"report.html", "candidates.csv", "brightness_table.h", "said.txt"} <= set(names)
    assert sorted(path.name for path in beside.iterdir()) == names
    for name in names:
        assert (alone / name).read_bytes() == (beside / name).read_bytes(), name


def test_no_picture_is_lost_on_the_way(results):
    page = (results[1] / "report.html").read_text()
    of_parts, on_clips = (
        "schematic steps pixels effects tolerance",
        "voltages table strips current flashes power",
    )
    for name in (*of_parts.split(), *on_clips.split()):
        assert f'id="{name}-0"' in page, name


class Begun:
    """Stands for a second process: notes what is begun, and finishes it when told."""

    def __init__(self, at_hand):
        self.at_hand, self.tasks = at_hand, []

    def begin(self, task, *arguments):
        future = Future()
        self.tasks.append((task.__name__, arguments, future))
        return future

    def await_(self, begun, report):
        del report
        return begun.result(timeout=0).taken()


def nobody(what, share):
    del what, share


def test_the_firmware_of_whoever_is_chosen_is_played():
    one, other = Chain(), Chain(frame_rate_hz=50.0)
    second = Begun(at_hand=True)
    beside = Beside(second, Specification(one))
    beside.foresee(one)
    beside.firmware(one)
    assert [name for name, _, _ in second.tasks] == ["_get_ready", "_play_firmware"]
    beside.firmware(other)
    name, (_, chain), future = second.tasks[-1]
    assert (name, chain) == ("_play_firmware", other)
    drawn = beside.pictures_on_clips("choice")
    assert len(second.tasks) == 3
    future.set_result(Answer("played"))
    name, (_, choice, played), of_pictures = second.tasks[-1]
    assert (name, choice, played) == ("_draw_on_clips", "choice", "played")
    of_pictures.set_result(Answer(("pictures", "power")))
    assert beside.played(nobody) == "played"
    assert beside.drawn(drawn, nobody) == ("pictures", "power")


def test_without_a_second_process_nothing_is_played_in_vain():
    second = Begun(at_hand=False)
    beside = Beside(second, Specification(Chain()))
    beside.foresee(Chain())
    beside.choose(SimpleNamespace(chain=Chain()))
    assert second.tasks == []


def test_many_boards_of_a_choice_are_heard_once_and_behind_its_firmware():
    second, choice = Begun(at_hand=True), SimpleNamespace(chain=Chain())
    beside = Beside(second, Specification(Chain()))
    beside.choose(choice)
    begun = beside.tolerance_of(choice)
    assert [name for name, _, _ in second.tasks] == ["_get_ready", "_play_firmware", "_hear_boards"]
    assert second.tasks[-1][1][1] is choice
    second.tasks[-1][2].set_result(Answer("boards"))
    assert beside.boards(begun, nobody) == "boards"


def test_what_fails_there_is_not_waited_for():
    second = Begun(at_hand=True)
    beside = Beside(second, Specification(Chain()))
    beside.firmware(Chain())
    drawn = beside.pictures_on_clips("choice")
    second.tasks[-1][2].set_exception(ValueError("no firmware"))
    with pytest.raises(ValueError, match="no firmware"):
        beside.played(nobody)
    assert [name for name, _, _ in second.tasks][-1] == "_play_firmware"
    assert not drawn.done()

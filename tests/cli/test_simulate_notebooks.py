"""JupyterLab comes up on this machine only, on one's own copies, with the right notebook open."""

from __future__ import annotations

import subprocess
import sys

import pytest
from click.testing import CliRunner

from envlab.cli import main
from envlab.cli.simulate_notebooks import OPENED, copy_notebooks, first_opened
from envlab.errors import FileError
from envlab.shipped import shipped_folder


@pytest.fixture
def asked(monkeypatch) -> list[list[str]]:
    """The commands that would have been run instead of JupyterLab."""
    commands: list[list[str]] = []

    def remember(command: list[str], **_: object) -> subprocess.CompletedProcess[str]:
        commands.append(command)
        return subprocess.CompletedProcess(command, 0)

    monkeypatch.setattr(subprocess, "run", remember)
    return commands


def test_notebooks_opens_on_this_machine_only(asked, tmp_path):
    result = CliRunner().invoke(main, ["notebooks", "--folder", str(tmp_path / "mine")])
    assert result.exit_code == 0, result.output
    (command,) = asked
    assert command[:3] == [sys.executable, "-m", "jupyterlab"]
    assert "--ServerApp.ip=127.0.0.1" in command
    # Names of JupyterLab's own documentation: no news, no search for a newer one, no list of extensions.
    assert "--LabApp.news_url=None" in command
    assert "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate" in command
    assert "--LabApp.extension_manager=readonly" in command
    assert not any("token" in word or "password" in word for word in command)  # its own, fresh one
    assert command[-1] == str(tmp_path / "mine")
    (name,) = first_opened(tmp_path / "mine")
    assert f"--LabApp.default_url=/lab/tree/{name}" in command
    shipped = {path.name for path in shipped_folder("notebooks").glob("*.ipynb")}
    assert {path.name for path in (tmp_path / "mine").iterdir()} == shipped


def test_jupyterlab_gets_the_words_behind_the_dashes(asked, tmp_path):
    CliRunner().invoke(main, ["notebooks", "--folder", str(tmp_path), "--", "--no-browser", "--port", "9000"])
    assert asked[0][-4:] == ["--no-browser", "--port", "9000", str(tmp_path)]


def test_ones_own_copies_stay(tmp_path):
    (tmp_path / "01_choose_parts.ipynb").write_text("mine")
    copy_notebooks(tmp_path)
    assert (tmp_path / "01_choose_parts.ipynb").read_text() == "mine"
    assert (tmp_path / "03_export_table.ipynb").stat().st_size > 1000


def test_a_folder_that_is_a_file_is_refused(tmp_path):
    (tmp_path / "mine").write_text("a file")
    with pytest.raises(FileError, match="mine: notebooks cannot be copied there"):
        copy_notebooks(tmp_path / "mine")


def test_the_audition_comes_first_then_the_tour(tmp_path):
    assert first_opened(tmp_path) == ()
    for name in reversed(OPENED):
        (tmp_path / name).write_text("{}")
        assert first_opened(tmp_path) == (name,)
    assert OPENED[:2] == ("02_audition.ipynb", "00_tour.ipynb")

"""What lies in the checkout: nothing that belongs to one machine, no file that has grown too long."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

SCHEMA = Path("envlab/design_schema.json")
LONGEST = 400
# Folders in which one machine, not the project, keeps its things.
MACHINE_PATH = re.compile(r"(?<![\w.~-])/(?:work|tmp|home|root|opt|Users|mnt|farm)/\w")
# Package registries and their mirrors; which one to use is the user's own setting.
REGISTRY = re.compile(
    r"\b(?:pypi|pythonhosted|debian|npmjs|yarnpkg|jsdelivr|unpkg)\.(?:org|com|net)\b|--index[-]url|//[\w.-]*mirror"
)


def files_of(checkout: Path) -> list[Path]:
    """Return the files of the project: what git tracks, or all but caches where there is no git."""
    if shutil.which("git") and (checkout / ".git").exists():
        told = subprocess.run(
            ["git", "-c", f"safe.directory={checkout}", "ls-files", "-z"],
            cwd=checkout,
            capture_output=True,
            text=True,
            check=True,
        )
        return [path for name in told.stdout.split("\0") if name and (path := checkout / name).is_file()]
    made = {".venv", ".mypy_cache", ".ruff_cache", ".pytest_cache", ".hypothesis", "__pycache__", "dist"}
    return [path for path in checkout.rglob("*") if path.is_file() and not made & set(path.parts)]


def text_of(path: Path) -> str:
    """Return a file's text; sound and pictures have none."""
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        return ""


@pytest.fixture(scope="module")
def texts(checkout):
    return {path.relative_to(checkout): text_of(path) for path in files_of(checkout)}


def lines_with(pattern: re.Pattern[str], texts: dict[Path, str]) -> list[str]:
    return [
        f"{path}:{number}: {line.strip()}"
        for path, text in texts.items()
        for number, line in enumerate(text.splitlines(), start=1)
        if pattern.search(line)
    ]


def test_nothing_lies_at_the_top_that_does_not_belong_there(texts):
    """What a run leaves behind in the checkout is easily added with what was meant."""
    top = {path.parts[0] for path in texts}
    fixed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "notebooks", "envlab", "tests", "audio_samples"}
    assert {name for name in top if not name.startswith(".")} == fixed


def test_no_path_of_a_machine(texts):
    assert lines_with(MACHINE_PATH, texts) == []


def test_no_registry(texts):
    assert lines_with(REGISTRY, texts) == []


@pytest.mark.parametrize(
    "line", ["cd /ho" + "me/user", "open('/tm" + "p/x')", "see /op" + "t/board", "=/wor" + "k/a"]
)
def test_a_machine_path_is_noticed(line):
    assert MACHINE_PATH.search(line)


@pytest.mark.parametrize("line", ["https://py" + "pi.org/simple", "pip install --index" + "-url x"])
def test_a_registry_is_noticed(line):
    assert REGISTRY.search(line)


def test_no_source_is_longer_than_one_can_keep_in_mind(texts):
    """The schema of the design file is no source: it is written by the package.

    And a test holds it to that.
    """
    sources = {path: text for path, text in texts.items() if path.parts[0] == "envlab" and path != SCHEMA}
    assert len(sources) < len(texts)
    long = {str(path): len(text.splitlines()) for path, text in sources.items()}
    assert {path: lines for path, lines in long.items() if lines > LONGEST} == {}


def test_notebooks_are_stripped(texts):
    import nbformat

    notebooks = {path: text for path, text in texts.items() if path.suffix == ".ipynb"}
    assert notebooks
    for path, text in notebooks.items():
        for cell in nbformat.reads(text, as_version=4).cells:
            if cell.cell_type == "code":
                assert cell.outputs == [], path
                assert cell.execution_count is None, path

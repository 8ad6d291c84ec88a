"""The package as it is handed out: what is inside, and that it does the job far from the checkout."""

from __future__ import annotations

import tarfile
import zipfile
from pathlib import Path

import pytest
import tomlkit

CLIPS = (
    "brass_drone", "drum_line", "mixed_minute", "quiet_room", "voices_bells", "walking",
)  # fmt: skip
LARGEST_MB = 6


@pytest.fixture(scope="module")
def built(run, python, tmp_path_factory) -> Path:
    """A folder with wheel and sdist; the wheel is made from the sdist, so that both are whole."""
    folder = tmp_path_factory.mktemp("dist")
    run(python, "-m", "build", "--no-isolation", "--outdir", folder)
    return folder


@pytest.fixture(scope="module")
def wheel(built) -> Path:
    (path,) = built.glob("*.whl")
    return path


@pytest.fixture(scope="module")
def inside(wheel) -> set[str]:
    with zipfile.ZipFile(wheel) as archive:
        return set(archive.namelist())


@pytest.fixture(scope="module")
def installed(run, python, wheel, tmp_path_factory) -> Path:
    """A folder with nothing but the installed wheel; its dependencies are those of the running Python."""
    folder = tmp_path_factory.mktemp("installed")
    run(python, "-m", "pip", "install", "--no-deps", "--target", folder, wheel)
    return folder


def names_below(checkout: Path, folder: str, *endings: str) -> set[str]:
    """Return the files of a folder of the checkout with one of these endings, relative to the checkout."""
    found = {
        path.relative_to(checkout).as_posix() for e in endings for path in (checkout / folder).rglob(f"*{e}")
    }
    return {name for name in found if "/." not in name}


def test_wheel_has_all_of_the_package(checkout, inside):
    kinds = (".py", ".toml", ".c", ".h", ".j2", ".html", ".css", ".svg", ".js", "LICENSE", "py.typed")
    wanted = names_below(checkout, "envlab", *kinds)
    assert {"envlab/py.typed", "envlab/firmware/runtime/envlab_rom.h"} <= wanted
    assert {"envlab/demos/lantern_parade.toml", "envlab/demos/garden_moon.toml"} <= wanted
    assert wanted <= inside


def test_wheel_has_clips_and_notebooks(checkout, inside):
    assert {f"envlab/_shipped/audio_samples/{name}.flac" for name in CLIPS} <= inside
    assert "envlab/_shipped/audio_samples/SOURCES.md" in inside
    notebooks = names_below(checkout, "notebooks", ".ipynb")
    assert notebooks
    assert {f"envlab/_shipped/{name}" for name in notebooks} <= inside


def test_wheel_has_nothing_else(inside, wheel):
    strange = [
        name
        for name in inside
        if name.split("/")[0] not in ("envlab", f"envlab-{wheel.name.split('-')[1]}.dist-info")
        or "__pycache__" in name
        or "/." in name
    ]
    assert strange == []
    assert wheel.stat().st_size < LARGEST_MB * 2**20


def test_sdist_has_the_tests_and_the_papers(built):
    (path,) = built.glob("*.tar.gz")
    with tarfile.open(path) as archive:
        inside = {name.partition("/")[2] for name in archive.getnames()}
    assert {"README.md", "DEVELOPERS.md", "pyproject.toml", "tests/conftest.py"} <= inside
    assert {"audio_samples/make_samples.py", "audio_samples/drum_line.flac"} <= inside
    assert [name for name in inside if "__pycache__" in name or "_cache/" in name] == []
    assert path.stat().st_size < LARGEST_MB * 2**20


def test_license_goes_along(inside):
    assert [name for name in inside if ".dist-info/" in name and name.endswith("LICENSE")]


def test_wheel_finds_what_came_with_it(run, python, installed, tmp_path):
    code = (
        "from envlab.shipped import demo_design, shipped_folder\n"
        "print(shipped_folder('audio_samples'), shipped_folder('notebooks'), demo_design(), sep='\\n')"
    )
    told = run(python, "-c", code, cwd=tmp_path, env={"PYTHONPATH": str(installed)}).splitlines()
    assert [Path(line).relative_to(installed).as_posix() for line in told] == [
        "envlab/_shipped/audio_samples",
        "envlab/_shipped/notebooks",
        "envlab/demos/lantern_parade.toml",
    ]


def test_editable_install_finds_the_checkout(run, python, checkout, tmp_path):
    """An editable install copies the clips too, but the checkout's own are the ones that are used."""
    editable = "import hatchling.build as b, sys; print(b.build_editable(sys.argv[1]))"
    wheel = tmp_path / run(python, "-c", editable, tmp_path).split()[-1]
    folder = tmp_path / "site"
    run(python, "-m", "pip", "install", "--no-deps", "--target", folder, wheel)
    # Without site-packages: envlab.shipped needs none, and no other install of envlab can answer.
    code = (
        f"import site; site.addsitedir({str(folder)!r})\n"
        "from envlab.shipped import demo_design, shipped_folder\n"
        "print(shipped_folder('audio_samples'), shipped_folder('notebooks'), demo_design(), sep='\\n')"
    )
    told = run(python, "-S", "-c", code, cwd=tmp_path).splitlines()
    assert [Path(line).relative_to(checkout).as_posix() for line in told] == [
        "audio_samples",
        "notebooks",
        "envlab/demos/lantern_parade.toml",
    ]


def small_design(text: str) -> str:
    """The parade with one short clip and four candidates."""
    design = tomlkit.parse(text)
    design["clips"] = [{"file": "drum_line.flac", "levels_db_spl": [92], "tags": ["beat"]}]
    design["sweep"] = {"detector": {"attack_ohm": ["2k2", "10k"], "release_ohm": ["220k", "470k"]}}
    return tomlkit.dumps(design)


def test_wheel_does_the_job_far_from_the_checkout(run, installed, tmp_path):
    design = (installed / "envlab" / "demos" / "lantern_parade.toml").read_text(encoding="utf-8")
    (tmp_path / "small.toml").write_text(small_design(design), encoding="utf-8")
    command = installed / "bin" / "envlab"
    said = run(command, "design", "small.toml", cwd=tmp_path, env={"PYTHONPATH": str(installed)})
    assert "4 candidates" in said
    results = {path.name for path in (tmp_path / "small").iterdir()}
    assert {"design.toml", "parts.csv", "candidates.csv", "brightness_table.h", "report.html"} <= results
    assert "<svg " in (tmp_path / "small" / "report.html").read_text(encoding="utf-8")

"""What is imported is declared, what is declared is needed and told of, and the lowest versions are tried."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import pytest

# Declared, but started or loaded by others: what the notebooks run in.
NOT_IMPORTED = {"jupyterlab"}
TABLE = "### What it stands on"


@pytest.fixture(scope="module")
def project(checkout):
    return tomllib.loads((checkout / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def name_of(requirement: str) -> str:
    return re.split(r"[<>=!~\[; ]", requirement, maxsplit=1)[0].lower()


def lowest_of(requirement: str) -> str:
    found = re.search(r">=([0-9.]+)", requirement)
    assert found, f"{requirement}: no lowest version"
    return found[1]


def imported(folder: Path) -> dict[str, str]:
    """Return top-level module → one file that imports it, but for the standard library and envlab."""
    found: dict[str, str] = {}
    for path in sorted(folder.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names: list[str] = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
                names = [node.module]
            for name in names:
                found.setdefault(name.partition(".")[0], str(path))
    return {name: path for name, path in found.items() if name not in {*sys.stdlib_module_names, "envlab"}}


def distributions_of(module: str) -> set[str]:
    """Return which installed distributions bring a module."""
    return {name.lower() for name in metadata.packages_distributions().get(module, ())}


def test_every_import_of_the_package_is_declared_and_every_declared_one_imported(checkout, project):
    declared = {name_of(one) for one in project["dependencies"]}
    optional = {name_of(one) for one in project["optional-dependencies"]["serial"]}
    modules = imported(checkout / "envlab")
    brought = {module: distributions_of(module) for module in modules}
    undeclared = {m: modules[m] for m, by in brought.items() if not by & (declared | optional)}
    assert undeclared == {}
    assert declared - set().union(*brought.values()) == NOT_IMPORTED
    # Those that once were missing.
    assert {"llvmlite", "traitlets", "IPython", "markupsafe"} <= set(modules)


def test_only_what_reads_a_serial_line_imports_an_extra(checkout, project):
    optional = {name_of(one) for one in project["optional-dependencies"]["serial"]}
    modules = imported(checkout / "envlab")
    assert [module for module in modules if distributions_of(module) & optional] == ["serial"]
    loaders = [
        path.relative_to(checkout).as_posix()
        for path in (checkout / "envlab").rglob("*.py")
        if re.search(r"^\s*(import|from) serial\b", path.read_text(encoding="utf-8"), re.MULTILINE)
    ]
    # Never at the top of a file: who has no board on a wire need not have it.
    assert all(
        not re.search(r"^(import|from) serial\b", (checkout / one).read_text(), re.MULTILINE)
        for one in loaders
    )
    assert len(loaders) == 1


def test_the_table_names_every_dependency_with_its_reason_licence_and_lowest_version(checkout, project):
    text = (checkout / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.split(TABLE, 1)[1].split("\n#", 1)[0]
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in section.splitlines()]
    rows = {row[0].strip("`"): row[1:] for row in cells if len(row) == 4 and row[0].startswith("`")}
    wanted = [*project["dependencies"], *project["optional-dependencies"]["serial"]]
    assert set(rows) == {name_of(one) for one in wanted}
    for one in wanted:
        reason, licence, lowest = rows[name_of(one)]
        assert lowest == lowest_of(one), one
        assert len(reason) > 10, one
        assert licence, one


def test_the_licences_of_the_table_are_those_that_the_distributions_state(checkout):
    text = (checkout / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.split(TABLE, 1)[1].split("\n#", 1)[0]
    rows = re.findall(r"^\| `([\w-]+)` \|[^|]+\| ([^|]+) \|", section, re.MULTILINE)
    assert rows
    for name, licence in rows:
        said = metadata.metadata(name)
        stated = " ".join(
            [said.get("License-Expression") or "", said.get("License") or "", *said.get_all("Classifier", [])]
        )
        for word in re.findall(r"[A-Z][A-Za-z]{2,}", licence):
            assert word.lower() in stated.lower(), f"{name}: {licence}, it says {stated[:300]}"


def test_the_lowest_versions_that_are_tried_are_those_that_are_declared(checkout, project, run, python):
    told = run(python, checkout / ".ci" / "lowest.py")
    assert told.split() == [f"{name_of(one)}=={lowest_of(one)}" for one in project["dependencies"]]
    assert ".ci/lowest.py" in (checkout / ".ci" / "run").read_text(encoding="utf-8")

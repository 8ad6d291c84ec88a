"""One mutant in a process of its own: the changed file in memory, a few tests, the first that fails.

The file on disk stays as it is. Compiled loops that know the changed file are compiled anew, all others are
taken from a warm cache; so a trial takes some seconds. Only tests inside the process count.
"""

from __future__ import annotations

import ast
import importlib.abc
import importlib.machinery
import importlib.util
import json
import os
import resource
import select
import signal
import sys
import tempfile
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from _pytest.config import default_plugins

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "envlab"
ADDRESSES_BYTES = 12 << 30  # what asks for more is killed by a MemoryError
WALL_PER_CPU = 12  # other work on the machine does not kill a mutant
PLUGINS = ("-p", "no:cacheprovider", "-p", "_hypothesis_pytestplugin")
PRELOADED = ("-W", "ignore:Module already imported")  # pytest would have liked to be there before hypothesis


@dataclass(frozen=True)
class Change:
    """Lines of a file of the package, the first of them at number (from 1), and what they become."""

    module: str
    number: int
    before: str
    after: str

    def text(self) -> str:
        """Return the changed file; ValueError where the file has other lines there."""
        lines = (PACKAGE / self.module).read_text(encoding="utf-8").split("\n")
        old = self.before.split("\n")
        first = self.number - 1
        if lines[first : first + len(old)] != old:
            raise ValueError(f"{self.module}:{self.number} is not {self.before!r}")
        return "\n".join([*lines[:first], *self.after.split("\n"), *lines[first + len(old) :]])

    def where_it_is_now(self) -> Change | None:
        """Return the same change where the lines have moved to; None where they are not there just once."""
        text = (
            (PACKAGE / self.module).read_text(encoding="utf-8") if (PACKAGE / self.module).is_file() else ""
        )
        lines, old = text.split("\n"), self.before.split("\n")
        found = [at for at in range(len(lines)) if lines[at : at + len(old)] == old]
        return replace(self, number=found[0] + 1) if len(found) == 1 else None

    @property
    def name(self) -> str:
        """What Python calls the module."""
        return "envlab." + self.module.removesuffix(".py").replace("/", ".")


class Changed(importlib.abc.MetaPathFinder, importlib.machinery.SourceFileLoader):
    """Loads the changed text in the place of the file, and keeps no bytecode of it."""

    def __init__(self, change: Change) -> None:
        super().__init__(change.name, str(PACKAGE / change.module))
        self.text = change.text()

    def find_spec(self, fullname: str, path: Any = None, target: Any = None) -> Any:
        """Return the spec of the one module that is changed."""
        del path, target
        if fullname != self.name:
            return None
        return importlib.util.spec_from_file_location(fullname, self.path, loader=self)

    def path_stats(self, path: str) -> Any:
        """Say that there is none, so that no bytecode is looked for or written."""
        raise OSError(path)

    def get_data(self, path: str) -> bytes:
        """Return the changed text."""
        del path
        return self.text.encode()


class FirstFailure:
    """Plugin: notes which test failed first; hypothesis only looks, and shrinks nothing."""

    def __init__(self) -> None:
        self.failed, self.ran = "", 0

    def pytest_sessionstart(self) -> None:
        """Change the profile that the tests' conftest has set, before they are imported."""
        from hypothesis import Phase, settings

        only = (Phase.explicit, Phase.generate)
        settings.register_profile("mutants", settings.get_profile("default"), phases=only)
        settings.load_profile("mutants")

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Note."""
        self.ran += report.when == "call"
        if report.failed and not self.failed:
            self.failed = report.nodeid

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        """Note, where a test cannot even be imported."""
        if report.failed and not self.failed:
            self.failed = report.nodeid


@cache
def _imports(module: str) -> frozenset[str]:
    """Modules of the package that a file imports while it is imported, itself included, and theirs."""
    found, left = {module}, [module]
    while left:
        tree = ast.parse((PACKAGE / left.pop()).read_text(encoding="utf-8"))
        for node in tree.body:
            if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("envlab."):
                base = node.module.removeprefix("envlab.").replace(".", "/")
                named = [f"{base}.py", *(f"{base}/{alias.name}.py" for alias in node.names)]
                for one in named:
                    if one not in found and (PACKAGE / one).is_file():
                        found.add(one)
                        left.append(one)
    return frozenset(found)


@cache
def _compiled() -> tuple[str, ...]:
    """Files with compiled loops."""
    files = sorted(PACKAGE.rglob("*.py"))
    return tuple(
        path.relative_to(PACKAGE).as_posix()
        for path in files
        if "compiled" in path.read_text(encoding="utf-8") and "@" in path.read_text(encoding="utf-8")
    )


def loops_that_know(module: str) -> set[str]:
    """Names of the files whose compiled loops may have the module's lines or constants inside."""
    return {Path(one).stem for one in _compiled() if module in _imports(one)}


def linked_cache(warm: Path, module: str, folder: Path) -> Path:
    """Return a folder with all compiled loops but those that know the module; warm itself if none does."""
    stale = loops_that_know(module)
    if not stale:
        return warm
    for kept in warm.rglob("*.nb*"):
        if kept.name.split(".")[0] not in stale:
            place = folder / kept.relative_to(warm)
            place.parent.mkdir(parents=True, exist_ok=True)
            os.link(kept, place)
    return folder


def preload() -> None:
    """Import what all trials need and no mutant changes; a trial is a fork of this process."""
    import hypothesis.extra.numpy
    import matplotlib.pyplot as plt
    import numba
    import pandas as pd
    import scipy.linalg
    import scipy.optimize
    import scipy.signal
    import scipy.special
    import soundfile  # noqa: F401

    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    for name in default_plugins:
        importlib.import_module(f"_pytest.{name}")
    assert all((pd, plt, hypothesis.extra.numpy, scipy.special))
    numba.njit(lambda x: x + 1)(1)
    assert not any(name.split(".")[0] == "envlab" for name in sys.modules)


def trial(change: Change | None, tests: list[str], warm: Path | None, cpu_s: float) -> tuple[str, str, float]:
    """Return ("killed", the test) or ("survived", "") or ("nothing ran", "") and processor seconds.

    change: None runs the tests on the package as it is. warm: a folder of compiled loops; None: those that
    the package has anyway, for changes that no loop knows.
    """
    if warm is None and change is not None and loops_that_know(change.module):
        raise ValueError(f"{change.module}: is inside of compiled loops")
    with tempfile.TemporaryDirectory(dir=warm and warm.parent) as scratch:
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(reading)
            try:
                os.setsid()
                said = _run(change, tests, warm, Path(scratch), cpu_s)
            except BaseException as problem:  # whatever it is, it is told
                said = ("killed", f"{type(problem).__name__} outside of a test: {problem}"[:200])
            os.write(writing, json.dumps(said).encode())
            os._exit(0)
        os.close(writing)
        said = _wait(child, reading, cpu_s * WALL_PER_CPU)
        _, status, used = os.wait4(child, 0)
    word, test = said or ("killed", f"ended by signal {os.WTERMSIG(status)} (time, memory or a crash)")
    return word, test, used.ru_utime + used.ru_stime


def _wait(child: int, reading: int, wall_s: float) -> tuple[str, str] | None:
    with open(reading, "rb") as pipe:
        ready, _, _ = select.select([pipe], [], [], wall_s)
        data = pipe.read() if ready else b""
    if not ready:
        os.killpg(child, signal.SIGKILL)
    return tuple(json.loads(data)) if data else None  # type: ignore[return-value]


def _run(
    change: Change | None, tests: list[str], warm: Path | None, scratch: Path, cpu_s: float
) -> tuple[str, str]:
    import numba

    resource.setrlimit(resource.RLIMIT_CPU, (int(cpu_s), int(cpu_s) + 5))
    resource.setrlimit(resource.RLIMIT_AS, (ADDRESSES_BYTES, ADDRESSES_BYTES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    nowhere = os.open(os.devnull, os.O_RDWR)
    for number in (0, 1, 2):
        os.dup2(nowhere, number)
    if change is not None:
        sys.meta_path.insert(0, Changed(change))
    if warm is not None:
        loops = warm if change is None else linked_cache(warm, change.module, scratch / "loops")
        numba.core.config.CACHE_DIR = str(loops)
    noted = FirstFailure()
    options = ["-x", "-q", *PLUGINS, *PRELOADED, "--basetemp", str(scratch / "tmp")]
    code = pytest.main([*options, *tests], plugins=[noted])
    if noted.failed or code not in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED):
        return "killed", noted.failed or f"pytest ended with {int(code)}"
    return ("survived", "") if noted.ran else ("nothing ran", "")

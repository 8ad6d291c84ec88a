"""Mutants of the numerical core, a seeded sample of them: how many do the tests notice?

    python tests/mutation/long_run.py map SCRATCH          which tests run which line, an hour or less
    python tests/mutation/long_run.py run SCRATCH --seed 16 --each 55
    python tests/mutation/long_run.py again SCRATCH TEST ...   tries what survived on other tests
    python tests/mutation/long_run.py sure SCRATCH         the tests that killed pass on the package as it is
    python tests/mutation/long_run.py keep SCRATCH         writes tests/mutation/tried.csv
    python tests/mutation/long_run.py replay SCRATCH --each 8  some of tried.csv that were killed, once more

Needs the extra "mutation". `run` appends to SCRATCH/tried.csv and goes on where it was stopped. A mutant is
tried in rounds: a few tests of the changed line, those named after the file first, then more.
"""

from __future__ import annotations

import argparse
import csv
import random
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from mutation.trial import PACKAGE, ROOT, Change, loops_that_know, preload, trial
from mutation.what import COMPILED, MAPPED

# Seconds of tests in the three rounds of a mutant, and how many test files the first may take.
ROUNDS_S, FIRST_FILES = (0.5, 5.0, 20.0), 2
KEPT = Path(__file__).parent / "tried.csv"
COLUMNS = ("group", "module", "operator", "number", "before", "after", "verdict", "test", "cpu_s")
PLAIN = ["-m", "not slow and not slow_firmware"]


@dataclass
class Map:
    """Which tests run a line, and how long each takes, s."""

    took_s: dict[str, float]
    lines: dict[str, dict[int, set[str]]]

    def tests(self, module: str, first: int, last: int) -> list[str]:
        """Return the tests of some lines, those of the file's own tests first, the quickest of each first;
        of compiled loops those that are named too."""
        found: set[str] = set()
        for number in range(first, last + 1):
            found |= self.lines[module].get(number, set())
        named = COMPILED.get(module, ())
        compiled = [test for test in self.took_s if any(test.startswith(f"tests/{one}") for one in named)]
        found |= set(compiled)
        if not found:  # run while the module is imported: every test that uses it
            found = {test for tests in self.lines[module].values() for test in tests}
        own = f"test_{Path(module).stem}"
        return sorted(found, key=lambda test: (own not in test, self.took_s.get(test, 1.0), test))


def write_map(scratch: Path) -> None:
    """Run the tests once, each a context of coverage's."""
    (scratch / "coveragerc").write_text(
        f"[run]\nsource = envlab\ndynamic_context = test_function\ndata_file = {scratch / 'coverage'}\n"
    )
    run = ["-m", "coverage", "run", f"--rcfile={scratch / 'coveragerc'}", "-m", "pytest", "-q", *PLAIN]
    report = f"--junitxml={scratch / 'tests.xml'}"
    subprocess.run(
        [sys.executable, *run, "-p", "no:cacheprovider", report, *(f"tests/{one}" for one in MAPPED)],
        cwd=ROOT,
        check=False,
    )


def read_map(scratch: Path) -> Map:
    """Return what write_map has found."""
    from coverage import CoverageData

    took: dict[str, float] = defaultdict(float)
    failed: set[str] = set()
    for case in ET.parse(scratch / "tests.xml").getroot().iter("testcase"):
        node = _node(f"{case.attrib['classname']}.{case.attrib['name'].partition('[')[0]}")
        took[node] += float(case.attrib["time"])
        if case.find("failure") is not None or case.find("error") is not None:
            failed.add(node)
    for node in failed:  # it would kill anything
        del took[node]
    data = CoverageData(str(scratch / "coverage"))
    data.read()
    lines: dict[str, dict[int, set[str]]] = defaultdict(dict)
    for path in data.measured_files():
        module = Path(path).relative_to(PACKAGE).as_posix()
        for number, contexts in data.contexts_by_lineno(path).items():
            lines[module][number] = {node for one in contexts if one and (node := _node(one)) in took}
    return Map(dict(took), lines)


def _node(dotted: str) -> str:
    """From tests.analog.test_adc.test_x to tests/analog/test_adc.py::test_x."""
    words = dotted.split(".")
    files = [at for at, word in enumerate(words) if word.startswith("test_")]
    return "/".join(words[: files[0] + 1]) + ".py::" + "::".join(words[files[0] + 1 :])


def within(tests: list[str], took_s: dict[str, float], most_s: float) -> list[str]:
    """Return the first tests, as many as take that long, one at least; few files where time is short."""
    chosen: list[str] = []
    files: set[str] = set()
    sum_s = 0.0
    for test in tests:
        sum_s += took_s.get(test, 1.0)
        files.add(test.partition("::")[0])
        if chosen and (sum_s > most_s or (most_s == ROUNDS_S[0] and len(files) > FIRST_FILES)):
            break
        chosen.append(test)
    return chosen


def run(scratch: Path, seed: int, each: int) -> None:
    """Try every mutant of the sample that has no line in tried.csv yet."""
    from mutation.sample import sample

    known, path = read_map(scratch), scratch / "tried.csv"
    warm = scratch / "loops"
    warm.mkdir(exist_ok=True)
    done = {row["module"] + row["before"] + row["after"] for row in rows(path)}
    preload()
    mutants = sample(seed, each)
    # In any order, so that a run that is stopped has tried some of each group.
    random.Random(seed).shuffle(mutants)
    for mutant in mutants:
        if mutant.module + mutant.before + mutant.after in done:
            continue
        change = Change(mutant.module, mutant.number, mutant.before, mutant.after)
        last = mutant.number + mutant.before.count("\n")
        tests = known.tests(mutant.module, mutant.number, last)
        verdict, test, cpu_s = "nothing ran", "", 0.0
        tried: list[str] = []
        for most_s in ROUNDS_S:
            chosen = [one for one in within(tests, known.took_s, most_s) if one not in tried]
            if not chosen:
                continue
            start_s = 90.0 if loops_that_know(mutant.module) else 15.0
            verdict, test, used_s = trial(change, [*PLAIN, *chosen], warm, start_s + 3 * most_s)
            cpu_s += used_s
            tried += chosen
            if verdict == "killed":
                break
        row = (mutant.group, mutant.module, mutant.operator, mutant.number, mutant.before, mutant.after)
        with path.open("a", newline="", encoding="utf-8") as file:
            csv.writer(file).writerow((*row, verdict, test, f"{cpu_s:.1f}"))
        print(f"{mutant.module}:{mutant.number} {mutant.operator}: {verdict} {test} {cpu_s:.1f}", flush=True)


def again(scratch: Path, tests: list[str], part: str) -> None:
    """Try every survivor of tried.csv whose file has part in its name on these tests; write the file anew."""
    path = scratch / "tried.csv"
    found = rows(path)
    preload()
    for row in found:
        if row["verdict"] == "killed" or part not in row["module"]:
            continue
        change = Change(row["module"], int(row["number"]), row["before"], row["after"])
        verdict, test, used_s = trial(change, [*PLAIN, *tests], scratch / "loops", 300.0)
        if verdict == "killed":
            row |= {"verdict": verdict, "test": test}
        row["cpu_s"] = f"{float(row['cpu_s']) + used_s:.1f}"
        print(f"{row['module']}:{row['number']} {verdict} {test} {used_s:.1f}", flush=True)
        write_rows(path, found, COLUMNS)


def sure(scratch: Path) -> list[str]:
    """Return the tests that killed something and fail on the package as it is: there must be none."""
    killers = sorted(
        {row["test"].partition("[")[0] for row in rows(scratch / "tried.csv") if "::" in row["test"]}
    )
    preload()
    verdict, test, _ = trial(None, [*PLAIN, *killers], scratch / "loops", 3000.0)
    print(f"{len(killers)} tests: {'all pass' if verdict == 'survived' else test}")
    return [test] if verdict != "survived" else []


def replay(seed: int, each: int) -> int:
    """Try some of the kept mutants once more, each on the test that killed it; return how many survive now.

    Only what no compiled loop knows, so that nothing is compiled, and whose lines are still as they were.
    """
    killed = [row for row in rows(KEPT) if row["verdict"] == "killed" and "::" in row["test"]]
    random.Random(seed).shuffle(killed)
    preload()
    tried, survived = 0, 0
    for row in killed:
        change = Change(row["module"], int(row["number"]), row["before"], row["after"]).where_it_is_now()
        if change is None or loops_that_know(change.module) or tried == each:
            continue
        test = row["test"].partition("[")[0]
        before, _, _ = trial(None, [*PLAIN, test], None, 300.0)
        verdict, _, _ = trial(change, [*PLAIN, test], None, 300.0)
        tried += 1
        survived += (before, verdict) != ("survived", "killed")
        print(f"{row['module']}: {row['after'].strip()}: {before} without, {verdict} with", flush=True)
    return survived if tried == each else each


def write_rows(path: Path, found: list[dict[str, str]], columns: tuple[str, ...]) -> None:
    """Write tried mutants, so many columns of each."""
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file, lineterminator="\n").writerows([row[name] for name in columns] for row in found)


def rows(path: Path) -> list[dict[str, str]]:
    """Return the lines of a file of tried mutants, none if there is no file."""
    if not path.exists():
        return []
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file, COLUMNS))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("step", choices=("map", "run", "again", "sure", "keep", "replay"))
    parser.add_argument("scratch", type=Path)
    parser.add_argument("tests", nargs="*")
    parser.add_argument("--part", default="", help="again: only files with this in their name")
    parser.add_argument("--seed", type=int, default=16)
    parser.add_argument("--each", type=int, default=55, help="mutants of each group")
    asked = parser.parse_args()
    scratch = asked.scratch.resolve()
    if asked.step == "map":
        write_map(scratch)
    elif asked.step == "run":
        run(scratch, asked.seed, asked.each)
    elif asked.step == "again":
        again(scratch, asked.tests, asked.part)
    elif asked.step == "replay":
        sys.exit(replay(asked.seed, asked.each))
    elif asked.step == "sure":
        sys.exit(len(sure(scratch)))
    else:
        write_rows(KEPT, rows(scratch / "tried.csv"), COLUMNS[:-1])


if __name__ == "__main__":
    main()

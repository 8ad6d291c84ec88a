"""Every line and every branch of the runtime's C is run by the vectors that its twin is compared on."""

from __future__ import annotations

import gzip
import json
from collections import defaultdict

from firmware import frame_vectors, layout_vectors
from firmware import placed_vectors as placed
from firmware import twin_vectors as twin
from firmware.host_build import HERE, build, feed
from reference.c_compilers import find_program, run

COUNTED = (
    "envlab_runtime.c",
    "envlab_products.h",
    "envlab_frame.c",
    "envlab_dither.c",
    "envlab_layout.c",
)


def counts_of(folder):
    """Return the counts of lines and of branches, by file and place, of every program run in a folder."""
    lines, branches = defaultdict(int), defaultdict(int)
    for notes in sorted(folder.glob("*.gcno")):
        run(find_program("gcov"), "--branch-probabilities", "--json-format", notes.name, cwd=folder)
    for path in folder.glob("*.gcov.json.gz"):
        for file in json.loads(gzip.decompress(path.read_bytes()))["files"]:
            name = file["file"].rpartition("/")[2]
            if name not in COUNTED:
                continue
            for line in file["lines"]:
                lines[name, line["line_number"]] += line["count"]
                for way, branch in enumerate(line["branches"]):
                    branches[name, line["line_number"], way] += branch["count"]
    return lines, branches


def test_lines_and_branches_are_all_taken(tmp_path, c_compiler):
    total_lines, total_branches = defaultdict(int), defaultdict(int)
    jobs = [
        (
            f"case {n}",
            case.files,
            twin.DRIVER,
            (twin.STIMULUS_BYTES, twin.RECORD_BYTES),
            twin.stimulus_bytes(*twin.stimulus(case, 20_000)),
        )
        for n, case in enumerate(twin.CASES.values())
    ]
    for name, case in frame_vectors.CASES.items():
        frames = frame_vectors.stimuli(case, 200).tobytes()
        jobs.append((name.replace(",", ""), case.files, frame_vectors.DRIVER, case.sizes, frames))
    jobs.append(("step", twin.CASES["parade"].files, HERE / "step_driver.c", (2, 4), bytes(20)))
    for name in placed.CASES:
        case = twin.CASES[name]
        stimuli = placed.placed_stimuli(case, 2000).tobytes()
        jobs.append((f"placed {name}", case.files, placed.DRIVER, placed.SIZES, stimuli))
    for n, table in enumerate(layout_vectors.CASES.values()):
        duties = layout_vectors.duties(table, 500).astype("<u2").tobytes()
        sizes = (2, layout_vectors.record(table).itemsize)
        files = layout_vectors.layout_files(table)
        jobs.append((f"layout {n}", files, layout_vectors.DRIVER, sizes, duties))
    for name, files, driver, sizes, stimuli in jobs:
        folder = tmp_path / name.replace(" ", "")
        folder.mkdir()
        for file, text in files.items():
            (folder / file).write_text(text, "ascii")
        program = build(c_compiler, driver, folder, sizes, flags=("-O0", "--coverage"))
        feed(program, stimuli)
        for total, counts in zip((total_lines, total_branches), counts_of(folder), strict=True):
            for place, count in counts.items():
                total[place] += count
    assert {place for place, count in total_lines.items() if count == 0} == set()
    assert {place for place, count in total_branches.items() if count == 0} == set()
    assert {place[0] for place in total_lines} == set(COUNTED)
    assert len(total_branches) > 40

"""A design file and what lies beside it run no code and open no connection, whatever they say."""

from __future__ import annotations

import os
import subprocess
import sys

DESIGN = """
# {{{{ ''.__class__.__mro__ }}}} ${{PWD}} $(touch {mark}) `touch {mark}` %s {{0.__class__}}
[[clips]]
file = "drum_line.flac"
levels_db_spl = ["__import__('os').system('touch {mark}')", 92]
"""
HARMLESS = """
[[clips]]
file = "drum_line.flac"
levels_db_spl = [92]
tags = ["beat"]

[detector]
kind = "peak"
hold_farad = "470n"

[sweep.detector]
release_ohm = {{ series = "E3", low = "100k", high = "1M" }}
# $(touch {mark}) {{{{ 7 * 7 }}}}
"""
# Everything that Python itself tells of such things (the table of audit events of its own documentation).
PROGRAM = r"""
import re
import sys
from envlab import read_specification
from envlab.errors import EnvlabError
read_specification("warm.toml")  # what is imported late is imported now
seen, compiled = [], []
KINDS = ("subprocess.", "os.system", "os.exec", "os.posix_spawn", "os.fork", "socket.",
         "pickle.find_class", "ctypes.dlopen", "urllib.", "import")
def told(event, words):
    if event.startswith(KINDS):
        seen.append((event, str(words)[:200]))
    if event == "compile":
        compiled.append(words[0].decode() if isinstance(words[0], bytes) else str(words[0]))
sys.addaudithook(told)
for name in sys.argv[1:]:
    try:
        read_specification(name)
        print("read")
    except EnvlabError as problem:
        print("refused", problem)
print(len(seen), seen)
# Annotations of the package are looked up as text: types, which call nothing.
print([source for source in compiled if not re.fullmatch(r"[\w .|,\[\]'\"]+", source)], len(compiled) > 0)
"""
KEYS = ("release_ohm", "hold_farad", "kind")


def test_reading_a_design_file_runs_nothing(tmp_path):
    mark = tmp_path / "touched"
    harmless = HARMLESS.format(mark=mark)
    (tmp_path / "warm.toml").write_text(harmless)
    (tmp_path / "harmless.toml").write_text(harmless)
    (tmp_path / "hostile.toml").write_text(DESIGN.format(mark=mark))
    for key in KEYS:
        call = f"[detector]\n{key} = \"__import__('os').system('touch {mark}')\"\n"
        (tmp_path / f"{key}.toml").write_text(call)
    names = ["harmless.toml", "hostile.toml", *(f"{key}.toml" for key in KEYS)]
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, *names],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
    )
    *verdicts, events, compiled = done.stdout.splitlines()
    assert [line.split()[0] for line in verdicts] == ["read", *["refused"] * (len(names) - 1)], done.stdout
    assert events == "0 []"
    assert compiled == "[] True"
    assert not mark.exists()

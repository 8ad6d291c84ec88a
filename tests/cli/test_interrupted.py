"""Ctrl-C at the very start, while modules load."""

import subprocess
import sys

# The interruption comes while the name is imported: from there on the command itself takes care.
LATE = """
import sys
class Interrupts:
    def find_spec(self, name, path=None, target=None):
        if name == {name!r}:
            raise KeyboardInterrupt
sys.meta_path.insert(0, Interrupts())
sys.argv = ["envlab", "--help"]
from envlab.__main__ import run
run()
"""


def test_ctrl_c_while_modules_load_is_one_line():
    for name in ("envlab.cli", "click", "envlab.cli.table", "envlab.errors"):
        done = subprocess.run(
            [sys.executable, "-c", LATE.format(name=name)],
            env={"PYTHONPATH": ":".join(filter(None, sys.path))},
            capture_output=True,
            text=True,
            check=False,
        )
        assert (done.returncode, done.stderr) == (130, "Interrupted; nothing was written.\n"), name


def test_the_command_is_the_one_that_catches_it():
    done = subprocess.run(
        [sys.executable, "-m", "envlab", "--version"], capture_output=True, text=True, check=True
    )
    assert done.stdout.startswith("envlab, version ")

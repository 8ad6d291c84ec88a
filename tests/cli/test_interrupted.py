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


def test_python_looks_for_circles_less_often_in_the_command_alone():
    asked = (
        "import gc, sys; before = gc.get_threshold(); import envlab; assert gc.get_threshold() == before\n"
    )
    run = (
        "from envlab.__main__ import run; sys.argv = ['envlab', '--version']\n"
        "try: run()\nexcept SystemExit: print(gc.get_threshold()[0] > 10 * before[0], gc.isenabled())\n"
    )
    done = subprocess.run([sys.executable, "-c", asked + run], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "True True"

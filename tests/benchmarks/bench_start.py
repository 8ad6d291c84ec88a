"""How long it takes to start: a bare Python, `import envlab`, every public name, the command's help, a
widget.

    python tests/benchmarks/bench_start.py

Prints least, median and most of whole processes, in milliseconds, run in turn. Aims: `import envlab` ≤ 300
ms, `envlab --help` ≤ 150 ms; from the notebook's cell to what the listening widget shows, and has loaded for
the first move, ≤ 3 s on top of the imports, where loops have been compiled once.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

RUNS = 7
_IMPORTS = "import envlab\nfrom envlab import read_specification\nfrom IPython.display import Video"
_WIDGET = """
from envlab.widget.audition.audition import Audition
from envlab.shipped import demo_design
specification = read_specification(demo_design())
Audition(specification.chain, specification.clips, specification).picture()
"""
STARTS = {
    "bare Python": "pass",
    "import envlab": "import envlab",
    "every public name": "import envlab\nfor name in envlab.__all__: getattr(envlab, name)",
    "envlab --help": "from envlab.cli import main\ntry: main(['--help'])\nexcept SystemExit: pass",
    "imports of 02_audition": _IMPORTS,
    "the widget, and its picture": f"{_IMPORTS}\n{_WIDGET}",
}


def seconds(code: str) -> float:
    """Return how long a fresh Python takes for some code, start and end included."""
    started = time.perf_counter()
    subprocess.run([sys.executable, "-c", code], stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - started


def main() -> None:
    """Run all in turn, print a table."""
    times: dict[str, list[float]] = {name: [] for name in STARTS}
    for _ in range(RUNS):
        for name, code in STARTS.items():
            times[name].append(1e3 * seconds(code))
    print(f"{'ms, whole process':<28}{'least':>8}{'median':>8}{'most':>8}")
    for name, some in times.items():
        print(f"{name:<28}{min(some):8.0f}{statistics.median(some):8.0f}{max(some):8.0f}")


if __name__ == "__main__":
    main()

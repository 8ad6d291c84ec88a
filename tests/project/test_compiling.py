"""The compiled loops where nothing can be kept: read-only installation and home, a full disk."""

import shutil
import subprocess
import sys
from pathlib import Path

import envlab

NO_FOLDER = """
import numba.core.caching as caching
for kind in (caching.CacheImpl, *caching.CacheImpl.__subclasses__()):
    kind._locator_classes = []
"""
FULL_DISK = """
import numba.core.caching as caching
def full(self, *given):
    raise OSError(28, "No space left on device")
caching.IndexDataCacheFile.save = full
"""
FLASHES = """
import numpy as np
from envlab import count_flashes
print(count_flashes(np.tile([0.0, 1.0], 50), 100.0))
"""


def flashes_said(before, tmp_path, package=""):
    """Return what a fresh process counts in a light of which every frame is another, and if loops are kept.

    package: the folder that holds the package, where it is another one than this process has.
    """
    places = ":".join(filter(None, [package, *sys.path]))
    environment = {"NUMBA_CACHE_DIR": str(tmp_path / "loops"), "PYTHONPATH": places}
    done = subprocess.run(
        [sys.executable, "-c", before + FLASHES], cwd=package or None,
        env=environment, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return done.stdout.split(), any((tmp_path / "loops").rglob("*.nbi"))


def test_loops_run_where_nothing_can_be_kept(tmp_path):
    usual, kept = flashes_said("", tmp_path)
    assert kept
    assert usual == ["49"]  # 50 rises and 49 falls: 49 pairs
    for case, before in (("folder", NO_FOLDER), ("disk", FULL_DISK)):
        said, kept = flashes_said(before, tmp_path / case)
        assert (said, kept) == (usual, False)


TOLD = """
from envlab.files.compiling import compiling_told
with compiling_told(lambda name: print(name)):
"""


def test_what_is_compiled_is_named_and_what_lies_on_disk_is_not(tmp_path):
    counted = "".join(f"    {line}\n" for line in FLASHES.strip().splitlines())
    first, _ = flashes_said(TOLD + counted + "raise SystemExit", tmp_path)
    assert first[-1] == "49"
    named = first[:-1]
    # Each loop is named, then it is said that it is done; a loop within a loop is part of it.
    assert named[1::2] == ["None"] * (len(named) // 2)
    assert "None" not in named[::2]
    assert named
    assert flashes_said(TOLD + counted + "raise SystemExit", tmp_path)[0] == ["49"]


def test_kept_loops_are_stale_once_any_file_of_loops_has_changed(tmp_path):
    package = tmp_path / "copy" / "envlab"
    shutil.copytree(Path(envlab.__file__).parent, package, ignore=shutil.ignore_patterns("__pycache__"))
    counted = "".join(f"    {line}\n" for line in FLASHES.strip().splitlines()) + "raise SystemExit"

    def said():
        return flashes_said(TOLD + counted, tmp_path, str(package.parent))[0]

    first = said()
    assert len(first) > 1
    assert said() == ["49"]
    # Loops that count flashes call none of these; who knows that is no compiler.
    other = package / "sound" / "kernels.py"
    other.write_text(other.read_text() + "\n")
    assert said() == first
    assert said() == ["49"]

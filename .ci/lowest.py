"""Print the lowest versions that pyproject.toml allows, one a line, as pip takes them."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

PYPROJECT = Path(__file__).resolve().parents[1] / "pyproject.toml"


def lowest(requirement: str) -> str:
    """Return name==version of a requirement that names its lowest version."""
    found = re.match(r"([\w-]+)>=([\w.]+)", requirement)
    if found is None:
        raise SystemExit(f"{requirement}: no lowest version")
    return f"{found[1]}=={found[2]}"


if __name__ == "__main__":
    for requirement in tomllib.loads(PYPROJECT.read_text(encoding="utf-8"))["project"]["dependencies"]:
        print(lowest(requirement))

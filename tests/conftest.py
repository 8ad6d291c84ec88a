"""Shared by all tests: puts tests/ on the import path so that tests/reference can be imported."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

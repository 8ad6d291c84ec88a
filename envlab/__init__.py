"""Choose the parts of a microphone envelope detector, judge its lights, export its brightness table."""

from __future__ import annotations

__version__ = "0.1.0"

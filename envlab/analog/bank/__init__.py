"""Many detectors side by side, read at the converter's instants."""

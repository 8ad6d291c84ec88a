"""Compiled loops of rectifiers with amplifiers: one detector, many side by side, whole boards."""
